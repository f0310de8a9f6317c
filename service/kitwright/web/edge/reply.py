"""Reply: a successful answer, and its sending: encoded, tagged, or as 304 if the caller has it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from typing import Any, Generic, TypeVar

import msgspec
from litestar import Request
from litestar.response.base import ASGIResponse
from litestar.response.streaming import ASGIStreamingResponse
from msgspec import Struct

from kitwright.web.edge.conditions import none_match
from kitwright.web.edge.negotiate import JSON
from kitwright.web.edge.problems import Refusal

T = TypeVar("T")


class Streamed(Struct, frozen=True):
    """A body that is sent while it is made, part by part."""

    parts: AsyncIterator[bytes]


class Reply(Struct, Generic[T], frozen=True, kw_only=True):
    """An answer: a struct that is sent as JSON, or bytes; the entity tag of its record, and other
    headers. If `status` is None, the operation's status is sent.

    `kept` is the body that is stored for the idempotency key, if `body` itself holds a secret that
    is shown only once. `after` is called only after the work has been stored.
    """

    body: T | bytes | Streamed
    kept: T | bytes | None = None
    after: Callable[[], None] | None = None
    tag: str | None = None
    status: int | None = None
    form: str = JSON
    headers: Mapping[str, str] = {}


def encoded(body: Any) -> Any:
    """Return a body as the bytes that are sent; one that is sent in parts stays as it is."""
    return body if isinstance(body, bytes | Streamed) else msgspec.json.encode(body)


def response(
    request: Request[Any, Any, Any], reply: Reply[Any], status: int, *, varies: bool = False
) -> ASGIResponse:
    """Return a reply as it is sent: 304 to a GET if the caller has it already.

    It is the framework's lower response: the upper one would only copy it.

    `varies` tells whether the same path has other media types.
    """
    headers = dict(reply.headers)
    if varies:
        headers["Vary"] = "Accept"
    if reply.tag is not None:
        headers["ETag"] = reply.tag
        if request.method in ("GET", "HEAD"):
            headers.setdefault("Cache-Control", "no-cache")
            if has_it(request, reply.tag):
                return ASGIResponse(status_code=304, headers=headers, media_type=reply.form)
    code = status if reply.status is None else reply.status
    if isinstance(reply.body, Streamed):
        return ASGIStreamingResponse(
            iterator=reply.body.parts,
            status_code=code,
            headers=headers,
            media_type=reply.form,
            is_head_response=request.method == "HEAD",
        )
    return ASGIResponse(
        body=encoded(reply.body), status_code=code, headers=headers, media_type=reply.form
    )


def has_it(request: Request[Any, Any, Any], tag: str) -> bool:
    """Return whether the caller already has the version that a tag names."""
    known = request.headers.getall("if-none-match", [])
    try:
        return bool(known) and not none_match(",".join(known), tag)
    except Refusal:
        # a read is answered in full rather than refused
        return False
