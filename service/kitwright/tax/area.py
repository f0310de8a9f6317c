"""The exact tax rates of an area for one kind of line on one day."""

from __future__ import annotations

from collections.abc import Set
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from math import lcm

from msgspec import Struct

from kitwright.catalogue.model import TaxArea, TaxComponent
from kitwright.errors import KitwrightError


class TaxError(KitwrightError):
    """The rules of a tax area give no answer."""

    code = "tax-error"


class KindUnassigned(TaxError):
    """A charge kind that the area does not tax and does not list as untaxed."""

    code = "tax-kind-unassigned"

    def __init__(self, area: str, kind: str) -> None:
        super().__init__(f"tax area {area!r} neither taxes {kind!r} nor lists it as untaxed")
        self.area = area
        self.kind = kind


class RateNotYetValid(TaxError):
    """A tax component whose first rate starts after the requested day."""

    code = "tax-rate-not-yet-valid"

    def __init__(self, area: str, component: str, on: date) -> None:
        super().__init__(f"tax {component!r} of area {area!r} has no rate on {on.isoformat()}")
        self.area = area
        self.component = component
        self.on = on


class RateNegative(TaxError):
    """A tax component with a rate below zero."""

    code = "tax-rate-negative"

    def __init__(self, area: str, component: str, percent: Decimal) -> None:
        super().__init__(f"tax {component!r} of area {area!r} has a rate of {percent} per cent")
        self.area = area
        self.component = component
        self.percent = percent


class Levy(Struct, frozen=True, kw_only=True):
    """One component of a combined rate.

    `place` is the component's position in the area. `percent` is its own rate, and `rate` the same
    as a fraction of its base. `part` is its share of the net price, in units of one over the
    combined rate's `bottom`; it is the rate itself, or more if the component compounds.
    """

    place: int
    component: TaxComponent
    percent: Decimal
    rate: Fraction
    part: int


class WholeRate(Struct, frozen=True, kw_only=True):
    """The components that apply together to a line, in the area's order.

    The tax on a net price is `top / bottom` of that price. The tax in a price that includes it is
    `top / (bottom + top)` of that price.
    """

    levies: tuple[Levy, ...]
    top: int
    bottom: int


UNTAXED = WholeRate(levies=(), top=0, bottom=1)
"""The combined rate of a line that no component applies to."""


def whole_rate(area: TaxArea, kind: str, on: date) -> WholeRate:
    """Return the components that an area charges on a kind of line on a day.

    If a component compounds, its part includes the exact tax on the parts of those before it. If
    amounts before it are rounded, the caller has to account for that.

    Raises: KindUnassigned, RateNotYetValid, RateNegative.
    """
    found: list[tuple[int, TaxComponent, Decimal, Fraction, Fraction]] = []
    whole = Fraction(0)
    for place, component in enumerate(area.components):
        if kind not in component.applies_to:
            continue
        percent = _percent_on(area, component, on)
        rate = Fraction(percent) / 100
        factor = rate * (1 + whole) if component.compounds else rate
        whole += factor
        found.append((place, component, percent, rate, factor))
    if not found:
        if kind not in area.untaxed:
            raise KindUnassigned(area.id, kind)
        return UNTAXED
    bottom = lcm(*(factor.denominator for *_, factor in found))
    levies = tuple(
        Levy(
            place=place,
            component=component,
            percent=percent,
            rate=rate,
            part=factor.numerator * (bottom // factor.denominator),
        )
        for place, component, percent, rate, factor in found
    )
    return WholeRate(levies=levies, top=sum(levy.part for levy in levies), bottom=bottom)


def effective_rate(area: TaxArea, kind: str, on: date) -> Fraction:
    """Return the tax on a net price of one kind on a day, as an exact fraction of it.

    It is zero for a kind that the area does not tax. Use it only for computing; a combined rate is
    never printed.

    Raises: KindUnassigned, RateNotYetValid, RateNegative.
    """
    found = whole_rate(area, kind, on)
    return Fraction(found.top, found.bottom)


def gross_up(net: Fraction, area: TaxArea, kind: str, on: date) -> Fraction:
    """Return `net` plus its tax, unrounded and in the same unit.

    Used for selling prices that include tax and are computed from costs without it.

    Raises: KindUnassigned, RateNotYetValid, RateNegative.
    """
    return net * (1 + effective_rate(area, kind, on))


class RateChange(Struct, frozen=True, kw_only=True):
    """A component whose rate changes: the first day of the new rate, and both rates in per cent."""

    component: TaxComponent
    first_day: date
    before: Decimal
    after: Decimal


def rate_changes(
    area: TaxArea, kinds: Set[str], *, on: date, until: date
) -> tuple[RateChange, ...]:
    """Return the changes of rates for some kinds of lines after the day `on`, up to and including
    the day `until`, in the area's order, then by day.
    """
    return tuple(
        RateChange(
            component=component, first_day=now.valid_from, before=was.percent, after=now.percent
        )
        for component in area.components
        if not kinds.isdisjoint(component.applies_to)
        for was, now in pairwise(component.rates)
        if on < now.valid_from <= until and was.percent != now.percent
    )


def _percent_on(area: TaxArea, component: TaxComponent, on: date) -> Decimal:
    valid = [rate for rate in component.rates if rate.valid_from <= on]
    if not valid:
        raise RateNotYetValid(area.id, component.id, on)
    percent = max(valid, key=lambda rate: rate.valid_from).percent
    if percent < 0:
        raise RateNegative(area.id, component.id, percent)
    return percent
