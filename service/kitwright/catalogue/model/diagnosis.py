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
"""The reason of a diagnosis' prior stands by this word, those of its links by their finding."""


class BenchTest(Record, frozen=True, kw_only=True):
    """A test at the bench: its minutes, what it needs and which findings it yields.

    `job` is what the test is sold as, where there is a job that holds it.
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
    """A gauge figure that a gate may look at: taken by a `test`, or `derived` from others."""

    id: str
    scope: JobScope
    unit: str
    test: str | None = None
    derived: str | None = None


class Verdict(StrEnum):
    """What a band of a reading means, in a word that needs no knowledge of engines."""

    good = "good"
    watch = "watch"
    bad = "bad"


class FindingKind(Record, frozen=True, kw_only=True):
    """Something to observe: ordered `levels`, normal first, each in `words`, and their
    distribution with no fault, with the reason for it.

    Its level follows from a reading (`from_reading`), or was told by comparing such readings
    (`compares`): then it counts as far as the cylinder's readings do.
    Levels that follow from a reading are bands: each has its `upper_percent`, the last none, and
    its verdict.
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
    """Distributions that stand in place of a diagnosis' links on families with `flag`."""

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
    """A finding that shows a fault itself, not only what it does elsewhere: at level `at_least`
    or above; left out, at any above normal. `is_seen` where it is looked at or measured itself, so
    that no other finding speaks against it.
    """

    finding: str
    at_least: str | None = None
    is_seen: bool = False


class Diagnosis(Record, frozen=True, kw_only=True):
    """A named fault: its share of complaints, how findings point to it, and what repairs it.

    Without a `direct` sign it is never confirmed, only probable.
    `reasons` says why of each link by its finding, and of the prior by `PRIOR`.
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
    links_if: tuple[FlaggedLinks, ...] = ()


class Background(Record, frozen=True, kw_only=True):
    """Known background of a machine, and by how much it multiplies the odds of diagnoses."""

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
    """A check before any scoring: when it answers, what it does and what it says.

    The diagnoses that it `holds` are not quoted before its job is done or, where it only asks, not
    confirmed before it is answered; then `plain` says to a customer what is still looked at.
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
    """Findings that do not go together, read like a gate's conditions: what it says, and the
    one test that is repeated. The faults of `explained_by` account for all of them by themselves.
    """

    id: str
    scope: JobScope
    when: tuple[GateCondition, ...]
    message: str
    retest: str
    explained_by: tuple[DiagnosisCode, ...] = ()


class DiagnosisRules(Record, frozen=True, kw_only=True):
    """The diagnosis file as a whole.

    `worth_bits` is the least that a test must be expected to tell to be named. Two findings
    clash over a fault where each speaks at least `clash_times`, one for it, one against.
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
