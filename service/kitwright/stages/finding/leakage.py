"""Leakage: what the gauges of a leak-down test say, exactly, reading by reading.

Readings compare only on the same tester: its restrictor sets the figure. So both gauges are kept.
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
    """What becomes of a reading: it counts, counts less, or not at all."""

    counts = "counts"
    indicative = "indicative"
    void = "void"


class Reading(Struct, frozen=True, kw_only=True):
    """One reading: both gauges in psi, the leakage in per cent of the supply, and its standing.

    A leakage below zero is a gauge's fault; no level follows from it.
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

    Readings that are only indicative speak where no other does, but any reading that is not void
    may contradict: `spread` is how far those that decide and the last two lie apart, `orifices`
    by how many millimetres their restrictors differ. What nothing gives is None.
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

    `kind` is the finding whose level follows from it. Of more than two readings the last two
    decide, so that a test that is repeated until two agree is not held to its first try.
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
    """Return by how much figures differ, None where there are fewer than two."""
    return max(figures) - min(figures) if len(figures) > 1 else None


def level_of(percent: Fraction, kind: FindingKind) -> int | None:
    """Return the level that a leakage falls in; its upper limit belongs to it. None below zero."""
    if percent < 0:
        return None
    for level, upper in enumerate(kind.upper_percent):
        if percent <= exact(upper):
            return level
    return len(kind.levels) - 1


def whole_percent(percent: Fraction, kind: FindingKind | None) -> int:
    """Return a leakage as it is printed: the nearest whole per cent, half up, that lies in the
    same band. A gauge is read no finer; but 10.2 % is over 10 and has to look it.
    """
    below = floor(percent)
    nearest, other = (below, below + 1) if percent - below < Fraction(1, 2) else (below + 1, below)
    if kind is not None and percent != below:
        level = level_of(percent, kind)
        if level_of(Fraction(nearest), kind) != level == level_of(Fraction(other), kind):
            return other
    return nearest


def raw_level(leakage: Leakage, kind: FindingKind) -> int | None:
    """Return the level that the readings would have, void or not: what gates are asked about."""
    if leakage.level is not None:
        return leakage.level
    levels = [level_of(one.percent, kind) for one in leakage.readings]
    return next((level for level in reversed(levels) if level is not None), None)


def voided(leakage: Leakage) -> Leakage:
    """Return a leakage none of whose readings counts."""
    return structs.replace(
        leakage,
        readings=tuple(structs.replace(one, standing=Standing.void) for one in leakage.readings),
        percent=None,
        standing=Standing.void,
        level=None,
        band=None,
    )
