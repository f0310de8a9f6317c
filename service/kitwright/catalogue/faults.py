"""What can be wrong with a catalogue, and the errors that say so."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Iterable


class Fault(Struct, frozen=True, kw_only=True):
    """One thing wrong with a catalogue.

    `file` is relative to the catalogue's folder, with forward slashes. `record` names the record
    (`part V68-G-103`) or, where the file could not be read that far, the path inside the file
    (`$.part[2].list_price`); empty means the file as a whole. `code` is stable, `message` is for
    the person who edits the file.
    """

    file: str
    record: str
    code: str
    message: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.record}" if self.record else self.file
        return f"{place}: {self.message} [{self.code}]"


class CatalogueError(KitwrightError):
    """The catalogue does not hold what it was asked for."""

    code = "catalogue-error"


class CatalogueUnreadable(CatalogueError):
    """Files of the catalogue are missing, unknown or not of the form they should have."""

    code = "catalogue-unreadable"

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))
