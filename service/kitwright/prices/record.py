"""Record: rows of the price book, price files, price revisions, and errors in a file."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Final, NewType

from msgspec import Struct

from kitwright.catalogue.model import Availability, PriceForm, Supplier, SupplierId
from kitwright.errors import KitwrightError

FileNumber = NewType("FileNumber", int)
RevisionNumber = NewType("RevisionNumber", int)

SCALE: Final = 1_000_000
"""Amounts of the price book are whole numbers of millionths of the supplier's currency."""


class Terms(Struct, frozen=True, kw_only=True):
    """A supplier as far as its price files need it.

    `default_cost_percent` is the share of the list price that a number costs if its row has no
    price.
    """

    supplier: SupplierId
    currency: str
    form: PriceForm = PriceForm()
    default_cost_percent: Decimal | None = None


def terms_of(supplier: Supplier) -> Terms:
    """Return the terms of a supplier."""
    percent = supplier.default_cost_percent
    return Terms(
        supplier=supplier.id,
        currency=supplier.currency,
        form=supplier.price_file or PriceForm(),
        default_cost_percent=None if percent is None else Decimal(percent),
    )


class Entry(Struct, frozen=True, kw_only=True):
    """A number that a supplier sells, with its terms.

    Amounts are in millionths of the supplier's currency, without tax: `cost` for a pack of `pack`
    items, `list_price` and `core` for one item. A cost of None is a price on request. `minimum`,
    `multiple`, `stock` and the first member of each break are in packs. `line` is the line of the
    file, or the row of the sheet.
    """

    line: int
    number: str
    maker: str = ""
    maker_number: str = ""
    description: str = ""
    list_price: int | None = None
    cost: int | None = None
    pack: int = 1
    minimum: int = 1
    multiple: int = 1
    breaks: tuple[tuple[int, int], ...] = ()
    availability: Availability = Availability.unknown
    stock: int | None = None
    lead_days: int | None = None
    core: int | None = None
    superseded_by: str = ""
    replaces: str = ""


class RowError(Struct, frozen=True, kw_only=True):
    """An error in a price file: its line, the heading of its column, the value, and the reason.

    `column` is empty if the complete row is wrong. `code` is stable; `reason` is a sentence.
    """

    line: int
    column: str
    value: str
    code: str
    reason: str

    def __str__(self) -> str:
        where = f"line {self.line}" + (f", column {self.column!r}" if self.column else "")
        value = f": {self.value!r}" if self.value else ""
        return f"{where}{value}: {self.reason}"


class FileState(StrEnum):
    """The state of a price file: `received` until it is read, `refused` if a row is wrong, `read`
    if it can be applied, `replaced` if a newer file of its supplier was read before it was applied,
    `applied` once it was.
    """

    received = "received"
    refused = "refused"
    read = "read"
    replaced = "replaced"
    applied = "applied"


class PriceFile(Struct, frozen=True, kw_only=True):
    """A price file, and the outcome of reading it.

    `rows` counts the numbers in it, `errors` its errors. `against` is the file whose prices applied
    when it was read, None for the offers of the catalogue; the difference is the difference to
    them, as JSON. `sha256` is the checksum of its book.
    """

    number: FileNumber
    supplier: SupplierId
    name: str
    state: FileState
    at: datetime
    by: str
    rows: int = 0
    errors: int = 0
    sha256: str | None = None
    against: FileNumber | None = None
    difference: str | None = None


class PriceRevision(Struct, frozen=True, kw_only=True):
    """A change of prices: the file of one supplier that applies from here on.

    `before` is the revision that it followed. `sha256` is the checksum of the file's book.
    """

    number: RevisionNumber
    before: RevisionNumber | None
    supplier: SupplierId
    file: FileNumber
    sha256: str
    at: datetime
    by: str


class PriceFileError(KitwrightError):
    """A price file that can't be read or applied."""

    code = "price-file-error"


class FileInvalid(PriceFileError):
    """A file that is not a table of prices, with the reason."""

    code = "price-file-invalid"

    def __init__(self, reason: str, *, line: int = 1, column: str = "", value: str = "") -> None:
        super().__init__(reason)
        self.error = RowError(line=line, column=column, value=value, code=self.code, reason=reason)
