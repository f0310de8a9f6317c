"""Books: all price books of a shop, as a protocol; the engine that keeps them stays behind it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Literal, Protocol

from msgspec import Struct

from kitwright.catalogue.model import SupplierId
from kitwright.errors import KitwrightError
from kitwright.prices.book import Book
from kitwright.prices.reading import Read
from kitwright.prices.record import (
    Entry,
    FileNumber,
    PriceFile,
    PriceFileError,
    PriceRevision,
    RevisionNumber,
    RowError,
)

How = Literal["number", "old_number", "start", "words"]
"""How an entry is found, best first: by its number, a number that it replaces, the start of its
number, or words.
"""


class InForce(Struct, frozen=True, kw_only=True):
    """The prices that apply: the last revision, None if there is none, and those that give the
    prices of each supplier, in the order in which they were applied.
    """

    revision: RevisionNumber | None
    by_supplier: dict[SupplierId, PriceRevision]


class Found(Struct, frozen=True, kw_only=True):
    """An entry that a search has found, and how.

    `successor` is the entry that supersedes it in the end, None if it is not superseded.
    """

    supplier: SupplierId
    entry: Entry
    by: How
    successor: Entry | None


class PriceBooks(Protocol):
    """The price books of a shop.

    A file is added, read into a book of its own, and then applied: from then on its book gives the
    supplier's prices. Nothing that applies ever changes; only the revision in force does.
    """

    def add_file(self, supplier: SupplierId, name: str, at: datetime, by: str) -> PriceFile:
        """Add a file that is to be read, and return it."""

    def draft(self, number: FileNumber) -> Path:
        """Return where the book of a file is built."""

    def source(self, number: FileNumber) -> Path:
        """Return where a received file is, until it is read."""

    def arriving(self, number: FileNumber) -> Path:
        """Return where a file is while it arrives."""

    def drop_broken_off(self, before: datetime) -> None:
        """Delete what processes that broke off left: files that did not arrive completely, books
        that were not built completely, and files added before a time that are nowhere. To be called
        before any file arrives.
        """

    def book(self, number: FileNumber) -> Path:
        """Return where the complete book of a file is."""

    def opened(self, number: FileNumber) -> Book:
        """Return the open book of a file, which stays open until `close`. Raises: BookDamaged."""

    def keep(
        self,
        number: FileNumber,
        built: Path,
        read: Read,
        *,
        against: FileNumber | None = None,
        difference: str | None = None,
    ) -> PriceFile:
        """Keep the book that was built of a file, and return the file.

        `difference` is that to the prices of the file `against`, None for those of the catalogue.

        Raises: UnknownFile.
        """

    def file(self, number: FileNumber) -> PriceFile:
        """Return a file. Raises: UnknownFile."""

    def files(self, after: FileNumber | None, most: int) -> tuple[PriceFile, ...]:
        """Return files, the newest first, those before a file."""

    def received(self) -> tuple[PriceFile, ...]:
        """Return the files that are still to be read, the oldest first."""

    def forget(self, number: FileNumber) -> None:
        """Delete a file that did not arrive completely."""

    def errors(self, number: FileNumber, after: int, most: int) -> tuple[tuple[int, RowError], ...]:
        """Return the errors of a file with their positions, those after a position.

        Raises: UnknownFile.
        """

    def apply(self, number: FileNumber, at: datetime, by: str) -> PriceRevision:
        """Put a file's prices in force, and return the new revision.

        Raises: UnknownFile, FileNotReady, PricesChanged, BookDamaged.
        """

    def back(self, revision: RevisionNumber | None = None) -> InForce:
        """Put the prices before a revision in force, and return them. The revision has to be in
        force; None means the one that is. If the prices before it are in force, nothing changes.

        Raises: NoEarlierPrices, BookDamaged.
        """

    def check(self, number: FileNumber, sha256: str) -> None:
        """Raise if a book is not as it was built. Raises: BookDamaged."""

    def in_force(self) -> InForce:
        """Return the prices that apply."""

    def revisions(self) -> tuple[PriceRevision, ...]:
        """Return all revisions, the newest first."""

    def find(self, text: str, most: int) -> tuple[Found, ...]:
        """Return entries in force that a text finds: numbers first, however they are typed, then
        numbers that begin so, then words.
        """

    def close(self) -> None:
        """Close everything that is open."""


class UnknownFile(PriceFileError):
    """A price file that is not there."""

    code = "unknown-price-file"

    def __init__(self, number: int) -> None:
        super().__init__(f"there is no price file {number}")
        self.number = number


class FileNotReady(PriceFileError):
    """A price file that can't be applied in its state."""

    code = "price-file-not-ready"

    def __init__(self, file: PriceFile) -> None:
        told = {
            "received": "has not been read yet",
            "refused": f"has errors ({file.errors}): correct them, and send the file again",
            "replaced": f"is no longer the newest of supplier {file.supplier}: apply that one",
            "applied": "was applied before",
        }
        super().__init__(f"price file {file.number} {told.get(file.state.value, 'is not ready')}")
        self.file = file


class PricesChanged(PriceFileError):
    """A price file that was compared with prices that no longer apply."""

    code = "prices-changed"

    def __init__(self, file: PriceFile) -> None:
        super().__init__(
            f"the prices of supplier {file.supplier} have changed since price file {file.number} "
            "was compared with them: read the file again"
        )
        self.file = file


class NoEarlierPrices(PriceFileError):
    """There are no prices to go back to."""

    code = "no-earlier-prices"

    def __init__(self, reason: str) -> None:
        super().__init__(reason)


class BookDamaged(KitwrightError):
    """A book that is missing, or that is not as it was when it was built."""

    code = "price-book-damaged"

    def __init__(self, number: int, reason: str) -> None:
        super().__init__(f"the book of price file {number} {reason}")
        self.number = number
