"""Problems: the errors that a catalogue can have, and the exceptions that report them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Iterable

_MOST_NAMED: Final = 3
"""How many more places the line of a cause names after the first."""


class Problem(Struct, frozen=True, kw_only=True):
    """One error in a catalogue.

    `file` is relative to the catalogue's folder, with forward slashes. `record` names the record
    (`part V68-G-103`). If the file could not be read that far, it is the path inside the file
    (`$.part[2].list_price`); empty means the whole file. `code` is stable; `message` is for the
    person who edits the file.
    """

    file: str
    record: str
    code: str
    message: str

    @property
    def place(self) -> str:
        """The file, and the record if there is one."""
        return f"{self.file}: {self.record}" if self.record else self.file

    def __str__(self) -> str:
        return f"{self.place}: {self.message} [{self.code}]"


class Doubt(Problem, frozen=True, kw_only=True):
    """A warning about a value that could well be a mistake; nothing is refused because of it."""


def by_cause(problems: Iterable[Problem]) -> tuple[str, ...]:
    """Return errors as lines of text, each cause once, in the order of its first error.

    Errors with the same code and message have one cause. Its line names the first places and counts
    the others.
    """
    causes: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        causes.setdefault((problem.code, problem.message), []).append(problem)
    return tuple(
        str(first) + (f"; {len(same)} times, also in {_listed(others)}" if others else "")
        for same in causes.values()
        for first, *others in (same,)
    )


def _listed(problems: list[Problem]) -> str:
    named = "; ".join(problem.place for problem in problems[:_MOST_NAMED])
    return named + ("; ..." if len(problems) > _MOST_NAMED else "")


class CatalogueError(KitwrightError):
    """The catalogue does not hold what was requested."""

    code = "catalogue-error"


class CatalogueUnreadable(CatalogueError):
    """Files of the catalogue are missing, unknown or not in the required form."""

    code = "catalogue-unreadable"

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(by_cause(self.problems)))


class CatalogueInvalid(CatalogueError):
    """A catalogue whose records contradict each other, or that can't answer a possible request."""

    code = "catalogue-invalid"

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(by_cause(self.problems)))
