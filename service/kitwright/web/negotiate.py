"""Negotiation: which form of an answer the caller takes, and whether it has it already."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
from litestar import Request, Response

from kitwright.web.problems import Refusal

JSON = "application/json"
TEXT = "text/plain"


def best_form(request: Request[Any, Any, Any], forms: Sequence[str]) -> str:
    """Return the media type to answer with, the first of `forms` where the caller has no wish.

    Raises: Refusal: not-acceptable.
    """
    best = request.accept.best_match(list(forms))
    if best is None:
        raise Refusal("not-acceptable", f"this answers with {' or '.join(forms)}")
    return best


def json_response(body: object) -> Response[bytes]:
    """Return a body as JSON."""
    return Response(msgspec.json.encode(body), media_type=JSON)


def unchanging(request: Request[Any, Any, Any], body: object, revision: str) -> Response[bytes]:
    """Return a body that changes with the catalogue only: with its ETag, or 304 where the
    caller has it.
    """
    best_form(request, [JSON])
    tag = f'"{revision[:32]}"'
    headers = {"ETag": tag, "Cache-Control": "no-cache"}
    known = request.headers.get("if-none-match", "")
    if known.strip() == "*" or tag in (
        each.strip().removeprefix("W/") for each in known.split(",")
    ):
        return Response(b"", status_code=304, headers=headers, media_type=JSON)
    return Response(msgspec.json.encode(body), headers=headers, media_type=JSON)
