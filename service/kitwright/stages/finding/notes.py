"""Notes: the bench's records, with each name found in the catalogue and each value checked."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import (
    Background,
    Catalogue,
    Family,
    FindingKind,
    JobScope,
)
from kitwright.errors import KitwrightError, Path
from kitwright.stages.finding.leakage import PAIRED, PERCENT
from kitwright.stages.finding.misfit import (
    CylinderTwice,
    FindingMisplaced,
    LevelDerived,
    PressureNotPositive,
    UnknownBackground,
    UnknownFinding,
    UnknownLevel,
    UnknownReading,
)
from kitwright.stages.request import (
    AskedAssessment,
    AskedCylinder,
    AskedReading,
    CylinderOutOfRange,
    NamedTwice,
    RequestRefused,
    UnknownFamily,
)
from kitwright.units import PressureUnit, in_psi


class Notes(Struct, frozen=True, kw_only=True):
    """The bench's records, checked. Levels are by cylinder (None: the engine) and finding, values
    of other gauges by cylinder and reading. Leak-down readings are by cylinder, in the order taken.
    """

    family: Family
    background: tuple[Background, ...]
    levels: Mapping[tuple[int | None, str], int]
    figures: Mapping[tuple[int | None, str], Fraction]
    readings: Mapping[int, tuple[AskedReading, ...]]


def read_notes(catalogue: Catalogue, asked: AskedAssessment, base: Path) -> Notes:
    """Return the notes. Raises: RequestRefused, with every error, its path below `base`."""
    family = catalogue.families.get(asked.family)
    if family is None:
        # the family is next to the findings, at any depth of the request
        raise RequestRefused([UnknownFamily(asked.family, catalogue.families).at("family")])
    reader = _Reader(catalogue, family, base)
    findings = asked.findings
    background = reader.background(findings.background)
    reader.levels_of(findings.engine, None, (*base, "engine"))
    for index, cylinder in enumerate(findings.cylinders):
        reader.cylinder(cylinder, (*base, "cylinders", index))
    if reader.faults:
        raise RequestRefused(reader.faults)
    return Notes(
        family=family,
        background=background,
        levels=reader.levels,
        figures=reader.figures,
        readings=reader.readings,
    )


class _Reader:
    """Collects the valid records, and the errors of the others."""

    def __init__(self, catalogue: Catalogue, family: Family, base: Path) -> None:
        rules = catalogue.rules
        self._family = family
        self._base = base
        self._kinds: dict[str, FindingKind] = {row.id: row for row in rules.finding}
        self._backgrounds = {row.id: row for row in rules.background}
        self._gauges = {
            row.id
            for row in rules.reading
            if row.test is not None
            and row.id not in PAIRED
            and row.scope is JobScope.cylinder
            and row.unit == PressureUnit.psi.value
        }
        self.faults: list[KitwrightError] = []
        self.levels: dict[tuple[int | None, str], int] = {}
        self.figures: dict[tuple[int | None, str], Fraction] = {}
        self.readings: dict[int, tuple[AskedReading, ...]] = {}
        self._seen: set[int] = set()

    def background(self, named: tuple[str, ...]) -> tuple[Background, ...]:
        """Return the backgrounds of some ids, each once."""
        found: dict[str, Background] = {}
        for index, name in enumerate(named):
            row = self._backgrounds.get(name)
            at = (*self._base, "background", index)
            if row is None:
                self.faults.append(UnknownBackground(name, self._backgrounds).at(*at))
            elif name in found:
                self.faults.append(NamedTwice(f"background {name}").at(*at))
            else:
                found[name] = row
        return tuple(found.values())

    def levels_of(self, named: Mapping[str, str], cylinder: int | None, path: Path) -> None:
        """Record the levels of some findings."""
        scope = JobScope.engine if cylinder is None else JobScope.cylinder
        for name, level in named.items():
            kind = self._kinds.get(name)
            at = (*path, name)
            if kind is None:
                self.faults.append(UnknownFinding(name, self._kinds).at(*at))
            elif kind.scope is not scope:
                self.faults.append(FindingMisplaced(kind).at(*at))
            elif level not in kind.levels:
                self.faults.append(UnknownLevel(level, kind.levels).at(*at))
            else:
                self.levels[cylinder, name] = kind.levels.index(level)

    def cylinder(self, asked: AskedCylinder, path: Path) -> None:
        """Record all readings and findings of one cylinder."""
        number = asked.cylinder
        if not 1 <= number <= self._family.cylinders:
            fault = CylinderOutOfRange(number, self._family)
            self.faults.append(fault.at(*path, "cylinder"))
        elif number in self._seen:
            self.faults.append(CylinderTwice(number).at(*path, "cylinder"))
        self._seen.add(number)
        self.levels_of(asked.findings, number, (*path, "findings"))
        for index, reading in enumerate(asked.readings):
            self._pressures(reading, (*path, "leakdown", *((index,) if asked.has_list else ())))
        if asked.readings:
            self.readings[number] = asked.readings
            for name in asked.findings:
                kind = self._kinds.get(name)
                if kind is not None and kind.from_reading == PERCENT:
                    self.faults.append(LevelDerived(kind).at(*path, "findings", name))
        self._other_gauges(asked, path)

    def _other_gauges(self, asked: AskedCylinder, path: Path) -> None:
        for index, gauge in enumerate(asked.gauges):
            at = (*path, "gauges", index)
            key = (asked.cylinder, gauge.reading)
            if gauge.reading not in self._gauges:
                fault = UnknownReading(gauge.reading, self._gauges)
                self.faults.append(fault.at(*at, "reading"))
            elif key in self.figures:
                self.faults.append(NamedTwice(f"reading {gauge.reading}").at(*at))
            elif gauge.value < 0:
                fault_of = PressureNotPositive("value", may_be_zero=True)
                self.faults.append(fault_of.at(*at, "value"))
            else:
                self.figures[key] = in_psi(gauge.value, gauge.unit)

    def _pressures(self, reading: AskedReading, path: Path) -> None:
        for member, figure, may_be_zero in (
            ("supply", reading.supply, False),
            ("in_cylinder", reading.in_cylinder, True),
            ("orifice_mm", reading.orifice_mm, False),
        ):
            if figure is not None and (figure < 0 or (figure == 0 and not may_be_zero)):
                fault = PressureNotPositive(member, may_be_zero=may_be_zero)
                self.faults.append(fault.at(*path, member))
