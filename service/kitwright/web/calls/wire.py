"""Requests on the wire: strict structs of requests, and their conversion to the core's values."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType, field, structs

from kitwright.catalogue.model import SERIAL_MAX, FamilyId, Quality, Scope
from kitwright.errors import KitwrightError
from kitwright.stages.request import (
    MOST_MINUTES,
    Asked,
    AskedAssessment,
    AskedFindings,
    BackCause,
    Debris,
    Ground,
    MinutesOverride,
    NamedTwice,
    PriceOverride,
    RequestFault,
    Rust,
)
from kitwright.units import PressureUnit
from kitwright.web.calls.ids import QuoteId
from kitwright.web.edge.shapes import (
    MOST,
    BuildCode,
    Cylinder,
    DecimalIn,
    FreeKind,
    Id,
    LineKindName,
    Lines,
    Text,
    UnitCode,
    Wire,
)

MOST_FREE_LINES: Final = 50
MOST_JOBS: Final = 50
"""The most jobs that a list of a request has."""
Pressure = Annotated[DecimalIn, Meta(description="The value as read, in `unit`.", examples=["80"])]
Levels = Annotated[
    dict[Id, Id],
    Meta(
        max_length=100,
        description="Level by finding. Left out: not examined, which is not the same as normal.",
        examples=[{}],
    ),
]


class ReadingIn(Wire, frozen=True, kw_only=True):
    """Both gauges of one leak-down reading. The value depends on the tester's orifice: readings of
    different testers are not comparable.
    """

    supply: Pressure
    in_cylinder: Pressure
    unit: PressureUnit = PressureUnit.psi
    orifice_mm: DecimalIn | None = None
    is_warm: Annotated[
        bool | None, Meta(description="Whether the engine was warm; null: not stated.")
    ] = field(default=None, name="warm")


class GaugeIn(Wire, frozen=True, kw_only=True):
    """A value of another gauge, by the reading's id in the catalogue, such as `cranking_psi`."""

    reading: Id
    value: Pressure
    unit: PressureUnit = PressureUnit.psi


class CylinderIn(Wire, frozen=True, kw_only=True):
    """The findings of one cylinder."""

    cylinder: Cylinder
    leakdown: Annotated[
        ReadingIn | Annotated[tuple[ReadingIn, ...], Meta(max_length=20)] | None,
        Meta(description="One reading, or all in the order taken: the last two valid ones decide."),
    ] = None
    gauges: Annotated[tuple[GaugeIn, ...], Meta(max_length=20)] = ()
    findings: Levels = {}

    @property
    def has_list(self) -> bool:
        """Whether the readings are given as a list."""
        return not isinstance(self.leakdown, ReadingIn)

    @property
    def readings(self) -> tuple[ReadingIn, ...]:
        """The leak-down readings in the order taken."""
        taken = self.leakdown
        return (taken,) if isinstance(taken, ReadingIn) else taken or ()


Backgrounds = Annotated[
    tuple[Id, ...],
    Meta(max_length=20, description="Facts known about the machine beforehand, by id."),
]
Cylinders = Annotated[tuple[CylinderIn, ...], Meta(max_length=20)]


class FindingsIn(Wire, frozen=True, kw_only=True):
    """The findings of one engine."""

    background: Backgrounds = ()
    engine: Levels = {}
    cylinders: Cylinders = ()


class AssessmentIn(Wire, frozen=True, kw_only=True):
    """An engine family and the findings of one engine of it."""

    family: Id
    background: Backgrounds = ()
    engine: Levels = {}
    cylinders: Cylinders = ()
    language: Annotated[
        Id | None, Meta(description="The language of the answer; null: the shop's.")
    ] = None

    def asked(self) -> AskedAssessment:
        """Return the request as a value of the core."""
        findings = msgspec.convert(self, AskedFindings, from_attributes=True)
        return AskedAssessment(family=FamilyId(self.family), findings=findings)


class DiagnosisIn(Wire, frozen=True, kw_only=True):
    """A diagnosis, with its cylinder if it belongs to one."""

    code: Id
    cylinder: Cylinder | None = None


class JobIn(Wire, frozen=True, kw_only=True):
    """A job, with its cylinder if it belongs to one."""

    job: Id
    cylinder: Cylinder | None = None


class PartIn(Wire, frozen=True, kw_only=True):
    """A part by its role, with its cylinder if the role belongs to one."""

    role: Id
    cylinder: Cylinder | None = None


class ConditionIn(Wire, frozen=True, kw_only=True):
    """The state of the machine, as far as it changes the work."""

    rust: Rust = Rust.none
    debris: Debris = Debris.none
    previous_work: bool = False


class ExemptionIn(Wire, frozen=True, kw_only=True):
    """A tax exemption by the customer's certificate."""

    certificate_number: Text
    valid_until: date


class LineIn(Wire, frozen=True, kw_only=True):
    """A reference to a line: its code, and the members that tell it from others with that code."""

    code: Id
    kind: LineKindName | None = None
    cylinder: Cylinder | None = None
    labour_class: Id | None = None


class DiscountIn(Wire, frozen=True, kw_only=True):
    """A reduction before tax, as a percentage or an amount: of one line, or of the complete quote
    if `line` is null.
    """

    reason: Text
    by: Text
    line: LineIn | None = None
    percent: DecimalIn | None = None
    amount: DecimalIn | None = None


class CarriedIn(Wire, frozen=True, kw_only=True):
    """An addition of this quote, by its number, and the shop's day on which it was recorded."""

    addition: Annotated[int, Meta(ge=1, le=SERIAL_MAX)]
    day: date


class LeftOutIn(Wire, frozen=True, kw_only=True):
    """An addition of this quote that is not carried over, by its number, and the reason."""

    addition: Annotated[int, Meta(ge=1, le=SERIAL_MAX)]
    reason: Text


class FreeLineIn(Wire, frozen=True, kw_only=True):
    """An added line, written manually. `kind` decides its tax; `unit` is a code of UN/ECE
    Recommendation 20.

    `carried` is set by this service on a line that carries over an addition. Such a line stays as
    the addition was recorded; to change it, leave the addition out and add another line.
    """

    description: Text
    kind: FreeKind
    quantity: DecimalIn
    code_of_unit: UnitCode = field(name="unit")
    unit_price: DecimalIn
    reason: Text
    by: Text
    carried: CarriedIn | None = None

    @property
    def unit(self) -> str:
        """The unit word of the catalogue."""
        return _UNITS[self.code_of_unit]


class OverrideIn(Wire, frozen=True, kw_only=True):
    """Either another unit price for a `line`, or other `minutes` for a `job` on one machine."""

    reason: Text
    by: Text
    line: LineIn | None = None
    unit_price: DecimalIn | None = None
    job: Id | None = None
    cylinder: Cylinder | None = None
    minutes: Annotated[int, Meta(ge=0, le=MOST_MINUTES)] | None = None

    @property
    def is_clear(self) -> bool:
        """Whether exactly one of unit price and minutes is overridden."""
        of_line = self.line is not None and self.unit_price is not None
        of_job = self.job is not None and self.minutes is not None
        given = sum(
            each is not None for each in (self.line, self.unit_price, self.job, self.minutes)
        )
        return of_line != of_job and given == 2

    def override(self) -> PriceOverride | MinutesOverride:
        """Return the override as a value of the core."""
        kind: type[PriceOverride | MinutesOverride] = (
            MinutesOverride if self.line is None else PriceOverride
        )
        return msgspec.convert(self, kind, from_attributes=True)


class CustomerPartIn(Wire, frozen=True, kw_only=True):
    """A part or a set that the customer brings, for one machine; without a quantity, as many as it
    needs. Of a set, the pieces that the repair needs are used.
    """

    item: Id
    quantity: Annotated[int, Meta(ge=1, le=1000)] | None = None


class FloorIn(Wire, frozen=True, kw_only=True):
    """Another quality floor for a role, in this quote only."""

    role: Id
    quality: Quality
    reason: Text
    by: Text


class OverrideUnclear(RequestFault):
    """An override must have either a line's unit price or a job's minutes."""

    code = "override-unclear"

    def __init__(self) -> None:
        super().__init__("give either line with unit_price, or job with minutes")


class LeftOutOfCourses(RequestFault):
    """Jobs left out of several courses at once."""

    code = "left-out-of-courses"

    def __init__(self) -> None:
        super().__init__("each course has its own jobs: leave jobs out of the one that is chosen")


class CoursesOnWarranty(RequestFault):
    """Several courses of work that the shop bears."""

    code = "courses-on-warranty"

    def __init__(self) -> None:
        super().__init__("the shop bears this work: quote one way to do it, by `scope`")


Jobs = tuple[JobIn, ...]
Serial = Annotated[
    int, Meta(ge=0, le=SERIAL_MAX, description="The date code on the engine's plate.")
]


def _many(description: str) -> Meta:
    return Meta(max_length=MOST_JOBS, description=description)


def _told(description: str) -> Meta:
    return Meta(description=description)


class WorthIn(Wire, frozen=True, kw_only=True):
    """What is known of a machine's worth, in the shop's currency; null: to be asked for."""

    value: DecimalIn | None = None
    age_years: Annotated[int, Meta(ge=0, le=200)] | None = None
    hours: Annotated[int, Meta(ge=0, le=1_000_000)] | None = None
    replacement_price: DecimalIn | None = None


class ComesBackIn(Wire, frozen=True, kw_only=True):
    """The earlier visit that a machine comes back from, and the cause once it is settled: a `part`
    that the shop sold, its `work`, or a `new_fault`; null: not settled yet.
    """

    quote: QuoteId
    cause: Annotated[
        Literal["part", "work", "new_fault"] | None,
        _told("The cause; it needs a `reason`, and `by` whom it was settled."),
    ] = None
    jobs: Annotated[
        Jobs,
        _many(
            "The jobs that the cause concerns; none: all that the diagnoses and `jobs` come to, "
            "but not those of `add_jobs`."
        ),
    ] = ()
    part: Annotated[Id | None, _told("The number of the part that failed, if that is it.")] = None
    on: Annotated[
        date | None, _told("The day on which the machine came back; null: the quote's first day.")
    ] = None
    reason: Text | None = None
    by: Text | None = None


class JudgedIn(Wire, frozen=True, kw_only=True):
    """How the shop's warranty applies to a come-back, as `comes_back` of a quote tells it."""

    visit: QuoteId
    since: date | None
    on: date
    ground: Ground
    cause: BackCause | None
    until: date | None
    jobs: Annotated[Jobs, _many("The jobs that the cause concerns; none: all but added ones.")]
    part: Id | None
    reason: Text | None
    by: Text | None

    @property
    def covered(self) -> Jobs | None:
        """The jobs that the shop bears, empty for all but added ones, None for none."""
        return self.jobs if self.ground.is_covered else None


CourseWanted = Literal["least", "recommended", "thorough", "replace"]


class PreviewIn(Wire, frozen=True, kw_only=True):
    """A request for a quote: an engine, the findings or the work to be done, and the circumstances.

    If `tax_area` is left out, the shop's own is used; null means that it is not known. If `on` is
    left out, it is today in the shop's time zone.
    """

    family: Id
    serial: Serial | None = None
    build_code: BuildCode | None = None
    chassis: Annotated[
        Id | None,
        _told(
            "The machine around the engine. `loose`: there is none. null: not known; the quote "
            "then asks for it and prices the most expensive candidate."
        ),
    ] = None
    diagnoses: Annotated[tuple[DiagnosisIn, ...], _many("The diagnoses.")] = ()
    jobs: Annotated[Jobs, _many("Jobs to be done independently of the diagnoses.")] = ()
    findings: Annotated[
        FindingsIn | None,
        _told("Findings, instead of diagnoses and jobs: the repair is derived from them."),
    ] = None
    complaint: Annotated[
        Lines | None,
        _told("The customer's complaint in the customer's own words; documents show it."),
    ] = None
    scope: Scope = Scope.recommended
    courses: Annotated[
        tuple[CourseWanted, ...],
        Meta(
            max_length=4,
            description="Courses to quote side by side, instead of one `scope`. `replace` stands "
            "for a short block and a complete engine, where they take the place of the repair.",
        ),
    ] = ()
    worth: Annotated[
        WorthIn | None, _told("What the machine is worth, for the advice beside `courses`.")
    ] = None
    add_jobs: Annotated[Jobs, _many("Jobs to be done in addition.")] = ()
    leave_out: Annotated[Jobs, _many("Jobs not to be done, although the diagnoses need them.")] = ()
    add_parts: Annotated[
        tuple[PartIn, ...], _many("Parts to be replaced besides those of the jobs.")
    ] = ()
    condition: ConditionIn = ConditionIn()
    diagnostic_done: Annotated[bool | None, _told("Whether the diagnosis is charged.")] = False
    diagnostic_fee: Annotated[
        DecimalIn | None, _told("The fee agreed for the diagnosis; null: the shop's.")
    ] = None
    on: Annotated[date | None, _told("The quote's day; null: today in the shop's time zone.")] = (
        None
    )
    needed_by: Annotated[date | None, _told("The day by which all parts should have arrived.")] = (
        None
    )
    tax_area: Annotated[
        Id | UnsetType | None, _told("Left out: the shop's own; null: not known.")
    ] = UNSET
    contingencies: Annotated[
        bool, _told("Whether contingencies are priced, which takes longer.")
    ] = False
    language: Annotated[Id | None, _told("The language of the answer; null: the shop's.")] = None
    exemption: ExemptionIn | None = None
    discounts: Annotated[tuple[DiscountIn, ...], MOST] = ()
    free_lines: Annotated[tuple[FreeLineIn, ...], Meta(max_length=MOST_FREE_LINES)] = ()
    overrides: Annotated[tuple[OverrideIn, ...], MOST] = ()
    customer_parts: Annotated[tuple[CustomerPartIn, ...], MOST] = ()
    floors: Annotated[tuple[FloorIn, ...], MOST] = ()
    machines: Annotated[
        int, Meta(ge=1, le=100, description="How many identical machines are repaired.")
    ] = 1
    prepaid: DecimalIn = "0"
    pays_cash: Annotated[bool, _told("Whether the shop's cash rounding applies.")] = False
    comes_back: Annotated[
        ComesBackIn | None, _told("The earlier visit that the machine comes back from.")
    ] = None
    judged: Annotated[
        JudgedIn | UnsetType | None,
        _told("Set by this service on how its warranty applies; ignored in requests."),
    ] = UNSET
    leave_out_additions: Annotated[
        tuple[LeftOutIn, ...],
        Meta(
            max_length=1000,
            description="Additions that a revision of a quote does not carry over, each with the "
            "reason. A preview has no additions, and ignores it.",
        ),
    ] = ()

    @property
    def looks_ahead(self) -> bool:
        """Whether more is priced than the repair itself, which takes longer."""
        return self.contingencies or bool(self.courses)

    def asked(self, today: date) -> Asked:
        """Return the request as a value of the core, dated `today` if it names no day."""
        given: dict[str, Any] = structs.asdict(self) | {"on": self.on or today}
        given = {name: value for name, value in given.items() if value is not UNSET}
        given["diagnostic_done"] = bool(self.diagnostic_done)
        overrides = tuple(each.override() for each in self.overrides if each.is_clear)
        given["terms"] = given | {"overrides": overrides}
        if self.judged:
            given["come_back"] = self.judged
            given["terms"]["covered"] = self.judged.covered
        return msgspec.convert(given, Asked, from_attributes=True)

    def faults(self) -> Iterator[KitwrightError]:
        """Yield the errors in members that can't be passed to the core; `asked` leaves them out."""
        for index, each in enumerate(self.overrides):
            if not each.is_clear:
                yield OverrideUnclear().at("overrides", index)
        for index, course in enumerate(self.courses):
            if course in self.courses[:index]:
                yield NamedTwice(course).at("courses", index)
        if self.courses and self.judged and self.judged.covered is not None:
            yield CoursesOnWarranty().at("courses")
        if self.courses and self.leave_out:
            yield LeftOutOfCourses().at("leave_out")

    def place(self, fault: KitwrightError) -> KitwrightError:
        """Return an error of the core with its path in this request."""
        match fault.path:
            case ("overrides", int(index), *rest):
                clear = [place for place, each in enumerate(self.overrides) if each.is_clear]
                return fault.at("overrides", clear[index], *rest)
        return fault


_UNITS = {
    "C62": "piece",
    "SET": "set",
    "LTR": "L",
    "MLT": "ml",
    "GRM": "g",
    "MIN": "minute",
    "HUR": "hour",
    "KMT": "km",
}
