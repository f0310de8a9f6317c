"""Rows of findings with what they should lead to, and the way from a row to its assessment."""

import tomllib
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, FamilyId, Gate, Shop
from kitwright.flow import Workshop, assess
from kitwright.stages.assessment import Assessment
from kitwright.stages.observed import (
    AskedAssessment,
    AskedCylinder,
    AskedFindings,
    AskedGauge,
    AskedReading,
)
from kitwright.units import PressureUnit

GAUGES = ("supply_psi", "cylinder_psi")


class Row(Struct, frozen=True, kw_only=True):
    """One row: levels by instance id, gauge figures by instance id, the family's flags, and what
    must come of it: the leading diagnosis, its grade, or a gate that answers.

    `also` are diagnoses that would not be wrong if they led; `truth` are faults of a pair.
    """

    id: str
    given: dict[str, str] = {}
    readings: dict[str, list[str]] = {}
    flags: tuple[str, ...] = ()
    background: tuple[str, ...] = ()
    family: str = "TB-V68"
    top: str | None = None
    grade: str | None = None
    gate: str | None = None
    pair: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    none: bool = False
    note: str = ""


def read_rows(name: str) -> list[Row]:
    path = Path(__file__).with_name(name)
    rows = tomllib.loads(path.read_text(encoding="utf-8"))["row"]
    return [_row(row) for row in rows]


def _row(row: dict[str, Any]) -> Row:
    import msgspec

    return msgspec.convert(row, Row)


def asked(row: Row) -> AskedAssessment:
    """Return a row as the counter would enter it."""
    engine: dict[str, str] = {}
    cylinders: dict[int, dict[str, Any]] = {}
    for key, level in row.given.items():
        name, _, number = key.partition("@")
        if number:
            _of(cylinders, int(number))["findings"][name] = level
        else:
            engine[name] = level
    for key, figures in row.readings.items():
        name, _, number = key.partition("@")
        if name not in GAUGES:
            gauges = [
                AskedGauge(reading=name, value=Decimal(figure), unit=PressureUnit.psi)
                for figure in figures
            ]
            _of(cylinders, int(number or 1))["gauges"] += gauges
    for number in sorted({int(key.partition("@")[2]) for key in row.readings if key.startswith(GAUGES)}):
        supplies = row.readings[f"supply_psi@{number}"]
        in_cylinder = row.readings[f"cylinder_psi@{number}"]
        supplies = supplies * len(in_cylinder) if len(supplies) == 1 else supplies
        _of(cylinders, number)["readings"] += [
            AskedReading(supply=Decimal(one), in_cylinder=Decimal(other), unit=PressureUnit.psi)
            for one, other in zip(supplies, in_cylinder, strict=True)
        ]
    return AskedAssessment(
        family=FamilyId(row.family),
        findings=AskedFindings(
            background=row.background,
            engine=engine,
            cylinders=tuple(
                AskedCylinder(
                    cylinder=number,
                    readings=tuple(taken["readings"]),
                    gauges=tuple(taken["gauges"]),
                    findings=taken["findings"],
                )
                for number, taken in sorted(cylinders.items())
            ),
        ),
    )


def _of(cylinders: dict[int, dict[str, Any]], number: int) -> dict[str, Any]:
    return cylinders.setdefault(number, {"findings": {}, "gauges": [], "readings": []})


def assessed(workshop: Workshop, row: Row) -> Assessment:
    return assess(workshop, asked(row))


def chances(assessment: Assessment) -> dict[str, Decimal]:
    """Return the probability of every ranked fault by its instance id, the most probable first."""
    return {one.candidate.key: one.probability for one in assessment.diagnosed.ranked}


def flips(catalogue: Catalogue, row: Row) -> Iterator[Row]:
    """Yield the row with one finding at another of its levels, for every finding and level."""
    levels = {one.id: one.levels for one in catalogue.rules.finding}
    for key, level in row.given.items():
        for other in levels[key.partition("@")[0]]:
            if other != level:
                changed = row.given | {key: other}
                yield structs.replace(row, id=f"{row.id}: {key}={other}", given=changed)


def right(row: Row) -> frozenset[str]:
    """Return what a row may lead to without being wrong."""
    return frozenset(({row.top} if row.top else set()) | set(row.pair) | set(row.also))


__all__ = ["Gate", "Row", "Shop", "asked", "assessed", "chances", "flips", "read_rows", "right"]
