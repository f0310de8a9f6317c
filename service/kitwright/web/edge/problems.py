"""Problems: answers every refusal as an RFC 9457 document with a stable code. Only this module
knows status codes.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, Final

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException
from msgspec import Meta, Struct

from kitwright.catalogue.graph import ReferenceUnresolved
from kitwright.errors import KitwrightError, Path
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.people import PeopleError
from kitwright.keeping.prices import PricesMoved
from kitwright.keeping.store import RecordDamaged, StoreFull, StoreUnavailable
from kitwright.prices.books import BookDamaged
from kitwright.prices.record import PriceFileError
from kitwright.solve.closure import Unreachable
from kitwright.stages.kit import FitmentError
from kitwright.stages.ordering import NotOrderable
from kitwright.stages.request import RequestRefused
from kitwright.stages.supply import PriceError
from kitwright.tax.area import TaxError

CodeText = Annotated[str, Meta(pattern="^[a-z][a-z-]*$", description="A documented code.")]
Status = Annotated[int, Meta(ge=400, le=599)]
MEDIA_TYPE: Final = "application/problem+json"
_LOG = logging.getLogger(__name__)


class FaultOut(Struct, frozen=True, kw_only=True):
    """One error: an RFC 6901 pointer to the wrong or missing member, and what is expected there."""

    pointer: Annotated[str, Meta(pattern="^(/([^/~]|~[01])*)*$")]
    detail: str
    code: CodeText


class ProblemOut(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """An RFC 9457 problem. `type` is the path of its description on this service; `code` is the
    last segment of that path.
    """

    type: Annotated[str, Meta(pattern="^/problems/[a-z-]+$")]
    title: str
    status: Status
    detail: str
    code: CodeText
    errors: tuple[FaultOut, ...] = ()


class Kind(Struct, frozen=True):
    """A kind of problem: its status, its title and what to do about it."""

    status: int
    title: str
    advice: str


KINDS: Final[dict[str, Kind]] = {
    "bad-request": Kind(400, "Bad request", "See `detail`."),
    "not-json": Kind(400, "Not JSON", "Send one JSON document in UTF-8."),
    "body-invalid": Kind(
        400,
        "Invalid body",
        "Each entry of `errors` points to a member and says what is expected.",
    ),
    "body-too-deep": Kind(
        400, "Body nested too deeply", "Send a body as the API description defines it."
    ),
    "query-invalid": Kind(
        400, "Invalid query", "`detail` names each invalid parameter and what is expected."
    ),
    "idempotency-key-missing": Kind(
        400,
        "Idempotency-Key missing",
        "Send an `Idempotency-Key`: a new one for each operation, the same one when you retry it.",
    ),
    "idempotency-key-malformed": Kind(
        400, "Idempotency-Key malformed", "Send one string in double quotes."
    ),
    "condition-malformed": Kind(
        400,
        "Condition malformed",
        "Send `If-Match` with the ETag exactly as the service answered it.",
    ),
    "key-missing": Kind(401, "Key missing", "Send `Authorization: Bearer` and a key."),
    "key-refused": Kind(401, "Key refused", "Ask the owner for another key."),
    "scope-missing": Kind(
        403, "Scope missing", "Ask the owner for a key with the scope that `detail` names."
    ),
    "not-found": Kind(404, "Not found", "Check the path against the API description."),
    "unknown-record": Kind(404, "No such record", "List the records to see the known ids."),
    "method-not-allowed": Kind(
        405, "Method not allowed", "Use a method that the header `Allow` names."
    ),
    "not-acceptable": Kind(
        406, "No acceptable media type", "Accept a media type that this operation can answer with."
    ),
    "request-timeout": Kind(
        408, "Request too slow", "Send the request again over a faster connection."
    ),
    "call-in-progress": Kind(
        409,
        "Call in progress",
        "A call with this `Idempotency-Key` is still in progress: retry shortly.",
    ),
    "call-undone": Kind(
        409,
        "Call made before a restore",
        "This `Idempotency-Key` was used before records were restored. Read what is stored, and "
        "send a new key if the call has to be made again.",
    ),
    "act-refused": Kind(
        409,
        "Action not possible in the current state",
        "`errors` gives the reason. Read the record to see which actions are possible.",
    ),
    "prices-moved": Kind(
        409,
        "Prices have changed",
        "`errors` names the prices that are different today. Revise the quote to use today's "
        "prices, or send `keep_prices` with the reason for keeping the quoted ones.",
    ),
    "link-expired": Kind(410, "Link expired", "Ask the shop for a new link."),
    "feed-restarted": Kind(
        410,
        "Feed restarted",
        "Records were restored from a backup, and later events are undone. Read again the records "
        "that they named, and continue with the `after` that `detail` and the `Link` header give.",
    ),
    "record-changed": Kind(
        412,
        "Record changed",
        "The record was changed after you read it. Read it again, then repeat the call with its "
        "new ETag.",
    ),
    "body-too-large": Kind(
        413, "Body too large", "Send a smaller body; requests normally have a few kilobytes."
    ),
    "path-too-long": Kind(414, "Path too long", "Check the path against the API description."),
    "wrong-media-type": Kind(
        415,
        "Wrong media type",
        "Send `application/json` in UTF-8 (for a photo or a price file, its own media type), "
        "without `Content-Encoding`.",
    ),
    "idempotency-key-reused": Kind(
        422,
        "Idempotency-Key already used",
        "This `Idempotency-Key` belongs to another call. Send a new one for each operation.",
    ),
    "request-refused": Kind(
        422,
        "Request can't be fulfilled",
        "Each entry of `errors` points to a member and says what is wrong with it.",
    ),
    "catalogue-gap": Kind(
        422,
        "Incomplete catalogue",
        "The catalogue lacks data that this request needs. Run `kitwright check-catalog` to find "
        "it.",
    ),
    "condition-missing": Kind(
        428, "If-Match missing", "Send `If-Match` with the ETag of the record that you read."
    ),
    "too-many-calls": Kind(
        429, "Too many calls", "Wait for the number of seconds in `Retry-After`."
    ),
    "headers-too-large": Kind(
        431, "Headers too large", "Send fewer and shorter headers, and a shorter query."
    ),
    "internal-error": Kind(
        500, "Internal error", "This is a bug in the service. Please report it."
    ),
    "records-held": Kind(
        503,
        "Restored records are held",
        "The owner releases them by `POST /v1/release` or `kitwright release`. Retry afterwards.",
    ),
    "record-damaged": Kind(
        500,
        "Record damaged",
        "`detail` names the record, which has changed since it was stored: nothing of it is shown "
        "or used. Run `kitwright doctor`; only a backup has the record as it was.",
    ),
    "storage-unavailable": Kind(
        503,
        "Storage unavailable",
        "Nothing was changed. Retry later; `kitwright doctor` reports what is wrong.",
    ),
    "too-many-connections": Kind(
        503, "Too many connections", "Close connections that are not in use, then retry."
    ),
    "too-busy": Kind(
        503,
        "Too busy",
        "Nothing was changed. Wait for the number of seconds in `Retry-After`, then retry.",
    ),
    "storage-full": Kind(
        507,
        "Storage full",
        "Nothing was changed. Free disk space on the data folder's volume, then retry.",
    ),
}
"""Problem code -> kind."""

_BY_STATUS: Final = {kind.status: code for code, kind in reversed(KINDS.items())}
"""Status of a refusal by the framework -> problem code, the first of several."""

GAPS: Final[tuple[type[KitwrightError], ...]] = (
    FitmentError,
    PriceError,
    TaxError,
    ReferenceUnresolved,
    Unreachable,
)
"""Errors that report missing catalogue data. Any other error that leaves the core is a bug."""

ACTS: Final[tuple[type[KitwrightError], ...]] = (
    ActRefused,
    PeopleError,
    NotOrderable,
    PriceFileError,
)
"""Errors that say why an action is not possible in a record's current state."""

_BY_ERROR: Final[tuple[tuple[tuple[type[KitwrightError], ...], str], ...]] = (
    ((RequestRefused,), "request-refused"),
    ((PricesMoved,), "prices-moved"),
    ((StoreFull,), "storage-full"),
    ((StoreUnavailable, BookDamaged), "storage-unavailable"),
    ((RecordDamaged,), "record-damaged"),
    (ACTS, "act-refused"),
    (GAPS, "catalogue-gap"),
)
"""Errors of the core -> problem code; any other error is a bug."""


class Refusal(KitwrightError):
    """The web layer refuses a request, with a code of `KINDS`."""

    code = "bad-request"

    def __init__(
        self,
        code: str,
        detail: str,
        faults: Iterable[FaultOut] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.code = code
        self.faults = tuple(faults)
        self.headers = dict(headers or {})


def pointer(path: Path) -> str:
    """Return an RFC 6901 JSON pointer."""
    return "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in path)


def problem(code: str, detail: str, errors: Iterable[FaultOut] = ()) -> ProblemOut:
    """Return the document of a problem, with the title and status of its kind."""
    kind = KINDS[code]
    return ProblemOut(
        type=f"/problems/{code}",
        title=kind.title,
        status=kind.status,
        detail=detail,
        code=code,
        errors=tuple(errors),
    )


def _response(
    request: Request[Any, Any, Any],
    document: ProblemOut,
    headers: Mapping[str, str] | None = None,
) -> Response[bytes]:
    request.scope["state"]["problem"] = document.code
    return Response(
        msgspec.json.encode(document),
        status_code=document.status,
        media_type=MEDIA_TYPE,
        headers=headers,
    )


def on_refusal(request: Request[Any, Any, Any], error: Refusal) -> Response[bytes]:
    """Return the problem document of a refusal by the web layer."""
    return _response(request, problem(error.code, str(error), error.faults), error.headers)


def on_kitwright_error(request: Request[Any, Any, Any], error: KitwrightError) -> Response[bytes]:
    """Return the problem document of an error that the core raised; an undeclared one is a bug."""
    code = next((code for kinds, code in _BY_ERROR if isinstance(error, kinds)), None)
    if code is None:
        return on_bug(request, error)
    if isinstance(error, StoreFull | StoreUnavailable | BookDamaged):
        _LOG.error("storage: %s", error)
        return _response(request, problem(code, KINDS[code].advice), {"Retry-After": "5"})
    if isinstance(error, RecordDamaged):
        _LOG.error("storage: %s", error)
        return _response(request, problem(code, str(error)))
    if code == "catalogue-gap":
        _LOG.warning("catalogue gap: %s", error)
    faults = error.faults if isinstance(error, RequestRefused | PricesMoved) else [error]
    return _response(request, problem(code, str(error), map(_fault, faults)))


def _fault(error: KitwrightError) -> FaultOut:
    return FaultOut(pointer=pointer(error.path), detail=str(error), code=error.code)


def on_http_error(request: Request[Any, Any, Any], error: HTTPException) -> Response[bytes]:
    """Return the problem document of a refusal by the framework."""
    if error.status_code >= 500:
        return on_bug(request, error)
    code = _BY_STATUS.get(error.status_code, "bad-request")
    detail = error.detail if code == "bad-request" else KINDS[code].advice
    return _response(request, problem(code, detail))


def on_bug(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """Log a bug and return its problem document, which does not disclose internals."""
    log_bug(error, request.scope["state"].get("request_id"))
    return _response(request, problem("internal-error", KINDS["internal-error"].advice))


def log_bug(error: Exception, request_id: str | None) -> None:
    """Log an unexpected error, with the request's id."""
    _LOG.error("unforeseen error", exc_info=error, extra={"request_id": request_id})


HANDLERS: Final[dict[int | type[Exception], Callable[..., Response[bytes]]]] = {
    Refusal: on_refusal,
    KitwrightError: on_kitwright_error,
    HTTPException: on_http_error,
    Exception: on_bug,
}
"""Exception class -> handler, for the application."""

_AT: Final = re.compile(r" - at `\$(?P<path>.*)`$")
_STEP: Final = re.compile(r"\.(?P<name>[^.\[\]]+)|\[(?P<index>\d+)\]")


def fault_of(error: msgspec.ValidationError, base: Path = ()) -> FaultOut:
    """Return a decoder's error as an entry of `errors`, with its path as a pointer below `base`.

    Messages of our own structs are repeated. The decoder's own messages are not, because they
    describe Python types.
    """
    at = _AT.search(str(error))
    said = error.__cause__
    detail = str(said) if isinstance(said, ValueError) else "does not match the API description"
    steps = _STEP.finditer(at["path"] if at is not None else "")
    path = (step["name"] if step["index"] is None else int(step["index"]) for step in steps)
    return FaultOut(pointer=pointer((*base, *path)), detail=detail, code="wrong-shape")
