"""Diagnosis knowledge: tests, findings, faults, backgrounds and gates."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from msgspec import field

from kitwright.catalogue.model.job import (
    JobRef,
)
from kitwright.catalogue.model.words import (
    DiagnosisCode,
    FlagId,
    HazardId,
    JobId,
    JobScope,
    Record,
    Scope,
)
from kitwright.units import Figure

PRIOR: Final = "prior"
"""The key of the reason for a diagnosis' prior; reasons for its links are keyed by their finding.
"""


class BenchTest(Record, frozen=True, kw_only=True):
    """A test at the bench: its minutes, its requirements and the findings that it yields.

    `job` is the job that the test is sold as, if there is one.
    """

    id: str
    name: str
    minutes: int
    needs: str
    yields: tuple[str, ...]
    is_basic: bool = False
    job: JobId | None = None
    hazards: tuple[HazardId, ...] = ()


class Reading(Record, frozen=True, kw_only=True):
    """A gauge reading that a gate may use: taken by a `test`, or `derived` from others."""

    id: str
    scope: JobScope
    unit: str
    test: str | None = None
    derived: str | None = None


class Verdict(StrEnum):
    """The meaning of a band of a reading, in a word for readers without knowledge of engines."""

    good = "good"
    watch = "watch"
    bad = "bad"


class FindingKind(Record, frozen=True, kw_only=True):
    """An observation: ordered `levels`, normal first, each in `words`, and their distribution if
    there is no fault, with the reason for it.

    Its level follows from a reading (`from_reading`), or was found by comparing such readings
    (`compares`). Then it counts only as far as the cylinder's readings do. Levels that follow from
    a reading are bands: each has its `upper_percent`, except the last, and its verdict.
    """

    id: str
    scope: JobScope
    levels: tuple[str, ...]
    base: tuple[Figure, ...]
    test: str
    words: tuple[str, ...]
    reason: str
    from_reading: str | None = None
    compares: str | None = None
    upper_percent: tuple[Figure, ...] = ()
    verdicts: tuple[Verdict, ...] = ()


class FlaggedLinks(Record, frozen=True, kw_only=True):
    """Distributions that replace a diagnosis' links on families with `flag`."""

    flag: FlagId
    links: dict[str, tuple[Figure, ...]]
    reason: str


class Scopes(Record, frozen=True, kw_only=True):
    """The jobs of each scope of a diagnosis."""

    least: tuple[JobRef, ...]
    recommended: tuple[JobRef, ...]
    thorough: tuple[JobRef, ...]

    def of(self, scope: Scope) -> tuple[JobRef, ...]:
        """Return the job references of one scope."""
        return {
            Scope.least: self.least,
            Scope.recommended: self.recommended,
            Scope.thorough: self.thorough,
        }[scope]


class Sign(Record, frozen=True, kw_only=True):
    """A finding that shows a fault itself, not only its effects: at level `at_least` or above or,
    if that is left out, at any level above normal. `is_seen` says that the fault itself is looked
    at or measured, so that no other finding counts against it.
    """

    finding: str
    at_least: str | None = None
    is_seen: bool = False


class Diagnosis(Record, frozen=True, kw_only=True):
    """A named fault: its share of complaints, the findings that indicate it, and its repairs.

    Without a `direct` sign, it is never confirmed, only probable. `reasons` gives the reason for
    each link by its finding, and for the prior by `PRIOR`. `mind` says what the owner must mind
    until it is repaired.
    """

    code: DiagnosisCode
    name: str
    scope: JobScope
    prior: Figure
    links: dict[str, tuple[Figure, ...]]
    reasons: dict[str, str]
    direct: tuple[Sign, ...]
    scopes: Scopes
    plain: str
    say_not: str
    mind: str = ""
    links_if: tuple[FlaggedLinks, ...] = ()


class Background(Record, frozen=True, kw_only=True):
    """Known background of a machine, and the factors by which it multiplies the odds of
    diagnoses.
    """

    id: str
    multiply_odds: dict[DiagnosisCode, Figure]
    reason: str
    note: str = ""


class GateCondition(Record, frozen=True, kw_only=True):
    """One condition of a gate; exactly one of `finding`, `reading` and `flag` is given."""

    finding: str | None = None
    levels: tuple[str, ...] = field(default=(), name="in")
    at_least: str | None = None
    is_observed: bool | None = None
    reading: str | None = None
    above: Figure | None = None
    below: Figure | None = None
    above_reading: str | None = None
    flag: FlagId | None = None


class GateAction(StrEnum):
    """What a gate does when all its conditions hold."""

    void = "void"
    indicative = "indicative"
    ask = "ask"
    do_first = "do_first"
    stop = "stop"


class Gate(Record, frozen=True, kw_only=True):
    """A check before any scoring: its conditions, its action and its message.

    The diagnoses that it `holds` are not quoted before its job is done. If it only asks, they are
    not confirmed before it is answered; then `plain` tells the customer what is still being
    checked.
    """

    id: str
    scope: JobScope
    when: tuple[GateCondition, ...]
    action: GateAction
    message: str
    affects: tuple[str, ...] = ()
    power: Figure | None = None
    job: JobId | None = None
    holds: tuple[DiagnosisCode, ...] = ()
    plain: str = ""


class Conflict(Record, frozen=True, kw_only=True):
    """Conflicting findings, with conditions as in a gate: the message, and the one test to repeat.
    Each fault of `explained_by` accounts for all of the findings on its own.
    """

    id: str
    scope: JobScope
    when: tuple[GateCondition, ...]
    message: str
    retest: str
    explained_by: tuple[DiagnosisCode, ...] = ()


class DiagnosisRules(Record, frozen=True, kw_only=True):
    """The diagnosis file.

    A test is named only if its expected information is at least `worth_bits`. Two findings clash
    over a fault if one counts at least `clash_times` for it and the other at least as much against
    it.
    """

    in_play: Figure
    worth_bits: Figure
    clash_times: Figure
    test: tuple[BenchTest, ...]
    reading: tuple[Reading, ...]
    finding: tuple[FindingKind, ...]
    diagnosis: tuple[Diagnosis, ...]
    background: tuple[Background, ...]
    gate: tuple[Gate, ...]
    conflict: tuple[Conflict, ...] = ()
