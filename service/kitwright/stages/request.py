"""Request: what the counter asks for, checked against the catalogue."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from difflib import get_close_matches
from enum import StrEnum
from typing import Final

from msgspec import UNSET, Struct, UnsetType

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import (
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
    Scope,
    Shop,
    TaxArea,
)
from kitwright.errors import KitwrightError, Path

FIRST_DAY: Final = date(2000, 1, 1)
LAST_DAY: Final = date(2199, 12, 31)
"""What dates may be in a request: promise days beyond the calendar's end can't be reckoned."""


class Rust(StrEnum):
    """How rusty the fasteners are; the words the shop's rust factors are keyed by."""

    none = "none"
    light = "light"
    heavy = "heavy"


class Debris(StrEnum):
    """How packed the cooling fins and shrouds are."""

    none = "none"
    light = "light"
    heavy = "heavy"


class AskedDiagnosis(Struct, frozen=True):
    """A diagnosis code, on a cylinder where the diagnosis is one of a cylinder."""

    code: DiagnosisCode
    cylinder: int | None = None


class AskedJob(Struct, frozen=True):
    """A job, on a cylinder where the job is one of a cylinder."""

    job: JobId
    cylinder: int | None = None


class Condition(Struct, frozen=True, kw_only=True):
    """The state of the machine, as far as it changes the work."""

    rust: Rust = Rust.none
    debris: Debris = Debris.none
    previous_work: bool = False


class Asked(Struct, frozen=True, kw_only=True):
    """What the counter asks for, unchecked: ids as they were typed.

    `tax_area` unset means the shop's own, None means that it is not known. `on` is the quote's
    day; `needed_by` the day by which parts should have come.
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
    condition: Condition = Condition()
    diagnostic_done: bool = False
    needed_by: date | None = None
    tax_area: AreaId | UnsetType | None = UNSET


class Request(Struct, frozen=True, kw_only=True):
    """What the counter asks for, checked: records in place of ids. `tax_area` None means not
    known.
    """

    asked: Asked
    family: Family
    chassis: Chassis | None
    diagnoses: tuple[tuple[Diagnosis, int | None], ...]
    jobs: tuple[tuple[Job, int | None], ...]
    add_jobs: tuple[tuple[Job, int | None], ...]
    leave_out: tuple[tuple[Job, int | None], ...]
    tax_area: TaxArea | None


class RequestFault(KitwrightError):
    """One thing in a request that can't be quoted; `path` says where."""

    code = "request-fault"


class RequestRefused(KitwrightError):
    """A request with faults, all of them named."""

    code = "request-refused"

    def __init__(self, faults: Iterable[KitwrightError]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(str(fault) for fault in self.faults))


class UnknownId(RequestFault):
    """An id that the catalogue does not hold; close matches are offered."""

    code = "unknown-id"
    kind = "id"

    def __init__(self, given: str, known: Iterable[str]) -> None:
        choices = sorted(known)
        self.given = given
        self.close = tuple(get_close_matches(given, choices, n=3))
        hint = f"; did you mean {' or '.join(self.close)}?" if self.close else ""
        if not self.close and len(choices) <= 12:
            hint = f"; known: {', '.join(choices)}" if choices else ""
        super().__init__(f"no {self.kind} {given!r} in the catalogue{hint}")


class UnknownFamily(UnknownId):
    """An engine family that the catalogue does not hold."""

    code = "unknown-family"
    kind = "engine family"


class UnknownChassis(UnknownId):
    """A chassis that the catalogue does not hold."""

    code = "unknown-chassis"
    kind = "chassis"


class UnknownDiagnosis(UnknownId):
    """A diagnosis code that the catalogue does not hold."""

    code = "unknown-diagnosis"
    kind = "diagnosis"


class UnknownJob(UnknownId):
    """A job that the catalogue does not hold."""

    code = "unknown-job"
    kind = "job"


class UnknownTaxArea(UnknownId):
    """A tax area that the catalogue does not hold."""

    code = "unknown-tax-area"
    kind = "tax area"


class ChassisCannotCarry(RequestFault):
    """A chassis that does not carry engines of the family's layout."""

    code = "chassis-cannot-carry"

    def __init__(self, chassis: Chassis, family: Family) -> None:
        super().__init__(
            f"chassis {chassis.id} carries layouts {', '.join(chassis.layouts)}; "
            f"family {family.id} is a {family.layout}"
        )
        self.chassis = chassis.id
        self.family = family.id


class CylinderOutOfRange(RequestFault):
    """A cylinder that the family does not have."""

    code = "cylinder-out-of-range"

    def __init__(self, cylinder: int, family: Family) -> None:
        super().__init__(f"cylinder {cylinder}: family {family.id} has {family.cylinders}")
        self.cylinder = cylinder
        self.cylinders = family.cylinders


class CylinderMissing(RequestFault):
    """A job or diagnosis of one cylinder, without the cylinder."""

    code = "cylinder-missing"

    def __init__(self, named: str, family: Family) -> None:
        super().__init__(f"{named} is of one cylinder: name it, 1 to {family.cylinders}")
        self.named = named


class CylinderNotWanted(RequestFault):
    """A job or diagnosis of the whole engine, with a cylinder."""

    code = "cylinder-not-wanted"

    def __init__(self, named: str) -> None:
        super().__init__(f"{named} is of the whole engine: leave the cylinder out")
        self.named = named


class SerialOutOfRange(RequestFault):
    """A serial that is not a number of at most seven digits."""

    code = "serial-out-of-range"

    def __init__(self, serial: int) -> None:
        super().__init__(f"serial {serial}: serials run from 0 to {SERIAL_MAX}")
        self.serial = serial


class JobDoesNotFit(RequestFault):
    """A job on parts that the family's kind of engine does not have."""

    code = "job-does-not-fit"

    def __init__(self, job: Job, family: Family) -> None:
        super().__init__(f"{job.id} works on parts that family {family.id} does not have")
        self.job = job.id
        self.family = family.id


class DayOutOfRange(RequestFault):
    """A day that no quote can be of."""

    code = "day-out-of-range"

    def __init__(self, day: date) -> None:
        super().__init__(f"{day}: days from {FIRST_DAY} to {LAST_DAY} can be reckoned with")
        self.day = day


class NothingAsked(RequestFault):
    """A request that names neither a diagnosis nor a job."""

    code = "nothing-asked"

    def __init__(self) -> None:
        super().__init__("name at least one diagnosis or one job")


class NeededTooEarly(RequestFault):
    """Parts needed by a day before the quote's own."""

    code = "needed-too-early"

    def __init__(self, needed_by: date, on: date) -> None:
        super().__init__(f"needed by {needed_by}, but the quote is of {on}")
        self.needed_by = needed_by
        self.on = on


class ForeignTaxArea(RequestFault):
    """A tax area of another currency, or with prices of the other kind, than the shop's."""

    code = "foreign-tax-area"

    def __init__(self, area: TaxArea, shop: Shop) -> None:
        kind = "include tax" if shop.selling_prices_include_tax else "exclude tax"
        super().__init__(
            f"tax area {area.id} does not suit shop {shop.id}, "
            f"which sells in {shop.currency} at prices that {kind}"
        )
        self.area = area.id


def read_request(catalogue: Catalogue, shop: Shop, asked: Asked) -> Request:
    """Return the request with records in place of ids.

    Raises: RequestRefused, with every fault found, each with its path.
    """
    faults: list[KitwrightError] = []
    family = catalogue.families.get(asked.family)
    if family is None:
        # cylinders and chassis can't be judged without the family
        raise RequestRefused([UnknownFamily(asked.family, catalogue.families).at("family")])
    chassis = _chassis(catalogue, family, asked, faults)
    if asked.serial is not None and not 0 <= asked.serial <= SERIAL_MAX:
        faults.append(SerialOutOfRange(asked.serial).at("serial"))
    if not asked.diagnoses and not asked.jobs:
        faults.append(NothingAsked())
    for member, day in (("on", asked.on), ("needed_by", asked.needed_by)):
        if day is not None and not FIRST_DAY <= day <= LAST_DAY:
            faults.append(DayOutOfRange(day).at(member))
    if asked.needed_by is not None and asked.needed_by < asked.on:
        faults.append(NeededTooEarly(asked.needed_by, asked.on).at("needed_by"))
    diagnoses = _diagnoses(catalogue, family, asked, faults)
    jobs = _jobs(catalogue, family, asked.jobs, "jobs", faults)
    add_jobs = _jobs(catalogue, family, asked.add_jobs, "add_jobs", faults)
    leave_out = _jobs(catalogue, family, asked.leave_out, "leave_out", faults)
    area = _tax_area(catalogue, shop, asked, faults)
    if faults:
        raise RequestRefused(faults)
    return Request(
        asked=asked,
        family=family,
        chassis=chassis,
        diagnoses=diagnoses,
        jobs=jobs,
        add_jobs=add_jobs,
        leave_out=leave_out,
        tax_area=area,
    )


def _chassis(
    catalogue: Catalogue, family: Family, asked: Asked, faults: list[KitwrightError]
) -> Chassis | None:
    if asked.chassis is None:
        return None
    chassis = catalogue.chassis.get(asked.chassis)
    if chassis is None:
        faults.append(UnknownChassis(asked.chassis, catalogue.chassis).at("chassis"))
    elif family.layout not in chassis.layouts:
        faults.append(ChassisCannotCarry(chassis, family).at("chassis"))
    return chassis


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
        faults.append(CylinderMissing(named, family).at(*path))
        return False
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
    elif (
        area.currency != shop.currency or area.prices_include_tax != shop.selling_prices_include_tax
    ):
        faults.append(ForeignTaxArea(area, shop).at("tax_area"))
    return area
