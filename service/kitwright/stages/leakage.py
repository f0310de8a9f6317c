"""Leakage: what the gauges of a leak-down test say, exactly, reading by reading.

Readings compare only on the same tester: its restrictor sets the figure. So both gauges are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from fractions import Fraction
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import FindingKind
from kitwright.stages.observed import AskedReading
from kitwright.units import exact, in_psi

SUPPLY: Final = "supply_psi"
CYLINDER: Final = "cylinder_psi"
PERCENT: Final = "leakage_pct"
SPREAD: Final = "leakage_spread"
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

    Readings that are only indicative speak where no other does. `percent`, `spread` and `band`
    are None where nothing gives them.
    """

    cylinder: int
    readings: tuple[Reading, ...]
    percent: Fraction | None
    spread: Fraction | None
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
    percent = spread = None
    if deciding:
        percents = [one.percent for one in deciding]
        percent = sum(percents, Fraction(0)) / len(percents)
        spread = max(percents) - min(percents) if len(percents) > 1 else None
    level = None if percent is None or kind is None else level_of(percent, kind)
    standing = Standing.counts if full else Standing.indicative if counting else Standing.void
    return Leakage(
        cylinder=cylinder,
        readings=tuple(readings),
        percent=percent,
        spread=spread,
        standing=standing,
        level=level,
        band=None if level is None or kind is None else kind.levels[level],
    )


def level_of(percent: Fraction, kind: FindingKind) -> int | None:
    """Return the level that a leakage falls in; its upper limit belongs to it. None below zero."""
    if percent < 0:
        return None
    for level, upper in enumerate(kind.upper_percent):
        if percent <= exact(upper):
            return level
    return len(kind.levels) - 1


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
