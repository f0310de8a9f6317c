"""Problems: every refusal as an RFC 9457 document with a stable code. Only this module knows status
codes.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterable
from typing import Any, Final

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException, MethodNotAllowedException
from msgspec import Struct

from kitwright.errors import KitwrightError, Path
from kitwright.stages.refusal import RequestRefused

MEDIA_TYPE: Final = "application/problem+json"
_LOG = logging.getLogger("kitwright")


class FaultOut(Struct, frozen=True, kw_only=True):
    """One fault of a body: an RFC 6901 pointer to it (or to the member that is missing), and
    what would be right.
    """

    pointer: str
    detail: str
    code: str


class ProblemOut(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """An RFC 9457 problem. `type` leads to its description on this service; `code` is its last
    segment.
    """

    type: str
    title: str
    status: int
    detail: str
    code: str
    errors: tuple[FaultOut, ...] = ()


class Kind(Struct, frozen=True):
    """A kind of problem: its status, title and what to do about it."""

    status: int
    title: str
    advice: str


KINDS: Final[dict[str, Kind]] = {
    "not-json": Kind(400, "Not JSON", "Send one JSON document in UTF-8."),
    "body-invalid": Kind(
        400,
        "Body of the wrong shape",
        "Every entry of `errors` points to a member and says what it should be.",
    ),
    "not-found": Kind(404, "Not found", "Check the path against the API description."),
    "unknown-record": Kind(404, "No such record", "List the records to see the known ids."),
    "method-not-allowed": Kind(405, "Method not allowed", "Use a method that `Allow` names."),
    "not-acceptable": Kind(
        406, "No acceptable form", "Ask for a media type that this operation answers with."
    ),
    "body-too-large": Kind(413, "Body too large", "Send less; a request has a few kilobytes."),
    "wrong-media-type": Kind(415, "Wrong media type", "Send application/json."),
    "request-refused": Kind(
        422,
        "Can't be quoted as asked",
        "Every entry of `errors` points to what does not fit the catalogue, and says why.",
    ),
    "catalogue-gap": Kind(
        422,
        "The catalogue can't answer",
        "It lacks something that this request needs; `kitwright check-catalog` finds what.",
    ),
    "bad-request": Kind(400, "Bad request", "See `detail`."),
    "internal-error": Kind(500, "Fault of the service", "Please report it: this is a bug."),
}
"""Problem code -> kind. These codes are part of the interface."""

_BY_STATUS: Final = {
    400: "bad-request",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    413: "body-too-large",
    415: "wrong-media-type",
}


class Refusal(KitwrightError):
    """A request that the web layer refuses by itself."""

    code = "bad-request"

    def __init__(self, code: str, detail: str, faults: Iterable[FaultOut] = ()) -> None:
        super().__init__(detail)
        self.code = code
        self.faults = tuple(faults)


def pointer(path: Path) -> str:
    """Return an RFC 6901 JSON pointer."""
    return "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in path)


def problem(
    code: str,
    detail: str,
    errors: tuple[FaultOut, ...] = (),
    *,
    headers: dict[str, str] | None = None,
) -> Response[bytes]:
    """Return a problem document as a response."""
    kind = KINDS[code]
    body = ProblemOut(
        type=f"/problems/{code}",
        title=kind.title,
        status=kind.status,
        detail=detail,
        code=code,
        errors=errors,
    )
    return Response(
        msgspec.json.encode(body), status_code=kind.status, media_type=MEDIA_TYPE, headers=headers
    )


def on_kitwright_error(_: Request[Any, Any, Any], error: KitwrightError) -> Response[bytes]:
    """Return the problem of a refusal that was meant."""
    if isinstance(error, Refusal):
        return problem(error.code, str(error), error.faults)
    if isinstance(error, RequestRefused):
        faults = tuple(
            FaultOut(pointer=pointer(fault.path), detail=str(fault), code=fault.code)
            for fault in error.faults
        )
        return problem("request-refused", str(error), faults)
    _LOG.warning("catalogue gap: %s", error)
    return problem("catalogue-gap", str(error))


def on_http_error(_: Request[Any, Any, Any], error: HTTPException) -> Response[bytes]:
    """Return the problem of a refusal by the framework."""
    code = _BY_STATUS.get(error.status_code)
    if code is None:
        code = "bad-request" if error.status_code < 500 else "internal-error"
    headers = None
    if isinstance(error, MethodNotAllowedException):
        headers = dict(error.headers or {})
    return problem(code, KINDS[code].advice, headers=headers)


def on_fault(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """Return the problem of a bug, and log it; the caller learns nothing of the inside."""
    _LOG.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return problem("internal-error", KINDS["internal-error"].advice)


HANDLERS: Final[dict[int | type[Exception], Callable[..., Response[bytes]]]] = {
    KitwrightError: on_kitwright_error,
    HTTPException: on_http_error,
    Exception: on_fault,
}
"""Exception class -> handler, for the application."""

_AT = re.compile(r" - at `\$(?P<path>.*)`$")
_STEP = re.compile(r"\.(?P<name>[^.\[\]]+)|\[(?P<index>\d+)\]")
_NAMED = re.compile(r"(?:unknown|missing required) field `(?P<name>[^`]*)`")


def fault_of(error: msgspec.ValidationError, base: Path = ()) -> FaultOut:
    """Return a decoder's error as a fault, its path as a pointer below `base`."""
    told = str(error)
    at = _AT.search(told)
    detail = told if at is None else told[: at.start()]
    steps = _STEP.finditer(at["path"] if at is not None else "")
    path: list[str | int] = [
        *base,
        *(step["name"] if step["index"] is None else int(step["index"]) for step in steps),
    ]
    named = _NAMED.search(detail)
    if named is not None:
        path.append(named["name"])
    return FaultOut(pointer=pointer(tuple(path)), detail=detail, code="wrong-shape")
