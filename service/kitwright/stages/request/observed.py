"""Observed: the bench's records, unchecked: names as typed, values as read."""

from __future__ import annotations

from decimal import Decimal

from msgspec import Struct

from kitwright.catalogue.model import FamilyId
from kitwright.units import PressureUnit


class AskedReading(Struct, frozen=True, kw_only=True):
    """Both gauges of one leak-down reading, and how it was taken.

    `orifice_mm` is the tester's restrictor, which determines the value. `is_warm` is None if it was
    not recorded.
    """

    supply: Decimal
    in_cylinder: Decimal
    unit: PressureUnit
    orifice_mm: Decimal | None = None
    is_warm: bool | None = None


class AskedGauge(Struct, frozen=True, kw_only=True):
    """A value of another gauge, such as cranking compression, with the reading's id."""

    reading: str
    value: Decimal
    unit: PressureUnit


class AskedCylinder(Struct, frozen=True, kw_only=True):
    """The records of one cylinder: leak-down readings in the order taken, other gauges, and levels
    by finding.

    `has_list` says whether the request gives the readings as a list; an error then names the place
    in it.
    """

    cylinder: int
    readings: tuple[AskedReading, ...] = ()
    has_list: bool = True
    gauges: tuple[AskedGauge, ...] = ()
    findings: dict[str, str] = {}


class AskedFindings(Struct, frozen=True, kw_only=True):
    """The records of one engine: backgrounds, levels by finding of the engine, cylinders."""

    background: tuple[str, ...] = ()
    engine: dict[str, str] = {}
    cylinders: tuple[AskedCylinder, ...] = ()


class AskedAssessment(Struct, frozen=True, kw_only=True):
    """The findings on an engine of a family."""

    family: FamilyId
    findings: AskedFindings
