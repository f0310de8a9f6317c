"""Misfit: the errors that findings may have, each with its place."""

from __future__ import annotations

from collections.abc import Iterable

from kitwright.catalogue.model import FindingKind, JobScope
from kitwright.stages.request import RequestFault, UnknownId
from kitwright.stages.why import place


class UnknownFinding(UnknownId):
    """A finding that the catalogue does not hold."""

    code = "unknown-finding"
    kind = "finding"


class UnknownLevel(UnknownId):
    """A level that the finding does not have."""

    code = "unknown-level"
    kind = "level"


class UnknownBackground(UnknownId):
    """A background that the catalogue does not hold."""

    code = "unknown-background"
    kind = "background"


class UnknownReading(UnknownId):
    """A reading id that the catalogue does not hold."""

    code = "unknown-reading"
    kind = "reading of another gauge"


class FindingMisplaced(RequestFault):
    """A finding of a cylinder listed among those of the engine, or the reverse."""

    code = "finding-misplaced"

    def __init__(self, finding: FindingKind) -> None:
        right = "a cylinder" if finding.scope is JobScope.cylinder else "the engine"
        super().__init__(f"{finding.id} is a finding of {right}: list it there")
        self.finding = finding.id


class LevelDerived(RequestFault):
    """A level that was given together with the readings that it follows from."""

    code = "level-derived"

    def __init__(self, finding: FindingKind) -> None:
        super().__init__(
            f"{finding.id} is derived from this cylinder's readings: give either it or the readings"
        )
        self.finding = finding.id


class CylinderTwice(RequestFault):
    """A cylinder that is listed twice in the request."""

    code = "cylinder-twice"

    def __init__(self, cylinder: int) -> None:
        super().__init__(f"cylinder {cylinder} is listed twice: combine the two entries")
        self.cylinder = cylinder


class PressureNotPositive(RequestFault):
    """A value that a gauge can't have shown: no supply, a pressure below zero, or no orifice."""

    code = "pressure-not-positive"

    def __init__(self, what: str, *, may_be_zero: bool) -> None:
        super().__init__(f"{what} must be {'zero or more' if may_be_zero else 'more than zero'}")
        self.what = what


class FindingsImpossible(RequestFault):
    """Findings that can't occur together by the catalogue's rules."""

    code = "findings-impossible"

    def __init__(self, seen: Iterable[str]) -> None:
        self.seen = tuple(seen)
        super().__init__(f"these findings can't occur together: {', '.join(self.seen)}")


class NothingToQuote(RequestFault):
    """Findings that support no repair, and none of the remaining tests can be quoted as a job."""

    code = "nothing-to-quote"

    def __init__(self, tests: Iterable[tuple[str, int | None]]) -> None:
        self.tests = tuple(tests)
        named = ", ".join(place(*test) for test in self.tests) or "none"
        super().__init__(
            "no repair is probable enough to be quoted, and none of the next tests can be quoted "
            f"as a job; next tests: {named}"
        )


class QuoteStopped(RequestFault):
    """Findings that stop every test and quote until something is cleared."""

    code = "quote-stopped"

    def __init__(self, messages: Iterable[str]) -> None:
        self.messages = tuple(messages)
        super().__init__("stopped: " + " ".join(self.messages))
