"""What can be wrong with a catalogue, and the errors that say so."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Iterable

_MOST_NAMED: Final = 3
"""Places that the line of a cause names besides the first."""


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

    @property
    def place(self) -> str:
        """The file, and the record where there is one."""
        return f"{self.file}: {self.record}" if self.record else self.file

    def __str__(self) -> str:
        return f"{self.place}: {self.message} [{self.code}]"


class Doubt(Fault, frozen=True, kw_only=True):
    """A warning: something that may well be wrong, and that nothing is refused for."""


def by_cause(faults: Iterable[Fault]) -> tuple[str, ...]:
    """Return faults as lines to read, each cause once, in order of their first.

    Faults of one code and message have one cause: their line names the first places and counts the
    others.
    """
    causes: dict[tuple[str, str], list[Fault]] = {}
    for fault in faults:
        causes.setdefault((fault.code, fault.message), []).append(fault)
    return tuple(
        str(first) + (f"; {len(same)} times, also in {_listed(others)}" if others else "")
        for same in causes.values()
        for first, *others in (same,)
    )


def _listed(faults: list[Fault]) -> str:
    named = "; ".join(fault.place for fault in faults[:_MOST_NAMED])
    return named + ("; ..." if len(faults) > _MOST_NAMED else "")


class CatalogueError(KitwrightError):
    """The catalogue does not hold what it was asked for."""

    code = "catalogue-error"


class CatalogueUnreadable(CatalogueError):
    """Files of the catalogue are missing, unknown or not of the form they should have."""

    code = "catalogue-unreadable"

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(by_cause(self.faults)))


class CatalogueInvalid(CatalogueError):
    """A catalogue whose records do not hold together, or can't answer what they may be asked."""

    code = "catalogue-invalid"

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(by_cause(self.faults)))
