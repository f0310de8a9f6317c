"""Refusal: the errors that a request may have, each with its place."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from difflib import get_close_matches
from typing import Final

from kitwright.catalogue.model import SERIAL_MAX, Chassis, Family, Job, Shop, TaxArea
from kitwright.errors import KitwrightError

FIRST_DAY: Final = date(2000, 1, 1)
LAST_DAY: Final = date(2199, 12, 31)
"""The last date in a request: promised days after the end of the calendar can't be computed."""


class RequestFault(KitwrightError):
    """One error in a request, because of which it can't be quoted; `path` is its place."""

    code = "request-fault"


class RequestRefused(KitwrightError):
    """A request with errors, all of which are named."""

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
            f"chassis {chassis.id} takes engines of layout {', '.join(chassis.layouts)}; "
            f"family {family.id} has layout {family.layout}"
        )
        self.chassis = chassis.id
        self.family = family.id


class CylinderOutOfRange(RequestFault):
    """A cylinder that the family does not have."""

    code = "cylinder-out-of-range"

    def __init__(self, cylinder: int, family: Family) -> None:
        numbers = " or ".join(map(str, range(1, family.cylinders + 1)))
        super().__init__(f"cylinder {cylinder}: on family {family.id} it must be {numbers}")
        self.cylinder = cylinder
        self.cylinders = family.cylinders


class CylinderMissing(RequestFault):
    """A job or diagnosis of one cylinder, given without the cylinder."""

    code = "cylinder-missing"

    def __init__(self, named: str, family: Family) -> None:
        numbers = " or ".join(map(str, range(1, family.cylinders + 1)))
        super().__init__(f"{named} applies to one cylinder: give `cylinder`, {numbers}")
        self.named = named


class CylinderNotWanted(RequestFault):
    """A job or diagnosis of the entire engine, given with a cylinder."""

    code = "cylinder-not-wanted"

    def __init__(self, named: str) -> None:
        super().__init__(f"{named} applies to the whole engine: leave out `cylinder`")
        self.named = named


class SerialOutOfRange(RequestFault):
    """A serial number that is not a number of at most seven digits."""

    code = "serial-out-of-range"

    def __init__(self, serial: int) -> None:
        super().__init__(f"serial {serial}: serial numbers must be from 0 to {SERIAL_MAX}")
        self.serial = serial


class JobDoesNotFit(RequestFault):
    """A job on parts that the family's kind of engine does not have."""

    code = "job-does-not-fit"

    def __init__(self, job: Job, family: Family) -> None:
        super().__init__(f"{job.id} works on parts that family {family.id} does not have")
        self.job = job.id
        self.family = family.id


class DayOutOfRange(RequestFault):
    """A day outside the range that a request may have."""

    code = "day-out-of-range"

    def __init__(self, day: date) -> None:
        super().__init__(f"{day}: dates must be from {FIRST_DAY} to {LAST_DAY}")
        self.day = day


class NothingAsked(RequestFault):
    """A request that names neither a diagnosis nor a job."""

    code = "nothing-asked"

    def __init__(self) -> None:
        super().__init__("give at least one diagnosis or job, or findings")


class FindingsWithDiagnoses(RequestFault):
    """Findings together with diagnoses or jobs, although findings decide what is quoted."""

    code = "findings-with-diagnoses"

    def __init__(self) -> None:
        super().__init__(
            "findings decide what is quoted: give either findings, or diagnoses and jobs"
        )


class NeededTooEarly(RequestFault):
    """Parts needed by a day before the quote's own."""

    code = "needed-too-early"

    def __init__(self, needed_by: date, on: date) -> None:
        super().__init__(f"needed_by is {needed_by}, which is before the quote's date, {on}")
        self.needed_by = needed_by
        self.on = on


class ForeignTaxArea(RequestFault):
    """A tax area whose currency differs from the shop's, or whose prices include tax when the
    shop's do not, or the reverse.
    """

    code = "foreign-tax-area"

    def __init__(self, area: TaxArea, shop: Shop) -> None:
        kind = "include tax" if shop.selling_prices_include_tax else "exclude tax"
        super().__init__(
            f"tax area {area.id} does not suit shop {shop.id}, "
            f"which sells in {shop.currency} at prices that {kind}"
        )
        self.area = area.id


class NoExemption(RequestFault):
    """An exemption although the tax area has none, or the area is not known."""

    code = "no-exemption"

    def __init__(self, area: TaxArea | None) -> None:
        where = "an unknown tax area" if area is None else f"tax area {area.id}"
        super().__init__(f"{where} has no exemption to claim")
        self.area = None if area is None else area.id


class ExemptionExpired(RequestFault):
    """An exemption that ended before the quote's day."""

    code = "exemption-expired"

    def __init__(self, valid_until: date, on: date) -> None:
        super().__init__(f"valid_until is {valid_until}, which is before the quote's date, {on}")
        self.valid_until = valid_until
        self.on = on


class UnknownRole(UnknownId):
    """A role that nothing fills on the family."""

    code = "unknown-role"
    kind = "role"


class DiscountUnclear(RequestFault):
    """A discount that does not have exactly one of percentage and amount, within range."""

    code = "discount-unclear"

    def __init__(self, detail: str) -> None:
        super().__init__(detail)


class BelowZero(RequestFault):
    """A value below zero that may not be."""

    code = "below-zero"

    def __init__(self, what: str) -> None:
        super().__init__(f"{what} must not be below zero")
        self.what = what


class SerialNeeded(RequestFault):
    """A customer-supplied part for a role whose part is not known until the engine's plate has been
    read.
    """

    code = "serial-needed"

    def __init__(self, item: str, options: Iterable[str]) -> None:
        self.item = item
        self.options = tuple(options)
        super().__init__(
            f"whether {item} fits depends on the serial number; one of these does: "
            f"{', '.join(self.options)}"
        )


class PartNotNeeded(RequestFault):
    """An item that the customer brings and this repair does not need, or needs only `most` of."""

    code = "part-not-needed"

    def __init__(self, item: str, why: str, most: int = 0) -> None:
        super().__init__(f"{item}: {why}")
        self.item = item
        self.most = most


class NoDiagnosis(RequestFault):
    """A request for courses without diagnoses or findings."""

    code = "no-diagnosis"

    def __init__(self) -> None:
        super().__init__("courses are ways to repair a diagnosis: give diagnoses or findings")


class NamedTwice(RequestFault):
    """A change of a thing that another change already names."""

    code = "named-twice"

    def __init__(self, what: str) -> None:
        super().__init__(f"{what} is listed twice")
        self.what = what


class UnknownBuildCode(UnknownId):
    """A build code that none of the family's parts lists, although some depend on it."""

    code = "unknown-build-code"
    kind = "build code"


class BeforeTax(RequestFault):
    """A day before the first rate of the tax area."""

    code = "before-tax"

    def __init__(self, on: date, area: TaxArea, first: date) -> None:
        super().__init__(f"{on}: the rates of tax area {area.id} begin on {first}")
        self.on = on
        self.area = area.id
        self.first = first
