"""Finding: the bench's findings, checked against the catalogue, with the gates applied."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    Background,
    Catalogue,
    DiagnosisCode,
    Family,
    FindingKind,
    Gate,
    GateAction,
    Verdict,
)
from kitwright.errors import Path
from kitwright.stages.finding.gate import (
    Answered,
    Clash,
    Taken,
    ask_gates,
    ask_of_reading,
    find_clashes,
)
from kitwright.stages.finding.leakage import (
    GAP,
    ORIFICES,
    PERCENT,
    SPREAD,
    Leakage,
    Reading,
    Standing,
    raw_level,
    read_gauges,
    sum_up,
    voided,
)
from kitwright.stages.finding.notes import Notes, read_notes
from kitwright.stages.request import AskedAssessment
from kitwright.stages.why import place

WHOLE = Decimal(1)


class Observation(Struct, frozen=True, kw_only=True):
    """A finding at a level, with its power after the gates; a void finding does not count."""

    kind: FindingKind
    cylinder: int | None
    level: int
    power: Decimal = WHOLE
    is_void: bool = False

    @property
    def key(self) -> str:
        """The instance id, such as `plug_oil@1`."""
        return place(self.kind.id, self.cylinder)

    @property
    def counts(self) -> bool:
        """Whether the observation counts at all."""
        return not self.is_void and self.power > 0


class Findings(Struct, frozen=True, kw_only=True):
    """All findings on one engine, and the gates and conflicts that apply to them.

    `banded` is the finding whose level follows from the leakage, None if the catalogue has none.
    """

    family: Family
    banded: FindingKind | None
    background: tuple[Background, ...]
    observations: tuple[Observation, ...]
    leakages: tuple[Leakage, ...]
    answered: tuple[Answered, ...]
    clashes: tuple[Clash, ...]

    @property
    def counted(self) -> tuple[Observation, ...]:
        """The observations that count."""
        return tuple(one for one in self.observations if one.counts)

    @property
    def stops(self) -> tuple[Gate, ...]:
        """The gates that forbid any test and any quote."""
        return tuple(one.gate for one in self.answered if one.gate.action is GateAction.stop)

    @property
    def sound(self) -> frozenset[int]:
        """The cylinders that are known to hold air: their leak-down counts and is good."""
        kind = self.banded
        return frozenset(
            one.cylinder
            for one in self.leakages
            if kind is not None
            and one.standing is Standing.counts
            and one.level is not None
            and kind.verdicts[one.level] is Verdict.good
        )

    def holding(
        self, action: GateAction, code: DiagnosisCode, cylinder: int | None
    ) -> tuple[Answered, ...]:
        """Return the gates with an action that concern a diagnosis: those that put something else
        first, or those that ask for a check to confirm it.
        """
        return tuple(
            one
            for one in self.answered
            if one.gate.action is action
            and code in one.gate.holds
            and (one.cylinder is None or cylinder is None or one.cylinder == cylinder)
        )


def read_findings(catalogue: Catalogue, asked: AskedAssessment, base: Path = ()) -> Findings:
    """Return the findings with records in place of ids, leakages computed and gates applied.

    Raises: RequestRefused, with every error found, each with its path below `base`.
    """
    notes = read_notes(catalogue, asked, base)
    rules = catalogue.rules
    flags = frozenset(notes.family.flags)
    kinds = {row.id: row for row in rules.finding}
    banded = next((row for row in rules.finding if row.from_reading == PERCENT), None)
    answered: list[Answered] = []
    powers: dict[int, Decimal] = {}
    leakages: dict[int, Leakage] = {}
    for cylinder, taken in notes.readings.items():
        readings = []
        for index, one in enumerate(taken):
            gauges = read_gauges(one)
            gates = list(ask_of_reading(rules.gate, gauges, flags, kinds))
            answered += [Answered(gate=gate, cylinder=cylinder, reading=index) for gate in gates]
            readings.append(_standing(gauges, gates))
            for gate in gates:
                if gate.power is not None:
                    powers[cylinder] = min(gate.power, powers.get(cylinder, WHOLE))
        leakages[cylinder] = sum_up(cylinder, readings, banded)
    levels = _levels(notes, leakages, banded)
    taken_all = Taken(
        kinds=kinds,
        flags=flags,
        cylinders=tuple(range(1, notes.family.cylinders + 1)),
        levels=levels,
        figures=_figures(notes, leakages),
        pairs={
            cylinder: [one.gauges() for one in leakage.readings]
            for cylinder, leakage in leakages.items()
        },
    )
    answered += ask_gates(rules.gate, taken_all)
    observations = tuple(_observations(kinds, levels, leakages, answered, powers))
    return Findings(
        family=notes.family,
        banded=banded,
        background=notes.background,
        observations=observations,
        leakages=tuple(_settled(leakages, observations, banded)),
        answered=_in_file_order(rules.gate, answered),
        clashes=tuple(find_clashes(rules.conflict, taken_all)),
    )


def _standing(reading: Reading, gates: list[Gate]) -> Reading:
    actions = {gate.action for gate in gates}
    standing = Standing.counts
    if GateAction.void in actions:
        standing = Standing.void
    elif actions:
        standing = Standing.indicative
    return structs.replace(reading, standing=standing)


def _levels(
    notes: Notes, leakages: Mapping[int, Leakage], banded: FindingKind | None
) -> dict[tuple[int | None, str], int]:
    """Return the level of every finding, including those that follow from readings."""
    levels = dict(notes.levels)
    for cylinder, leakage in leakages.items():
        level = None if banded is None else raw_level(leakage, banded)
        if banded is not None and level is not None:
            levels[cylinder, banded.id] = level
    return levels


def _figures(
    notes: Notes, leakages: Mapping[int, Leakage]
) -> dict[tuple[int | None, str], Fraction]:
    figures = dict(notes.figures)
    for cylinder, leakage in leakages.items():
        if leakage.percent is not None:
            figures[cylinder, PERCENT] = leakage.percent
        if leakage.spread is not None:
            figures[cylinder, SPREAD] = leakage.spread
        if leakage.orifices is not None:
            figures[cylinder, ORIFICES] = leakage.orifices
    percents = [one.percent for one in leakages.values() if one.percent is not None]
    if len(percents) > 1:
        figures[None, GAP] = max(percents) - min(percents)
    return figures


def _observations(
    kinds: Mapping[str, FindingKind],
    levels: Mapping[tuple[int | None, str], int],
    leakages: Mapping[int, Leakage],
    answered: list[Answered],
    powers: Mapping[int, Decimal],
) -> Iterator[Observation]:
    """Yield every observation with its power after the gates."""
    for (cylinder, name), level in levels.items():
        power, is_void = WHOLE, False
        leakage = leakages.get(cylinder) if cylinder is not None else None
        kind = kinds[name]
        if (
            leakage is not None
            and cylinder is not None
            and PERCENT in (kind.from_reading, kind.compares)
        ):
            is_void = leakage.standing is Standing.void or leakage.level is None
            if leakage.standing is Standing.indicative:
                power = powers.get(cylinder, WHOLE)
        for one in answered:
            gate = one.gate
            if (
                one.reading is None
                and name in gate.affects
                and (one.cylinder is None or cylinder is None or one.cylinder == cylinder)
            ):
                is_void = is_void or gate.action is GateAction.void
                if gate.power is not None:
                    power = min(power, gate.power)
        yield Observation(kind=kind, cylinder=cylinder, level=level, power=power, is_void=is_void)


def _settled(
    leakages: Mapping[int, Leakage],
    observations: tuple[Observation, ...],
    banded: FindingKind | None,
) -> Iterator[Leakage]:
    """Yield the leakages after the gates for the entire cylinder."""
    by_key = {one.key: one for one in observations}
    for cylinder, leakage in leakages.items():
        seen = None if banded is None else by_key.get(place(banded.id, cylinder))
        if seen is not None and seen.is_void:
            yield voided(leakage)
        elif seen is not None and seen.power < 1:
            yield structs.replace(leakage, standing=Standing.indicative)
        else:
            yield leakage


def _in_file_order(gates: tuple[Gate, ...], answered: list[Answered]) -> tuple[Answered, ...]:
    order = {gate.id: number for number, gate in enumerate(gates)}
    return tuple(
        sorted(answered, key=lambda one: (order[one.gate.id], one.cylinder or 0, one.reading or 0))
    )
