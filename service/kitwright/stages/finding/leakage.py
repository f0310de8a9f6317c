"""Leakage: the exact leakage of each reading of a leak-down test, and of each cylinder.

Readings are comparable only if taken with the same tester, because its restrictor determines the
value. So both gauges are stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from fractions import Fraction
from math import floor
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import FindingKind
from kitwright.stages.request import AskedReading
from kitwright.units import exact, in_psi

SUPPLY: Final = "supply_psi"
CYLINDER: Final = "cylinder_psi"
PERCENT: Final = "leakage_pct"
SPREAD: Final = "leakage_spread"
ORIFICES: Final = "orifice_spread"
GAP: Final = "leakage_gap"
"""Readings that follow from a leak-down test, as the catalogue names them."""

PAIRED: Final = frozenset({SUPPLY, CYLINDER})
"""The two gauges of one reading."""


class Standing(StrEnum):
    """Whether a reading counts fully, is only indicative, or is void."""

    counts = "counts"
    indicative = "indicative"
    void = "void"


class Reading(Struct, frozen=True, kw_only=True):
    """One reading: both gauges in psi, the leakage in per cent of the supply, and its standing.

    A leakage below zero comes from a wrong gauge; no level follows from it.
    """

    asked: AskedReading
    supply: Fraction
    in_cylinder: Fraction
    percent: Fraction
    standing: Standing = Standing.counts

    def gauges(self) -> dict[str, Fraction]:
        """Return the two gauges by the reading ids of the catalogue."""
        return {SUPPLY: self.supply, CYLINDER: self.in_cylinder}


class Leakage(Struct, frozen=True, kw_only=True):
    """The leakage of a cylinder: the mean of its last two readings that count, and its band.

    Readings that are only indicative are used if there are no others. But any reading that is not
    void may contradict: `spread` is the range of the readings used and the last two, in per cent of
    the supply. `orifices` is the difference of their restrictors in millimetres. A value is None if
    no readings give it.
    """

    cylinder: int
    readings: tuple[Reading, ...]
    percent: Fraction | None
    spread: Fraction | None
    orifices: Fraction | None
    standing: Standing
    level: int | None
    band: str | None


def read_gauges(asked: AskedReading) -> Reading:
    """Return a reading with its leakage: 100 (supply - cylinder) / supply."""
    supply = in_psi(asked.supply, asked.unit)
    in_cylinder = in_psi(asked.in_cylinder, asked.unit)
    percent = 100 * (supply - in_cylinder) / supply
    return Reading(asked=asked, supply=supply, in_cylinder=in_cylinder, percent=percent)


def sum_up(cylinder: int, readings: Sequence[Reading], kind: FindingKind | None) -> Leakage:
    """Return the leakage of a cylinder from its readings, in the order taken.

    `kind` is the finding whose level follows from it. If there are more than two readings, the last
    two are used, so that a test may be repeated until two readings agree.
    """
    counting = [one for one in readings if one.standing is not Standing.void]
    full = [one for one in counting if one.standing is Standing.counts]
    deciding = (full or counting)[-2:]
    percent = spread = orifices = None
    if deciding:
        percent = sum((one.percent for one in deciding), Fraction(0)) / len(deciding)
    if len(counting) > 1:
        compared = (*deciding, *counting[-2:])
        spread = _spread([one.percent for one in compared])
        known = [one.asked.orifice_mm for one in compared]
        orifices = _spread([exact(size) for size in known if size is not None])
    level = None if percent is None or kind is None else level_of(percent, kind)
    standing = Standing.counts if full else Standing.indicative if counting else Standing.void
    return Leakage(
        cylinder=cylinder,
        readings=tuple(readings),
        percent=percent,
        spread=spread,
        orifices=orifices,
        standing=standing,
        level=level,
        band=None if level is None or kind is None else kind.levels[level],
    )


def _spread(figures: Sequence[Fraction]) -> Fraction | None:
    """Return the range of some values, None if there are fewer than two."""
    return max(figures) - min(figures) if len(figures) > 1 else None


def level_of(percent: Fraction, kind: FindingKind) -> int | None:
    """Return the level of a leakage, upper limits inclusive; None if the leakage is below zero."""
    if percent < 0:
        return None
    for level, upper in enumerate(kind.upper_percent):
        if percent <= exact(upper):
            return level
    return len(kind.levels) - 1


def whole_percent(percent: Fraction, kind: FindingKind | None) -> int:
    """Return a leakage for print: the nearest whole per cent, half up, that lies in the same band.

    A gauge can't be read more precisely. But 10.2% is in the band above 10%, so 11 is printed.
    """
    below = floor(percent)
    nearest, other = (below, below + 1) if percent - below < Fraction(1, 2) else (below + 1, below)
    if kind is not None and percent != below:
        level = level_of(percent, kind)
        if level_of(Fraction(nearest), kind) != level == level_of(Fraction(other), kind):
            return other
    return nearest


def raw_level(leakage: Leakage, kind: FindingKind) -> int | None:
    """Return the level of all readings, void or not, for the conditions of gates."""
    if leakage.level is not None:
        return leakage.level
    levels = [level_of(one.percent, kind) for one in leakage.readings]
    return next((level for level in reversed(levels) if level is not None), None)


def voided(leakage: Leakage) -> Leakage:
    """Return a leakage with all of its readings made void."""
    return structs.replace(
        leakage,
        readings=tuple(structs.replace(one, standing=Standing.void) for one in leakage.readings),
        percent=None,
        standing=Standing.void,
        level=None,
        band=None,
    )
