"""Draft: the steps of a visit before their order is known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any, Final

from msgspec import Struct

from kitwright.catalogue.graph import Instance
from kitwright.catalogue.model import HazardId, LabourClass, OtherHold, Shop, Tick
from kitwright.stages.request import Terms
from kitwright.stages.why import place
from kitwright.stages.work import Operation
from kitwright.stages.work_plan.rules import OFF, ON, Rules
from kitwright.stages.work_plan.step import HAND, Visit
from kitwright.units import exact

_TIMES: Final = {"minute": 1, "hour": 60}
"""The units of labour on added lines, in minutes."""


class Draft(Struct, kw_only=True):
    """A step before its place in the order is known."""

    name: str
    kind: str
    minutes: Fraction
    labour_class: LabourClass | None = None
    cylinder: int | None = None
    instance: Instance | None = None
    other_hold: OtherHold | None = None
    text: str = ""
    hazards: tuple[HazardId, ...] = ()
    elapsed: int | None = None
    days: int | None = None


def draft_steps(
    shop: Shop, rules: Rules, visit: Visit, terms: Terms, sound: frozenset[int]
) -> dict[str, Draft]:
    """Return all steps of a visit by name, in no order yet: billed ones, lines that the counter
    added, waits for sublet work, and unbilled ones.
    """
    drafts = {draft.name: draft for draft in _billed(rules, visit, terms, sound)}
    drafts |= {draft.name: draft for draft in _sublets(shop, visit.operations)}
    drafts |= {draft.name: draft for draft in _ticks(rules, drafts)}
    return drafts


def _billed(rules: Rules, visit: Visit, terms: Terms, sound: frozenset[int]) -> Iterator[Draft]:
    """Yield the billed steps, and the lines that the counter added."""
    for removal in visit.access.removals:
        node, component = removal.instance, removal.instance.component
        is_hold = bool(component.holds)
        other = None if node.cylinder in sound else component.unless_sound
        shared: dict[str, Any] = {
            "labour_class": component.labour_class,
            "cylinder": node.cylinder,
            "instance": node,
            "other_hold": other,
            "hazards": component.hazards if other is None else (),
        }
        yield Draft(
            name=f"{OFF}{node.id}",
            kind="hold" if is_hold else "remove",
            minutes=removal.remove,
            **shared,
        )
        kind = "release" if is_hold else "refill" if component.refills else "refit"
        yield Draft(name=f"{ON}{node.id}", kind=kind, minutes=removal.refit, **shared)
    for task in visit.labour.tasks:
        # visit work without minutes only asks for its access
        if task.kind == "access" or (task.kind == "visit" and not task.minutes and not task.uses):
            continue
        yield Draft(
            name=task.name,
            kind=rules.kind_of(task.name).value,
            minutes=task.minutes,
            labour_class=task.labour_class,
            cylinder=task.cylinder,
            hazards=task.hazards,
        )
    yield from _by_hand(terms)


def _by_hand(terms: Terms) -> Iterator[Draft]:
    for number, line in enumerate(terms.free_lines, start=1):
        if line.kind in ("labour", "part", "consumable"):
            minutes = exact(line.quantity) * _TIMES.get(line.unit, 0)
            is_time = line.kind == "labour"
            yield Draft(
                name=f"{HAND}{number}",
                kind="work",
                text=line.description,
                minutes=minutes / terms.machines if is_time else Fraction(0),
            )


def _sublets(shop: Shop, operations: Sequence[Operation]) -> Iterator[Draft]:
    for operation in operations:
        service = operation.job.sublet
        if service is not None:
            yield Draft(
                name=place(service, operation.cylinder),
                kind="wait",
                minutes=Fraction(0),
                cylinder=operation.cylinder,
                days=shop.sublet[service].days,
            )


def _is_needed(tick: Tick, rules: Rules, there: Mapping[str, Draft]) -> bool:
    causes = rules.tick_for[tick.id] & there.keys()
    if tick.if_open:
        return any(rules.open_at(work, rules.known(there)) for work in causes)
    return not tick.for_any or bool(causes)


def _ticks(rules: Rules, there: Mapping[str, Draft]) -> Iterator[Draft]:
    for tick in rules.ticks:
        if _is_needed(tick, rules, there):
            yield Draft(
                name=tick.id,
                kind=tick.kind.value,
                minutes=Fraction(0),
                text=tick.name,
                hazards=tick.hazards,
                elapsed=tick.elapsed_minutes,
            )
