"""Request: the counter's request, checked against the catalogue."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from enum import StrEnum

from msgspec import UNSET, Struct, UnsetType, structs

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import (
    LOOSE,
    SERIAL_MAX,
    AreaId,
    Catalogue,
    Chassis,
    ChassisId,
    Diagnosis,
    DiagnosisCode,
    Family,
    FamilyId,
    Job,
    JobId,
    JobScope,
    RoleId,
    Scope,
    Shop,
    TaxArea,
)
from kitwright.errors import KitwrightError, Path
from kitwright.stages.request.bounds import (
    check_amount,
    check_product,
    check_quantity,
    check_whole,
)
from kitwright.stages.request.come_back import ComeBack
from kitwright.stages.request.observed import AskedFindings
from kitwright.stages.request.ordered import Ordered
from kitwright.stages.request.refusal import (
    FIRST_DAY,
    LAST_DAY,
    BeforeTax,
    BelowZero,
    ChassisCannotCarry,
    CylinderMissing,
    CylinderNotWanted,
    CylinderOutOfRange,
    DayOutOfRange,
    DiscountUnclear,
    ExemptionExpired,
    FindingsWithDiagnoses,
    ForeignTaxArea,
    JobDoesNotFit,
    NamedTwice,
    NeededTooEarly,
    NoExemption,
    NothingAsked,
    RequestFault,
    RequestRefused,
    SerialOutOfRange,
    UnknownBuildCode,
    UnknownChassis,
    UnknownDiagnosis,
    UnknownFamily,
    UnknownJob,
    UnknownRole,
    UnknownTaxArea,
)
from kitwright.stages.request.terms import (
    Discount,
    FloorChange,
    MinutesOverride,
    PriceOverride,
    Terms,
)
from kitwright.stages.request.underway import Underway


class Rust(StrEnum):
    """The rust of the fasteners; the shop's rust factors have these words as keys."""

    none = "none"
    light = "light"
    heavy = "heavy"


class Debris(StrEnum):
    """The debris in the cooling fins and shrouds."""

    none = "none"
    light = "light"
    heavy = "heavy"


class AskedDiagnosis(Struct, frozen=True):
    """A diagnosis code; with a cylinder if the diagnosis is one of a cylinder."""

    code: DiagnosisCode
    cylinder: int | None = None


class AskedJob(Struct, frozen=True):
    """A job; with a cylinder if the job is one of a cylinder."""

    job: JobId
    cylinder: int | None = None


class AskedPart(Struct, frozen=True):
    """A part to be replaced, by its role; with a cylinder if the role is one of a cylinder."""

    role: RoleId
    cylinder: int | None = None


class Condition(Struct, frozen=True, kw_only=True):
    """The state of the machine that affects the work."""

    rust: Rust = Rust.none
    debris: Debris = Debris.none
    previous_work: bool = False


class Asked(Struct, frozen=True, kw_only=True, cache_hash=True):
    """The counter's request, unchecked: ids as typed.

    `tax_area` unset means the shop's own area, None means that the area is not known. `on` is the
    quote's day, and `needed_by` the day by which parts should arrive. `findings` are given instead
    of diagnoses and jobs. `is_by_findings` says that the jobs were chosen from findings. `chassis`
    None means that it was not named, `LOOSE` that the engine is not in a machine. `diagnostic_fee`
    is what was agreed for the diagnosis, None the shop's. `add_parts` are replaced besides the
    parts of the jobs. If something was `ordered` before, the rest is bought with freight and fees
    of its own. `underway` is how far agreed work is. `come_back` is the earlier visit that this one
    follows; whom it costs what is in the `terms`.
    """

    family: FamilyId
    on: date
    serial: int | None = None
    build_code: str | None = None
    chassis: ChassisId | None = None
    diagnoses: tuple[AskedDiagnosis, ...] = ()
    jobs: tuple[AskedJob, ...] = ()
    scope: Scope = Scope.recommended
    add_jobs: tuple[AskedJob, ...] = ()
    leave_out: tuple[AskedJob, ...] = ()
    add_parts: tuple[AskedPart, ...] = ()
    condition: Condition = Condition()
    diagnostic_done: bool = False
    diagnostic_fee: Decimal | None = None
    needed_by: date | None = None
    tax_area: AreaId | UnsetType | None = UNSET
    terms: Terms = Terms()
    findings: AskedFindings | None = None
    is_by_findings: bool = False
    ordered: Ordered | None = None
    underway: Underway | None = None
    come_back: ComeBack | None = None


class Request(Struct, frozen=True, kw_only=True):
    """The counter's request, checked: records in place of ids. `tax_area` None means not known.

    `chassis` is the chassis of the engine, None for a loose engine. If it was not named, `may_be`
    holds every chassis that carries the family, by id, and `chassis` has no meaning until one of
    them is set.
    """

    asked: Asked
    family: Family
    chassis: Chassis | None
    may_be: tuple[Chassis | None, ...] = ()
    diagnoses: tuple[tuple[Diagnosis, int | None], ...]
    jobs: tuple[tuple[Job, int | None], ...]
    add_jobs: tuple[tuple[Job, int | None], ...]
    leave_out: tuple[tuple[Job, int | None], ...]
    tax_area: TaxArea | None
    exempt_kinds: frozenset[str] = frozenset()


def read_request(catalogue: Catalogue, shop: Shop, asked: Asked) -> Request:
    """Return the request with records in place of ids.

    Raises: RequestRefused, with every error found, each with its path.
    """
    faults: list[KitwrightError] = []
    _check_circumstances(asked, faults)
    area = _tax_area(catalogue, shop, asked, faults)
    exempt = _exempt_kinds(asked, area, faults)
    family = catalogue.families.get(asked.family)
    if family is None:
        faults.append(UnknownFamily(asked.family, catalogue.families).at("family"))
        # without the family, only unknown ids can be found, not what fits the engine
        faults += _unknown_ids(catalogue, asked)
        raise RequestRefused(faults)
    chassis = find_chassis(catalogue, family, asked.chassis, faults)
    if asked.build_code is not None:
        codes = {code for row in catalogue.fitments[family.id] for code in row.build_codes}
        if codes and asked.build_code not in codes:
            faults.append(UnknownBuildCode(asked.build_code, codes).at("build_code"))
    diagnoses = _diagnoses(catalogue, family, asked, faults)
    jobs = _jobs(catalogue, family, asked.jobs, "jobs", faults)
    add_jobs = _jobs(catalogue, family, asked.add_jobs, "add_jobs", faults)
    leave_out = _jobs(catalogue, family, asked.leave_out, "leave_out", faults)
    _check_parts(catalogue, family, asked.add_parts, faults)
    _check_terms(catalogue, family, asked.terms, faults)
    _check_bounds(shop, asked, faults)
    if faults:
        raise RequestRefused(faults)
    return Request(
        asked=asked,
        family=family,
        chassis=chassis,
        may_be=_may_be(catalogue, family) if asked.chassis is None else (),
        diagnoses=diagnoses,
        jobs=jobs,
        add_jobs=add_jobs,
        leave_out=leave_out,
        tax_area=area,
        exempt_kinds=exempt,
    )


def alike(request: Request, starts: Sequence[int]) -> Hashable:
    """Return a key that is equal for requests whose quotes are equal before manual changes.

    Serial numbers between two changes of parts count as the same (`starts` holds the first of each
    range, ascending). Exemptions count as the same if they free the same charge kinds.
    """
    asked = request.asked
    condition = asked.condition
    if condition.debris is Debris.light:
        condition = structs.replace(condition, debris=Debris.none)
    terms = asked.terms.untouched()
    if terms.exemption is not None:
        terms = structs.replace(terms, exemption=None)
    serial = asked.serial
    if serial is not None:
        serial = starts[bisect_right(starts, serial) - 1]
    plain = structs.replace(asked, serial=serial, condition=condition, terms=terms, come_back=None)
    return plain, request.exempt_kinds


def _check_circumstances(asked: Asked, faults: list[KitwrightError]) -> None:
    """Add the errors of a request that do not depend on the engine."""
    if asked.serial is not None and not 0 <= asked.serial <= SERIAL_MAX:
        faults.append(SerialOutOfRange(asked.serial).at("serial"))
    if asked.findings is not None and (asked.diagnoses or asked.jobs):
        faults.append(FindingsWithDiagnoses().at("findings"))
    elif not asked.diagnoses and not asked.jobs and asked.findings is None:
        faults.append(NothingAsked())
    if asked.diagnostic_fee is not None and asked.diagnostic_fee < 0:
        faults.append(BelowZero("diagnostic_fee").at("diagnostic_fee"))
    for member, day in (("on", asked.on), ("needed_by", asked.needed_by)):
        if day is not None and not FIRST_DAY <= day <= LAST_DAY:
            faults.append(DayOutOfRange(day).at(member))
    if asked.needed_by is not None and asked.needed_by < asked.on:
        faults.append(NeededTooEarly(asked.needed_by, asked.on).at("needed_by"))


def _unknown_ids(catalogue: Catalogue, asked: Asked) -> Iterator[KitwrightError]:
    """Yield an error for each id that the catalogue does not hold, except the family's."""
    faults: list[KitwrightError] = []
    find_chassis(catalogue, None, asked.chassis, faults)
    yield from faults
    for index, item in enumerate(asked.diagnoses):
        if item.code not in catalogue.diagnoses:
            fault = UnknownDiagnosis(item.code, catalogue.diagnoses)
            yield fault.at("diagnoses", index, "code")
    members = {"jobs": asked.jobs, "add_jobs": asked.add_jobs, "leave_out": asked.leave_out}
    for member, jobs in members.items():
        for index, job in enumerate(jobs):
            if job.job not in catalogue.jobs:
                yield UnknownJob(job.job, catalogue.jobs).at(member, index, "job")


def find_chassis(
    catalogue: Catalogue,
    family: Family | None,
    named: ChassisId | None,
    faults: list[KitwrightError],
) -> Chassis | None:
    """Return the chassis with an id, None for `LOOSE` or if none is named; add its errors.

    If the family is None, only an unknown id is an error.
    """
    if named is None or named == LOOSE:
        return None
    chassis = catalogue.chassis.get(named)
    if chassis is None:
        faults.append(UnknownChassis(named, {*catalogue.chassis, LOOSE}).at("chassis"))
    elif family is not None and family.layout not in chassis.layouts:
        faults.append(ChassisCannotCarry(chassis, family).at("chassis"))
    return chassis


def _may_be(catalogue: Catalogue, family: Family) -> tuple[Chassis | None, ...]:
    """Return the chassis that carry a family, by id; only None, a loose engine, if none does."""
    carriers = [
        chassis
        for _, chassis in sorted(catalogue.chassis.items())
        if family.layout in chassis.layouts
    ]
    return tuple(carriers) or (None,)


def _diagnoses(
    catalogue: Catalogue, family: Family, asked: Asked, faults: list[KitwrightError]
) -> tuple[tuple[Diagnosis, int | None], ...]:
    found = []
    for index, item in enumerate(asked.diagnoses):
        diagnosis = catalogue.diagnoses.get(item.code)
        if diagnosis is None:
            fault = UnknownDiagnosis(item.code, catalogue.diagnoses)
            faults.append(fault.at("diagnoses", index, "code"))
        elif _placed(
            item.code, diagnosis.scope, item.cylinder, family, ("diagnoses", index), faults
        ):
            found.append((diagnosis, item.cylinder))
    return tuple(found)


def _placed(
    named: str,
    scope: JobScope,
    cylinder: int | None,
    family: Family,
    path: Path,
    faults: list[KitwrightError],
) -> bool:
    fault: RequestFault | None = None
    if scope is JobScope.engine:
        if cylinder is not None:
            fault = CylinderNotWanted(named)
    elif cylinder is None:
        fault = CylinderMissing(named, family)
    elif not 1 <= cylinder <= family.cylinders:
        fault = CylinderOutOfRange(cylinder, family)
    if fault is not None:
        faults.append(fault.at(*path, "cylinder"))
    return fault is None


def _jobs(
    catalogue: Catalogue,
    family: Family,
    asked: tuple[AskedJob, ...],
    member: str,
    faults: list[KitwrightError],
) -> tuple[tuple[Job, int | None], ...]:
    found = []
    for index, item in enumerate(asked):
        job = catalogue.jobs.get(item.job)
        if job is None:
            faults.append(UnknownJob(item.job, catalogue.jobs).at(member, index, "job"))
        elif not job_fits(catalogue, family, job):
            faults.append(JobDoesNotFit(job, family).at(member, index, "job"))
        elif _placed(item.job, job.scope, item.cylinder, family, (member, index), faults):
            found.append((job, item.cylinder))
    return tuple(found)


def _tax_area(
    catalogue: Catalogue, shop: Shop, asked: Asked, faults: list[KitwrightError]
) -> TaxArea | None:
    if asked.tax_area is None:
        return None
    named = shop.tax_area if asked.tax_area is UNSET else asked.tax_area
    area = catalogue.tax_areas.get(named)
    if area is None:
        faults.append(UnknownTaxArea(named, catalogue.tax_areas).at("tax_area"))
    elif (first := _first_day(area)) > asked.on:
        faults.append(BeforeTax(asked.on, area, first).at("on"))
    elif (
        area.currency != shop.currency or area.prices_include_tax != shop.selling_prices_include_tax
    ):
        faults.append(ForeignTaxArea(area, shop).at("tax_area"))
    return area


def _exempt_kinds(
    asked: Asked, area: TaxArea | None, faults: list[KitwrightError]
) -> frozenset[str]:
    """Return the charge kinds that the exemption shown frees from tax; add its errors."""
    shown = asked.terms.exemption
    if shown is None:
        return frozenset()
    if area is None or area.exemption is None:
        faults.append(NoExemption(area).at("exemption"))
        return frozenset()
    if shown.valid_until < asked.on:
        fault = ExemptionExpired(shown.valid_until, asked.on)
        faults.append(fault.at("exemption", "valid_until"))
    return frozenset(kind.value for kind in area.exemption.kinds)


def _check_terms(
    catalogue: Catalogue, family: Family, terms: Terms, faults: list[KitwrightError]
) -> None:
    """Add the errors of the counter's changes that can be found before any line is known."""
    for index, discount in enumerate(terms.discounts):
        faults += [fault.at("discounts", index) for fault in _unclear(discount)]
    overridden = set()
    for index, override in enumerate(terms.overrides):
        if not isinstance(override, MinutesOverride):
            continue
        job = catalogue.jobs.get(override.job)
        if job is None:
            fault = UnknownJob(override.job, catalogue.jobs)
            faults.append(fault.at("overrides", index, "job"))
        else:
            _placed(job.id, job.scope, override.cylinder, family, ("overrides", index), faults)
        if (override.job, override.cylinder) in overridden:
            faults.append(NamedTwice(f"job {override.job}").at("overrides", index))
        overridden.add((override.job, override.cylinder))
    if terms.floors:
        _check_floors(catalogue, family, terms.floors, faults)
    for index, free in enumerate(terms.free_lines):
        for member, figure in (("quantity", free.quantity), ("unit_price", free.unit_price)):
            if figure < 0:
                faults.append(BelowZero(member).at("free_lines", index, member))
    if terms.prepaid < 0:
        faults.append(BelowZero("prepaid").at("prepaid"))


def _check_bounds(shop: Shop, asked: Asked, faults: list[KitwrightError]) -> None:
    """Add the errors of figures that nobody means."""
    currency, terms = shop.currency, asked.terms
    if asked.diagnostic_fee is not None:
        fee = asked.diagnostic_fee
        faults += [fault.at("diagnostic_fee") for fault in check_amount(fee, currency)]
        faults += [fault.at("diagnostic_fee") for fault in check_whole(fee, currency)]
    for index, free in enumerate(terms.free_lines):
        quantity = [*check_quantity(free.quantity, free.unit)]
        price = [*check_amount(free.unit_price, currency)]
        if not quantity and not price:
            price = [*check_product(free.quantity, free.unit_price, currency)]
        faults += [fault.at("free_lines", index, "quantity") for fault in quantity]
        faults += [fault.at("free_lines", index, "unit_price") for fault in price]
    for index, override in enumerate(terms.overrides):
        if isinstance(override, PriceOverride):
            found = check_amount(override.unit_price, currency)
            faults += [fault.at("overrides", index, "unit_price") for fault in found]
        else:
            found = check_quantity(Decimal(override.minutes), "minute")
            faults += [fault.at("overrides", index, "minutes") for fault in found]
    for index, discount in enumerate(terms.discounts):
        found = check_amount(discount.amount or Decimal(0), currency)
        faults += [fault.at("discounts", index, "amount") for fault in found]
    faults += [fault.at("prepaid") for fault in check_amount(terms.prepaid, currency)]


def _check_parts(
    catalogue: Catalogue,
    family: Family,
    parts: Sequence[AskedPart],
    faults: list[KitwrightError],
) -> None:
    roles = {row.role for row in catalogue.fitments[family.id]}
    named: set[AskedPart] = set()
    for index, part in enumerate(parts):
        if part.role not in roles:
            faults.append(UnknownRole(part.role, roles).at("add_parts", index, "role"))
        if part.cylinder is not None and not 1 <= part.cylinder <= family.cylinders:
            fault = CylinderOutOfRange(part.cylinder, family)
            faults.append(fault.at("add_parts", index, "cylinder"))
        if part in named:
            faults.append(NamedTwice(f"role {part.role}").at("add_parts", index))
        named.add(part)


def _check_floors(
    catalogue: Catalogue,
    family: Family,
    floors: Sequence[FloorChange],
    faults: list[KitwrightError],
) -> None:
    roles = {row.role for row in catalogue.fitments[family.id]}
    floored: set[str] = set()
    for index, floor in enumerate(floors):
        if floor.role in floored:
            faults.append(NamedTwice(f"role {floor.role}").at("floors", index))
        floored.add(floor.role)
        if floor.role not in roles:
            faults.append(UnknownRole(floor.role, roles).at("floors", index, "role"))


def _unclear(discount: Discount) -> Iterator[RequestFault]:
    given = [each for each in (discount.percent, discount.amount) if each is not None]
    if len(given) != 1:
        yield DiscountUnclear("give either percent or amount")
    elif discount.percent is not None and not 0 < discount.percent <= 100:
        yield DiscountUnclear("percent must be more than 0, and at most 100")
    elif discount.amount is not None and discount.amount <= 0:
        yield DiscountUnclear("the amount must be more than zero")


def _first_day(area: TaxArea) -> date:
    """Return the first day on which every rate of an area is known."""
    return max((each.rates[0].valid_from for each in area.components), default=FIRST_DAY)
