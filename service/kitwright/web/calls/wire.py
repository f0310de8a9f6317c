"""Requests on the wire: strict structs of requests, and their conversion to the core's values."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated

from msgspec import UNSET, Meta, UnsetType

from kitwright.catalogue.model import (
    SERIAL_MAX,
    AreaId,
    ChargeKind,
    ChassisId,
    DiagnosisCode,
    FamilyId,
    ItemId,
    JobId,
    LabourClass,
    Quality,
    RoleId,
    Scope,
)
from kitwright.errors import KitwrightError
from kitwright.stages.request import (
    Asked,
    AskedDiagnosis,
    AskedJob,
    Condition,
    CustomerPart,
    Debris,
    Discount,
    Exempt,
    FloorChange,
    FreeLine,
    LineRef,
    MinutesOverride,
    PriceOverride,
    RequestFault,
    Rust,
    Terms,
)
from kitwright.units import read_figure
from kitwright.web.calls.findings import FindingsIn
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


class DiagnosisIn(Wire, frozen=True, kw_only=True):
    """A diagnosis, with its cylinder if it belongs to one."""

    code: Id
    cylinder: Cylinder | None = None


class JobIn(Wire, frozen=True, kw_only=True):
    """A job, with its cylinder if it belongs to one."""

    job: Id
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

    def reference(self) -> LineRef:
        """Return the reference as a value of the core."""
        labour_class = None if self.labour_class is None else LabourClass(self.labour_class)
        return LineRef(
            code=self.code, kind=self.kind, cylinder=self.cylinder, labour_class=labour_class
        )


class DiscountIn(Wire, frozen=True, kw_only=True):
    """A reduction before tax, as a percentage or an amount: of one line, or of the complete quote
    if `line` is null.
    """

    reason: Text
    by: Text
    line: LineIn | None = None
    percent: DecimalIn | None = None
    amount: DecimalIn | None = None


class FreeLineIn(Wire, frozen=True, kw_only=True):
    """An added line, written manually. `kind` decides its tax; `unit` is a code of UN/ECE
    Recommendation 20.
    """

    description: Text
    kind: FreeKind
    quantity: DecimalIn
    unit: UnitCode
    unit_price: DecimalIn
    reason: Text
    by: Text


class OverrideIn(Wire, frozen=True, kw_only=True):
    """Either another unit price for a `line`, or other `minutes` for a `job` on one machine."""

    reason: Text
    by: Text
    line: LineIn | None = None
    unit_price: DecimalIn | None = None
    job: Id | None = None
    cylinder: Cylinder | None = None
    minutes: Annotated[int, Meta(ge=0, le=100_000)] | None = None

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
        if self.line is not None and self.unit_price is not None:
            return PriceOverride(
                line=self.line.reference(),
                unit_price=read_figure(self.unit_price),
                reason=self.reason,
                by=self.by,
            )
        return MinutesOverride(
            job=JobId(self.job or ""),
            cylinder=self.cylinder,
            minutes=self.minutes or 0,
            reason=self.reason,
            by=self.by,
        )


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


Jobs = tuple[JobIn, ...]


def _many(description: str) -> Meta:
    return Meta(max_length=50, description=description)


def _told(description: str) -> Meta:
    return Meta(description=description)


class PreviewIn(Wire, frozen=True, kw_only=True):
    """A request for a quote: an engine, the findings or the work to be done, and the circumstances.

    If `tax_area` is left out, the shop's own is used; null means that it is not known. If `on` is
    left out, it is today in the shop's time zone.
    """

    family: Id
    serial: (
        Annotated[
            int, Meta(ge=0, le=SERIAL_MAX, description="The date code on the engine's plate.")
        ]
        | None
    ) = None
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
    add_jobs: Annotated[Jobs, _many("Jobs to be done in addition.")] = ()
    leave_out: Annotated[Jobs, _many("Jobs not to be done, although the diagnoses need them.")] = ()
    condition: ConditionIn = ConditionIn()
    diagnostic_done: Annotated[bool, _told("Whether the diagnosis is charged.")] = False
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
    free_lines: Annotated[tuple[FreeLineIn, ...], MOST] = ()
    overrides: Annotated[tuple[OverrideIn, ...], MOST] = ()
    customer_parts: Annotated[tuple[CustomerPartIn, ...], MOST] = ()
    floors: Annotated[tuple[FloorIn, ...], MOST] = ()
    machines: Annotated[
        int, Meta(ge=1, le=100, description="How many identical machines are repaired.")
    ] = 1
    prepaid: DecimalIn = "0"
    pays_cash: Annotated[bool, _told("Whether the shop's cash rounding applies.")] = False

    def asked(self, today: date) -> Asked:
        """Return the request as a value of the core, dated `today` if it names no day."""
        area = self.tax_area
        return Asked(
            family=FamilyId(self.family),
            on=self.on or today,
            serial=self.serial,
            build_code=self.build_code,
            chassis=None if self.chassis is None else ChassisId(self.chassis),
            diagnoses=tuple(
                AskedDiagnosis(DiagnosisCode(each.code), each.cylinder) for each in self.diagnoses
            ),
            jobs=_jobs(self.jobs),
            scope=self.scope,
            add_jobs=_jobs(self.add_jobs),
            leave_out=_jobs(self.leave_out),
            condition=Condition(
                rust=self.condition.rust,
                debris=self.condition.debris,
                previous_work=self.condition.previous_work,
            ),
            diagnostic_done=self.diagnostic_done,
            needed_by=self.needed_by,
            tax_area=AreaId(area) if isinstance(area, str) else area,
            terms=self._terms(),
            findings=None if self.findings is None else self.findings.asked(),
        )

    def faults(self) -> Iterator[KitwrightError]:
        """Yield the errors in members that can't be passed to the core; `asked` leaves them out."""
        for index, each in enumerate(self.overrides):
            if not each.is_clear:
                yield OverrideUnclear().at("overrides", index)

    def place(self, fault: KitwrightError) -> KitwrightError:
        """Return an error of the core with its path in this request."""
        match fault.path:
            case ("overrides", int(index), *rest):
                clear = [place for place, each in enumerate(self.overrides) if each.is_clear]
                return fault.at("overrides", clear[index], *rest)
        return fault

    def _terms(self) -> Terms:
        shown = self.exemption
        return Terms(
            exemption=None
            if shown is None
            else Exempt(certificate_number=shown.certificate_number, valid_until=shown.valid_until),
            discounts=tuple(
                Discount(
                    reason=each.reason,
                    by=each.by,
                    line=None if each.line is None else each.line.reference(),
                    percent=None if each.percent is None else read_figure(each.percent),
                    amount=None if each.amount is None else read_figure(each.amount),
                )
                for each in self.discounts
            ),
            free_lines=tuple(
                FreeLine(
                    description=each.description,
                    kind=ChargeKind(each.kind),
                    quantity=read_figure(each.quantity),
                    unit=_UNITS[each.unit],
                    unit_price=read_figure(each.unit_price),
                    reason=each.reason,
                    by=each.by,
                )
                for each in self.free_lines
            ),
            overrides=tuple(each.override() for each in self.overrides if each.is_clear),
            customer_parts=tuple(
                CustomerPart(item=ItemId(each.item), quantity=each.quantity)
                for each in self.customer_parts
            ),
            floors=tuple(
                FloorChange(
                    role=RoleId(each.role), quality=each.quality, reason=each.reason, by=each.by
                )
                for each in self.floors
            ),
            machines=self.machines,
            prepaid=read_figure(self.prepaid),
            pays_cash=self.pays_cash,
        )


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


def _jobs(jobs: tuple[JobIn, ...]) -> tuple[AskedJob, ...]:
    return tuple(AskedJob(JobId(each.job), each.cylinder) for each in jobs)
