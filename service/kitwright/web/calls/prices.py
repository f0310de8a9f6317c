"""Prices: calls on suppliers' price files and on the price book."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final, Literal, TypeVar

import msgspec
from msgspec import Meta

from kitwright.keeping.key import Scope
from kitwright.keeping.store import Records
from kitwright.prices import books
from kitwright.prices.amount import amount_text
from kitwright.prices.difference import PriceDifference
from kitwright.prices.record import (
    Entry,
    FileNumber,
    PriceFile,
    PriceRevision,
    RevisionNumber,
    RowError,
)
from kitwright.pricing import SupplierUnknown, note_in_force
from kitwright.quote import Count, DecimalText
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import PRICE_FILE, PriceFileId, missing, read_id, written
from kitwright.web.calls.shown import ListOut, Out
from kitwright.web.edge.body import stream
from kitwright.web.edge.negotiate import media_type
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Id, Wire

MEDIA: Final = (
    "text/csv",
    # what some systems call CSV
    "application/vnd.ms-excel",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "application/octet-stream",
)
"""The media types of price files; what a file is follows from its content."""
MOST_FILE: Final = 1024**3
"""The largest price file, in bytes."""
MOST_ERRORS: Final = 200
"""Errors of a file that an answer lists."""
_MOST_FILES: Final = 100
_KEEPS: Final = "reads"
"""The price book is not among the records, which these calls at most read."""
T = TypeVar("T")

PriceNumber = Annotated[
    int, Meta(ge=1, le=999_999_999_999_999, description="The number of a price revision, from 1.")
]
Share = Annotated[
    str, Meta(pattern=r"^[0-9]{1,3}$", description="Whole per cent of the work.", examples=["40"])
]
Find = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=200,
        pattern=r"^[^\x00-\x1f\x7f]*(?!\n)$",
        description="A part number as it is typed, or words.",
        examples=["v68 k 011"],
        extra={"wanted": "1 to 200 characters on one line"},
    ),
]


class PriceFileQuery(Wire, frozen=True, kw_only=True):
    """Whose prices a file has, and its name."""

    supplier: Annotated[Id, Meta(examples=["ALDQ"])]
    name: Annotated[
        str,
        Meta(
            max_length=200,
            pattern=r"^[^\x00-\x1f\x7f]*(?!\n)$",
            description="The file's name, for people.",
            extra={"wanted": "at most 200 characters on one line"},
        ),
    ] = ""


class PriceFindQuery(Wire, frozen=True, kw_only=True):
    """What is looked up."""

    find: Find
    limit: Annotated[int, Meta(ge=1, le=100, description="The most numbers to return.")] = 20


class PriceBackIn(Wire, frozen=True, kw_only=True):
    """The price revision that is left; it has to be in force."""

    revision: PriceNumber


class PriceFileHeadOut(Out, frozen=True, kw_only=True):
    """A price file: `numbers` counts the part numbers in it, `error_count` the errors. `percent` of
    its reading is done.
    """

    id: PriceFileId
    supplier: str
    name: str
    state: Literal["received", "refused", "read", "replaced", "applied"]
    received_at: datetime
    by: str
    numbers: Count
    error_count: Count
    percent: Share


class PriceErrorOut(Out, frozen=True, kw_only=True):
    """An error in a price file: the line, the heading of the column (empty: the complete row), the
    value, and the reason with a stable code.
    """

    line: Count
    column: str
    value: str
    code: str
    reason: str


class PriceFileOut(PriceFileHeadOut, frozen=True, kw_only=True):
    """A price file with its first 200 errors, or, if it has none, what it changes."""

    errors: tuple[PriceErrorOut, ...]
    difference: PriceDifference | None


class PriceErrorsQuery(Wire, frozen=True, kw_only=True):
    """Which errors of a price file: those after a place in its list."""

    after: Annotated[
        int, Meta(ge=0, le=1_000_000_000, description="The place after which to continue.")
    ] = 0
    limit: Annotated[int, Meta(ge=1, le=1000, description="The most errors to return.")] = 200


class PriceErrorsOut(Out, frozen=True, kw_only=True):
    """Errors of a price file in the order of its lines. `last` is the place after which to
    continue: that of the last error here, or `after` if there is none.
    """

    items: tuple[PriceErrorOut, ...]
    last: Count


class PriceRevisionOut(Out, frozen=True, kw_only=True):
    """A price revision: the file that gives a supplier's prices from here on. `before` is the
    revision that it followed, null for the prices of the catalogue. `sha256` is that of its book.
    """

    revision: PriceNumber
    before: PriceNumber | None
    supplier: str
    file: PriceFileId
    sha256: str
    at: datetime
    by: str


class PriceRevisionsOut(Out, frozen=True, kw_only=True):
    """All price revisions, the newest first, and the one in force, null for the prices of the
    catalogue.
    """

    in_force: PriceNumber | None
    items: tuple[PriceRevisionOut, ...]


class PriceOut(Out, frozen=True, kw_only=True):
    """A number that a supplier sells: `cost` for a pack of `pack` items, null if it is on request;
    `list_price` and `core` for one item; all in the supplier's currency, without tax. `minimum`,
    `multiple` and `stock` are in packs.
    """

    number: str
    maker: str
    maker_number: str
    description: str
    list_price: DecimalText | None
    cost: DecimalText | None
    pack: Count
    minimum: Count
    multiple: Count
    breaks: dict[str, DecimalText]
    availability: Literal["in_stock", "unknown", "back_order", "discontinued"]
    stock: Count | None
    lead_days: Count | None
    core: DecimalText | None
    superseded_by: str
    replaces: str


class PriceFoundOut(PriceOut, frozen=True, kw_only=True):
    """A number that was found, and how. `successor` supersedes it in the end, null for none."""

    supplier: str
    currency: str
    found_by: Literal["number", "old_number", "start", "words"]
    successor: PriceOut | None


class PricesFoundOut(Out, frozen=True, kw_only=True):
    """Numbers that were found, the best first, in the prices of a revision."""

    in_force: PriceNumber | None
    items: tuple[PriceFoundOut, ...]


@operation(
    "POST /v1/price-files",
    "addPriceFile",
    "prices",
    "storage-full",
    media=MEDIA,
    is_streamed=True,
    scope=Scope.CATALOGUE,
    keeps=_KEEPS,
    status=202,
)
async def add(call: Call, query: PriceFileQuery) -> Reply[PriceFileOut]:
    """Send a price file.

    The body is the file itself: CSV with any delimiter, encoding and decimal sign, or XLSX, at most
    1 GiB. It is read in the background, completely or not at all: get the file to follow that. If
    no row is wrong, its `difference` says what it would change. Nothing changes until it is
    applied.
    """
    said, _ = media_type(call.request.headers.get("content-type", ""))
    is_coded = call.request.headers.get("content-encoding", "identity").lower() != "identity"
    if said not in MEDIA or is_coded:
        raise Refusal(
            "wrong-media-type",
            f"the body should be one of {', '.join(MEDIA)}, without Content-Encoding",
            headers={"Accept": ", ".join(MEDIA), "Accept-Encoding": "identity"},
        )
    pieces = stream(call.request, MOST_FILE)
    try:
        file = await call.desk.pricing.receive(query.supplier, query.name, call.stamp.by, pieces)
    except SupplierUnknown as error:
        raise Refusal("query-invalid", f"supplier: {error}") from None
    out = _file_out(call, file)
    return Reply(body=out, headers={"Location": f"/v1/price-files/{out.id}"})


@operation("GET /v1/price-files", "listPriceFiles", "prices", keeps=_KEEPS)
def listed(call: Call) -> Reply[ListOut[PriceFileHeadOut]]:
    """List the latest 100 price files, the newest first."""
    found = call.desk.pricing.books.files(None, _MOST_FILES)
    return Reply(body=ListOut(items=tuple(_head_out(call, file) for file in found)))


@operation("GET /v1/price-files/{id}", "getPriceFile", "prices", keeps=_KEEPS)
def get(call: Call) -> Reply[PriceFileOut]:
    """Get a price file: how far its reading is, its errors, or what it changes."""
    return Reply(body=_file_out(call, _file(call)))


@operation("GET /v1/price-files/{id}/errors", "listPriceErrors", "prices", keeps=_KEEPS)
def list_errors(call: Call, query: PriceErrorsQuery) -> Reply[PriceErrorsOut]:
    """List every error of a price file.

    To continue, call again with `after` set to `last`.
    """
    found = call.desk.pricing.books.errors(_file(call).number, query.after, query.limit)
    last = found[-1][0] if found else query.after
    return Reply(body=PriceErrorsOut(items=tuple(_error_out(each) for _, each in found), last=last))


@operation(
    "POST /v1/price-files/{id}/apply",
    "applyPriceFile",
    "prices",
    "act-refused",
    "storage-full",
    scope=Scope.CATALOGUE,
)
async def apply(call: Call) -> Work[PriceRevisionOut]:
    """Apply a price file.

    Its prices are in force when this is answered, as a new price revision: new quotes and previews
    use them. After its first file, a supplier's offers in the catalogue no longer count. Repeating
    the call has no further effect. The event is `prices.applied`.
    """
    number = _file(call).number
    _begin(call)
    out = _revision_out(await call.desk.pricing.apply(number, call.stamp.by))
    return _noting(call, out)


@operation("GET /v1/price-book", "findPrices", "prices", keeps=_KEEPS)
def find(call: Call, query: PriceFindQuery) -> Reply[PricesFoundOut]:
    """Look up part numbers in the price book.

    Finds numbers of suppliers and makers however they are typed (spaces, dashes, case), old
    numbers, numbers that begin so, and words of descriptions.
    """
    price_books = call.desk.pricing.books
    suppliers = call.desk.service.files.suppliers
    items = tuple(
        PriceFoundOut(
            **msgspec.structs.asdict(_price_out(each.entry)),
            supplier=each.supplier,
            currency=suppliers[each.supplier].currency if each.supplier in suppliers else "",
            found_by=each.by,
            successor=None if each.successor is None else _price_out(each.successor),
        )
        for each in price_books.find(query.find, query.limit)
    )
    return Reply(body=PricesFoundOut(in_force=price_books.in_force().revision, items=items))


@operation("GET /v1/price-book/revisions", "listPriceRevisions", "prices", keeps=_KEEPS)
def revisions(call: Call) -> Reply[PriceRevisionsOut]:
    """List price revisions, the newest first, and the one in force."""
    return Reply(body=_revisions_out(call))


@operation(
    "POST /v1/price-book/back",
    "undoPriceRevision",
    "prices",
    "act-refused",
    "storage-full",
    scope=Scope.CATALOGUE,
)
async def back(call: Call, body: PriceBackIn) -> Work[PriceRevisionsOut]:
    """Go back to the prices before a price revision.

    The revision has to be the one in force. Repeating the call has no further effect. The event is
    `prices.undone`.
    """
    _begin(call)
    await call.desk.pricing.back(RevisionNumber(body.revision))
    out = _revisions_out(call)
    return _noting(call, out)


def _begin(call: Call) -> None:
    """Begin a change of the prices, whose event the call adds."""
    pricing = call.desk.pricing
    pricing.in_calls += 1

    def end() -> None:
        pricing.in_calls -= 1

    call.at_end.append(end)


def _noting(call: Call, body: T) -> Work[T]:
    """Return the work that adds the event of the prices in force, and answers with a body."""
    in_force = call.desk.pricing.books.in_force()

    def note(records: Records) -> Reply[T]:
        note_in_force(records, call.stamp, in_force)
        return Reply(body=body)

    return note


def _file(call: Call) -> PriceFile:
    """Return the price file of the id in the path. Raises: Refusal: unknown-record."""
    text = call.variable("id")
    try:
        return call.desk.pricing.books.file(FileNumber(read_id(PRICE_FILE, text)))
    except books.UnknownFile:
        raise missing(PRICE_FILE, text) from None


def _head_out(call: Call, file: PriceFile) -> PriceFileHeadOut:
    progress = call.desk.pricing.progress(file.number)
    share = int(file.state != "received") if progress is None else progress.share
    return PriceFileHeadOut(
        id=written(PRICE_FILE, file.number),
        supplier=file.supplier,
        name=file.name,
        state=file.state.value,
        received_at=file.at,
        by=file.by,
        numbers=file.rows if progress is None else progress.rows,
        error_count=file.errors if progress is None else progress.errors,
        percent=str(int(share * 100)),
    )


def _file_out(call: Call, file: PriceFile) -> PriceFileOut:
    price_books = call.desk.pricing.books
    errors = price_books.errors(file.number, 0, MOST_ERRORS) if file.errors else ()
    return PriceFileOut(
        **msgspec.structs.asdict(_head_out(call, file)),
        errors=tuple(_error_out(error) for _, error in errors),
        difference=None
        if file.difference is None
        else msgspec.json.decode(file.difference, type=PriceDifference),
    )


def _error_out(error: RowError) -> PriceErrorOut:
    return PriceErrorOut(**msgspec.structs.asdict(error))


def _revision_out(revision: PriceRevision) -> PriceRevisionOut:
    return PriceRevisionOut(
        revision=revision.number,
        before=revision.before,
        supplier=revision.supplier,
        file=written(PRICE_FILE, revision.file),
        sha256=revision.sha256,
        at=revision.at,
        by=revision.by,
    )


def _revisions_out(call: Call) -> PriceRevisionsOut:
    price_books = call.desk.pricing.books
    return PriceRevisionsOut(
        in_force=price_books.in_force().revision,
        items=tuple(map(_revision_out, price_books.revisions())),
    )


def _price_out(entry: Entry) -> PriceOut:
    return PriceOut(
        number=entry.number,
        maker=entry.maker,
        maker_number=entry.maker_number,
        description=entry.description,
        list_price=_amount_or_none(entry.list_price),
        cost=_amount_or_none(entry.cost),
        pack=entry.pack,
        minimum=entry.minimum,
        multiple=entry.multiple,
        breaks={str(packs): amount_text(cost) for packs, cost in entry.breaks},
        availability=entry.availability.value,
        stock=entry.stock,
        lead_days=entry.lead_days,
        core=_amount_or_none(entry.core),
        superseded_by=entry.superseded_by,
        replaces=entry.replaces,
    )


def _amount_or_none(amount: int | None) -> str | None:
    return None if amount is None else amount_text(amount)
