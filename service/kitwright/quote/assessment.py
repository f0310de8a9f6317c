"""Assessment: the diagnoses that findings support, and the tests to do next."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct, field

from kitwright.catalogue.model import GateAction, Grade, Verdict
from kitwright.quote.base import (
    Caution,
    Count,
    DecimalText,
    JobOn,
    Minutes,
    OnCylinder,
    Reason,
)
from kitwright.stages.finding import Cause, Standing
from kitwright.units import PressureUnit

Chance = Annotated[str, Meta(pattern=r"^[01]\.[0-9]{4}$", description="A probability, 0 to 1.")]
Percent = Annotated[str, Meta(pattern=r"^-?[0-9]+\.[0-9]{2}$", description="Per cent.")]
WholePercent = Annotated[
    str,
    Meta(
        pattern=r"^-?[0-9]+$",
        description="Per cent as documents print it: the nearest whole one in the same band.",
    ),
]


class Evidence(Struct, frozen=True, kw_only=True):
    """The weight of one finding by itself for or against a diagnosis.

    In `for`, the finding is `times` times more likely with the fault than without it. In `against`,
    it is `times` times more likely without the fault. `shared` is true if the other findings or
    another fault explain it as well, so that it adds little here.
    """

    finding: str
    level: str
    cylinder: OnCylinder | None
    times: DecimalText
    shared: bool
    why: Reason


class ScopedJobs(Struct, frozen=True, kw_only=True):
    """The jobs of each scope, cylinder by cylinder."""

    least: tuple[JobOn, ...]
    recommended: tuple[JobOn, ...]
    thorough: tuple[JobOn, ...]


class ToCheck(Struct, frozen=True, kw_only=True):
    """A check to do before a diagnosis can be confirmed: the gate that asks for it, and its text
    for the customer (`plain`).
    """

    gate: str
    plain: str


class RankedFault(Struct, frozen=True, kw_only=True):
    """A fault that is still possible.

    `grade` is null if the fault is too unlikely for one. `is_seen` is true if the fault itself was
    seen or measured; then nothing contests it. `contested` is true if findings about it contradict
    each other, so that one has to be repeated. `is_weak` is true if its readings are void or only
    indicative, and no sign of its own was found. `held_by` lists gates that require something else
    first; `to_check` lists the checks before it may be confirmed. `is_quotable` is true if its
    repair may be quoted now. If there is no job for it here, `has_job` is false and `scopes` are
    empty. `mind` is
    what the owner must mind until it is repaired, or empty.
    """

    code: str
    name: str
    cylinder: OnCylinder | None
    probability: Chance
    grade: Grade | None
    is_seen: bool
    contested: bool
    is_weak: bool
    has_job: bool
    is_quotable: bool
    held_by: tuple[str, ...]
    to_check: tuple[ToCheck, ...]
    speaks_for: tuple[Evidence, ...] = field(name="for")
    speaks_against: tuple[Evidence, ...] = field(name="against")
    plain: str
    say_not: str
    scopes: ScopedJobs
    mind: str = ""


class LeakageBand(Struct, frozen=True, kw_only=True):
    """A band of leakage: its inclusive upper limit in per cent (null for the last band), its text
    for readers (`words`), and its verdict.
    """

    band: str
    words: str
    upper_percent: DecimalText | None
    verdict: Verdict


class GaugeReading(Struct, frozen=True, kw_only=True):
    """One leak-down reading: both gauges as read, in `unit`, and in psi. `standing` says whether
    the reading counts, is only indicative, or is void.
    """

    supply: DecimalText
    in_cylinder: DecimalText
    unit: PressureUnit
    supply_psi: DecimalText
    cylinder_psi: DecimalText
    percent: Percent
    whole_percent: WholePercent
    orifice_mm: DecimalText | None
    warm: bool | None
    standing: Standing


class CylinderLeakage(Struct, frozen=True, kw_only=True):
    """The leakage of a cylinder (the mean of its last two readings that count) and its band; null
    if no reading counts. `words` is the band's text for readers.
    """

    cylinder: OnCylinder
    percent: Percent | None
    whole_percent: WholePercent | None
    band: str | None
    words: str | None
    standing: Standing
    readings: tuple[GaugeReading, ...]


class AnsweredGate(Struct, frozen=True, kw_only=True):
    """A gate that applies: to a cylinder, or to the engine if `cylinder` is null. If `reading` is
    not null, it applies to that one reading only, counted from 0.
    """

    gate: str
    action: GateAction
    cylinder: OnCylinder | None
    reading: Count | None
    job: str | None
    message: str


class Retest(Struct, frozen=True, kw_only=True):
    """A test to repeat, on a cylinder, or on the engine if `cylinder` is null."""

    test: str
    cylinder: OnCylinder | None


class ConflictingFindings(Struct, frozen=True, kw_only=True):
    """Findings that contradict each other, and the one test to repeat. `conflict` is the
    catalogue's rule, or null if one finding speaks for a fault and another against it.
    """

    conflict: str | None
    cylinder: OnCylinder | None
    findings: tuple[str, ...]
    message: str
    retest: Retest


class NextTest(Struct, frozen=True, kw_only=True):
    """A test to do next. `bits` is the information that it is expected to give, null if it is not
    ranked by that. `job` is the job that it is sold as, null if it is not sold.
    """

    test: str
    name: str
    cylinder: OnCylinder | None
    cause: Cause
    bits: DecimalText | None
    minutes: Minutes
    needs: str
    job: str | None
    why: Reason


class Assessment(Struct, frozen=True, kw_only=True):
    """The diagnoses that findings support, most probable first, and the tests to do next.

    `stopped` is true if a gate forbids every test and quote. `none` is the probability that none of
    the known faults is present.
    """

    family: str
    language: str
    catalogue_revision: str
    background: tuple[str, ...]
    stopped: bool
    diagnoses: tuple[RankedFault, ...]
    none: Chance
    leakage: tuple[CylinderLeakage, ...]
    leakage_bands: tuple[LeakageBand, ...]
    gates: tuple[AnsweredGate, ...]
    conflicts: tuple[ConflictingFindings, ...]
    next_tests: tuple[NextTest, ...]
    cautions: tuple[Caution, ...]
