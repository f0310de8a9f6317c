"""Rows of findings with what they should lead to, and the way from a row to its assessment."""

import tomllib
from collections import defaultdict
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import msgspec
from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, FamilyId
from kitwright.flow import assess
from kitwright.stages.finding import Assessment
from kitwright.stages.request import (
    AskedAssessment,
    AskedCylinder,
    AskedFindings,
    AskedGauge,
    AskedReading,
)
from kitwright.units import PressureUnit
from kitwright.workshop import Workshop

SUPPLY, CYLINDER = "supply_psi", "cylinder_psi"
PSI = PressureUnit.psi


class Row(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row: levels and gauge figures by instance id, and what must come of it: the leading
    diagnosis, its grade, faults that are each at least possible (`pair`), a gate that answers,
    or `none`: nothing with a grade. `also` may lead as well without being wrong.
    """

    id: str
    given: dict[str, str] = {}
    readings: dict[str, tuple[str, ...]] = {}
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

    @property
    def right(self) -> frozenset[str]:
        """The diagnoses that the row may lead to."""
        return frozenset({*self.pair, *self.also, *([self.top] if self.top else [])})


def read_rows(name: str) -> list[Row]:
    text = Path(__file__).with_name(name).read_text(encoding="utf-8")
    return [msgspec.convert(row, Row) for row in tomllib.loads(text)["row"]]


def asked(row: Row) -> AskedAssessment:
    """Return a row as the counter would enter it."""
    engine: dict[str, str] = {}
    findings: dict[int, dict[str, str]] = defaultdict(dict)
    gauges: dict[int, list[AskedGauge]] = defaultdict(list)
    for key, level in row.given.items():
        name, _, cylinder = key.partition("@")
        (findings[int(cylinder)] if cylinder else engine)[name] = level
    for key, figures in row.readings.items():
        name, _, cylinder = key.partition("@")
        if name not in (SUPPLY, CYLINDER):
            gauges[int(cylinder)] += [
                AskedGauge(reading=name, value=Decimal(figure), unit=PSI) for figure in figures
            ]
    taken = dict(_readings(row))
    cylinders = tuple(
        AskedCylinder(
            cylinder=cylinder,
            readings=taken.get(cylinder, ()),
            gauges=tuple(gauges[cylinder]),
            findings=findings[cylinder],
        )
        for cylinder in sorted({*findings, *gauges, *taken})
    )
    told = AskedFindings(background=row.background, engine=engine, cylinders=cylinders)
    return AskedAssessment(family=FamilyId(row.family), findings=told)


def _readings(row: Row) -> Iterator[tuple[int, tuple[AskedReading, ...]]]:
    """Yield the leak-down readings by cylinder; one supply may stand for several readings."""
    for key, supplies in row.readings.items():
        name, _, cylinder = key.partition("@")
        if name == SUPPLY:
            inside = row.readings[f"{CYLINDER}@{cylinder}"]
            many = supplies * len(inside) if len(supplies) == 1 else supplies
            yield (
                int(cylinder),
                tuple(
                    AskedReading(supply=Decimal(supply), in_cylinder=Decimal(one), unit=PSI)
                    for supply, one in zip(many, inside, strict=True)
                ),
            )


def assessed(workshop: Workshop, row: Row) -> Assessment:
    return assess(workshop, asked(row))


def answering(assessment: Assessment) -> list[str]:
    """Return the gates that answered, by id."""
    return [one.gate.id for one in assessment.findings.answered]


def flips(catalogue: Catalogue, row: Row) -> Iterator[Row]:
    """Yield the row with one finding at another of its levels, for every finding and level."""
    levels = {one.id: one.levels for one in catalogue.rules.finding}
    for key, level in row.given.items():
        for other in levels[key.partition("@")[0]]:
            if other != level:
                changed = row.given | {key: other}
                yield structs.replace(row, id=f"{row.id}: {key}={other}", given=changed)


def on_family(row: Row, family: str) -> Row | None:
    """Return a row on another family, None where that lacks one of its cylinders."""
    if family in ("QM-H27", "TB-S50") and any("@2" in key for key in (*row.given, *row.readings)):
        return None
    return structs.replace(row, family=family)
