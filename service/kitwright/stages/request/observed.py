"""Observed: what the bench wrote down, unchecked: names as they were typed, figures as they were
read.
"""

from __future__ import annotations

from decimal import Decimal

from msgspec import Struct

from kitwright.catalogue.model import FamilyId
from kitwright.units import PressureUnit


class AskedReading(Struct, frozen=True, kw_only=True):
    """Both gauges of one leak-down reading, and how it was taken.

    `orifice_mm` is the tester's restrictor, which decides the figure; `is_warm` is None where
    nobody said.
    """

    supply: Decimal
    in_cylinder: Decimal
    unit: PressureUnit
    orifice_mm: Decimal | None = None
    is_warm: bool | None = None


class AskedGauge(Struct, frozen=True, kw_only=True):
    """A figure of another gauge, such as cranking compression, by the reading's id."""

    reading: str
    value: Decimal
    unit: PressureUnit


class AskedCylinder(Struct, frozen=True, kw_only=True):
    """What was seen of one cylinder: leak-down readings in the order taken, other gauges, and
    levels by finding.

    `has_list` tells where the readings stood in a list, so that a fault can point to its own.
    """

    cylinder: int
    readings: tuple[AskedReading, ...] = ()
    has_list: bool = True
    gauges: tuple[AskedGauge, ...] = ()
    findings: dict[str, str] = {}


class AskedFindings(Struct, frozen=True, kw_only=True):
    """What was seen of one engine: backgrounds, levels by finding of the engine, cylinders."""

    background: tuple[str, ...] = ()
    engine: dict[str, str] = {}
    cylinders: tuple[AskedCylinder, ...] = ()


class AskedAssessment(Struct, frozen=True, kw_only=True):
    """The findings on an engine of a family."""

    family: FamilyId
    findings: AskedFindings
