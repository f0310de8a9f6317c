"""Assessment: what findings come to."""

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
    """What one finding by itself says of a diagnosis: how many times more likely it is with the
    fault than without it, or, among those against it, without it than with it. `shared` where the
    rest explains it as well, so that it adds little here.
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
    """What is still looked at before a diagnosis can be confirmed: the gate that asks for it, and
    what a customer reads of it.
    """

    gate: str
    plain: str


class RankedFault(Struct, frozen=True, kw_only=True):
    """A fault in play. `grade` is null where it is too unlikely for one. `is_seen` where the fault
    itself was looked at: nothing contests it. `contested` where findings that speak of it do not go
    together, and one has to be repeated; `is_weak` where what was read of it is void or only
    indicative, and no sign of its own was found. `held_by` are gates that put something else first;
    `to_check` is asked before it may be confirmed. `is_quotable` where a quote may be made of it
    now. Without a job for it here, `has_job` is false and `scopes` are empty.
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


class LeakageBand(Struct, frozen=True, kw_only=True):
    """A band of leakage: its upper limit, which belongs to it (null for the last), the band as a
    reader sees it, and what it means.
    """

    band: str
    words: str
    upper_percent: DecimalText | None
    verdict: Verdict


class GaugeReading(Struct, frozen=True, kw_only=True):
    """One reading, both gauges as read, in `unit`, and the same in psi; and what becomes of it."""

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
    """The leakage of a cylinder, the mean of its last two readings that count, and its band; null
    where nothing counts. `words` is the band as a reader sees it.
    """

    cylinder: OnCylinder
    percent: Percent | None
    whole_percent: WholePercent | None
    band: str | None
    words: str | None
    standing: Standing
    readings: tuple[GaugeReading, ...]


class AnsweredGate(Struct, frozen=True, kw_only=True):
    """A gate that answered: on a cylinder or, where that is null, on the engine; to one reading,
    counted from 0, where `reading` is not null.
    """

    gate: str
    action: GateAction
    cylinder: OnCylinder | None
    reading: Count | None
    job: str | None
    message: str


class Retest(Struct, frozen=True, kw_only=True):
    """A test, on a cylinder or on the engine."""

    test: str
    cylinder: OnCylinder | None


class ConflictingFindings(Struct, frozen=True, kw_only=True):
    """Findings that do not go together, and the one test to repeat. `conflict` is null where it
    follows from what the findings say of a fault.
    """

    conflict: str | None
    cylinder: OnCylinder | None
    findings: tuple[str, ...]
    message: str
    retest: Retest


class NextTest(Struct, frozen=True, kw_only=True):
    """A test to do next. `bits` is null where it is not ranked; `job` is what it is sold as."""

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
    """What findings come to. `stopped` where nothing may be tested or quoted; `none` is the
    probability of no fault among those known.
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
