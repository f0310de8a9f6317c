"""Gate: the catalogue's gates and conflicts that apply to the readings and findings taken.

Every condition is checked against everything as it was taken, void or not. So the order of the
gates in their file makes no difference.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import (
    Conflict,
    FindingKind,
    FlagId,
    Gate,
    GateAction,
    GateCondition,
    JobScope,
)
from kitwright.stages.finding.leakage import PAIRED, Reading
from kitwright.units import exact


class Taken(Struct, frozen=True, kw_only=True):
    """All readings and findings taken, in the form that gates check.

    `levels` are by cylinder and finding, `figures` by cylinder and reading; the cylinder is None
    for the engine. `pairs` are the leak-down gauges of each cylinder, reading by reading.
    """

    kinds: Mapping[str, FindingKind]
    flags: frozenset[FlagId]
    cylinders: tuple[int, ...]
    levels: Mapping[tuple[int | None, str], int]
    figures: Mapping[tuple[int | None, str], Fraction]
    pairs: Mapping[int, Sequence[Mapping[str, Fraction]]]


class Answered(Struct, frozen=True, kw_only=True):
    """A gate that applies to a cylinder, or to the engine if `cylinder` is None. If `reading` is
    not None, it applies only to the reading at that place in the list.
    """

    gate: Gate
    cylinder: int | None
    reading: int | None = None


class Clash(Struct, frozen=True, kw_only=True):
    """A conflict of the catalogue that applies, on a cylinder or on the engine."""

    conflict: Conflict
    cylinder: int | None


def ask_of_reading(
    gates: Sequence[Gate],
    reading: Reading,
    flags: frozenset[FlagId],
    kinds: Mapping[str, FindingKind],
) -> Iterator[Gate]:
    """Yield the gates that apply to one reading by itself."""
    gauges = reading.gauges()
    for gate in gates:
        if is_of_reading(gate, kinds) and all(
            condition.flag in flags
            if condition.flag is not None
            else _compared(condition, gauges.get(condition.reading or ""), gauges)
            for condition in gate.when
        ):
            yield gate


def is_of_reading(gate: Gate, kinds: Mapping[str, FindingKind]) -> bool:
    """Return whether a gate is for single readings: it checks only their gauges, and weakens only
    findings that follow from them.
    """
    asked = [one for one in gate.when if one.flag is None]
    return (
        gate.scope is JobScope.cylinder
        and gate.action in (GateAction.void, GateAction.indicative)
        and bool(asked)
        and all(one.reading in PAIRED for one in asked)
        and all(name in kinds and kinds[name].from_reading is not None for name in gate.affects)
    )


def ask_gates(gates: Sequence[Gate], taken: Taken) -> Iterator[Answered]:
    """Yield the gates that apply to everything taken, except those for single readings."""
    for gate in gates:
        if not is_of_reading(gate, taken.kinds):
            for cylinder in _places(gate.scope, taken):
                if _all_hold(gate.when, taken, cylinder):
                    yield Answered(gate=gate, cylinder=cylinder)


def find_clashes(conflicts: Sequence[Conflict], taken: Taken) -> Iterator[Clash]:
    """Yield the conflicts of the catalogue that the readings and findings show."""
    for conflict in conflicts:
        for cylinder in _places(conflict.scope, taken):
            if _all_hold(conflict.when, taken, cylinder):
                yield Clash(conflict=conflict, cylinder=cylinder)


def _places(scope: JobScope, taken: Taken) -> tuple[int | None, ...]:
    return (None,) if scope is JobScope.engine else taken.cylinders


def _all_hold(conditions: Sequence[GateCondition], taken: Taken, cylinder: int | None) -> bool:
    return bool(conditions) and all(_holds(one, taken, cylinder) for one in conditions)


def _holds(condition: GateCondition, taken: Taken, cylinder: int | None) -> bool:
    if condition.flag is not None:
        return condition.flag in taken.flags
    # the engine's own count everywhere; for the engine, those of any cylinder count
    places = (None, *(taken.cylinders if cylinder is None else (cylinder,)))
    if condition.finding is not None:
        return _seen(condition, condition.finding, taken, places)
    name = condition.reading or ""
    if name in PAIRED:
        return any(
            _compared(condition, pair.get(name), pair)
            for place in places
            if place is not None
            for pair in taken.pairs.get(place, ())
        )
    return any(
        _compared(
            condition,
            taken.figures.get((place, name)),
            {other: figure for (at, other), figure in taken.figures.items() if at == place},
        )
        for place in places
    )


def _seen(
    condition: GateCondition, finding: str, taken: Taken, places: Sequence[int | None]
) -> bool:
    levels = [taken.levels[place, finding] for place in places if (place, finding) in taken.levels]
    if condition.is_observed is not None:
        return bool(levels) is condition.is_observed
    kind = taken.kinds.get(finding)
    if kind is None:
        return False
    if condition.at_least is not None:
        least = kind.levels.index(condition.at_least)
        return any(level >= least for level in levels)
    return any(kind.levels[level] in condition.levels for level in levels)


def _compared(
    condition: GateCondition, figure: Fraction | None, beside: Mapping[str, Fraction]
) -> bool:
    if figure is None:
        return False
    if condition.above is not None:
        return figure > exact(condition.above)
    if condition.below is not None:
        return figure < exact(condition.below)
    other = beside.get(condition.above_reading or "")
    return other is not None and figure > other
