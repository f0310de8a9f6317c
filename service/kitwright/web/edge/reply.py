"""Reply: a good answer, and how it is sent: encoded, tagged, or as 304 to who has it already."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Generic, TypeVar

import msgspec
from litestar import Request, Response
from msgspec import Struct

from kitwright.web.edge.conditions import none_match
from kitwright.web.edge.negotiate import JSON
from kitwright.web.edge.problems import Refusal

T = TypeVar("T")


class Reply(Struct, Generic[T], frozen=True, kw_only=True):
    """An answer: a struct that is sent as JSON, or bytes; the entity tag of what it shows, and
    other headers. `status` is None for the one of the operation.

    `kept` is the body to give again under the same idempotency key, if `body` itself holds a
    secret that is shown once. `after` is called when what was done is kept, and only then.
    """

    body: T | bytes
    kept: T | bytes | None = None
    after: Callable[[], None] | None = None
    tag: str | None = None
    status: int | None = None
    form: str = JSON
    headers: Mapping[str, str] = {}


def encoded(body: Any) -> bytes:
    """Return a body as it is sent."""
    return body if isinstance(body, bytes) else msgspec.json.encode(body)


def response(
    request: Request[Any, Any, Any], reply: Reply[Any], status: int, *, varies: bool = False
) -> Response[bytes]:
    """Return a reply as the framework sends it: 304 to a GET whose caller has it already.

    `varies` says that other forms of it could have been asked for.
    """
    headers = dict(reply.headers)
    if varies:
        headers["Vary"] = "Accept"
    if reply.tag is not None:
        headers["ETag"] = reply.tag
        if request.method == "GET":
            headers.setdefault("Cache-Control", "no-cache")
            if has_it(request, reply.tag):
                return Response(b"", status_code=304, headers=headers, media_type=reply.form)
    return Response(
        encoded(reply.body),
        status_code=status if reply.status is None else reply.status,
        headers=headers,
        media_type=reply.form,
    )


def has_it(request: Request[Any, Any, Any], tag: str) -> bool:
    """Return whether the caller has what a tag is of already."""
    known = request.headers.getall("if-none-match", [])
    try:
        return bool(known) and not none_match(",".join(known), tag)
    except Refusal:
        # a read is answered in full rather than refused
        return False
