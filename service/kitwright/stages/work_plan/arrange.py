"""Arrange: the order of a visit's steps, with what depends on its jobs added to the rules."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import islice, product
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.graph import ENGINE_OUT
from kitwright.catalogue.model import ContingencyId
from kitwright.solve.sequence import Entry, Order, SequenceError, order_items
from kitwright.stages.why import Why, place
from kitwright.stages.work import Operation
from kitwright.stages.work_plan.draft import Draft
from kitwright.stages.work_plan.first import adjust_first, change_first, clean_first
from kitwright.stages.work_plan.looks import (
    Find,
    dearest_first,
    find_held,
    find_reveals,
    look_first,
)
from kitwright.stages.work_plan.rules import OFF, ON, Rules
from kitwright.stages.work_plan.step import BENCH, HAND, MACHINE

_OUT: Final = f"{OFF}{ENGINE_OUT}"

_FREE: Final = Why("step-free")

WAYS: Final = 16
"""How many choices among branches of OR groups are tried."""


class Arranged(Struct, frozen=True, kw_only=True):
    """The order of some steps, and of each its place, its reason, and what it may show."""

    order: Order[str]
    places: dict[str, str | None]
    why: dict[str, Why]
    reveals: dict[str, tuple[tuple[ContingencyId, int | None], ...]]


def arrange(rules: Rules, drafts: Mapping[str, Draft], operations: Sequence[Operation]) -> Arranged:
    """Return the valid order of some steps with the fewest changes, and what is known of each.

    Where a plan has several branches of an OR group off, each may be the one that stands before the
    component; all choices are tried, up to `WAYS` of them.

    Raises: Circle, Clash, if the catalogue's rules contradict one another.
    """
    known = [name for name in rules.rules if name in drafts]
    known += [name for name in drafts if name not in rules.rules]
    reveals = find_reveals(rules, operations, drafts)
    ways = [*islice(_ways(rules, drafts), WAYS + 1)]
    found: list[tuple[Order[str], dict[str, set[str]]]] = []
    fault: SequenceError | None = None
    for way in ways[:WAYS]:
        after = _afters(rules, known, operations, reveals, way)
        try:
            found.append((_order(rules, drafts, after), after))
        except SequenceError as error:
            fault = fault or error
    if not found and fault is not None:
        raise fault
    order, after = min(found, key=lambda each: each[0].changes)
    bound = min(each.bound for each, _ in found)
    if len(ways) > WAYS:
        bound = (0,) * len(bound)
    ranks = {name: rank for rank, name in enumerate(order.items, start=1)}
    return Arranged(
        order=structs.replace(order, bound=bound),
        places={name: _place(rules, name, drafts) for name in known},
        why={name: _why(after[name], ranks, reveals) for name in known},
        reveals={name: tuple(find.key for find in finds) for name, finds in reveals.items()},
    )


def _ways(rules: Rules, there: Container[str]) -> Iterator[tuple[tuple[str, str], ...]]:
    """Yield the choices of a branch for each component with an OR group, with that component; the
    first branches first.
    """
    choices = [
        [(node.id, one) for one in group if f"{OFF}{one}" in there]
        for node in rules.choosing
        if f"{OFF}{node.id}" in there
        for group in node.needs_any
    ]
    return product(*choices)


def _afters(
    rules: Rules,
    known: Sequence[str],
    operations: Sequence[Operation],
    reveals: Mapping[str, Sequence[Find]],
    way: Iterable[tuple[str, str]],
) -> dict[str, set[str]]:
    """Return all that comes before each step of a visit."""
    there = {*known}
    after = rules.known(known)
    for name, branch in way:
        after[f"{OFF}{name}"].add(f"{OFF}{branch}")
        after[f"{ON}{branch}"].add(f"{ON}{name}")
    _add_sublets(rules, after, operations)
    _add_by_hand(after)
    clean_first(rules, after)
    early = change_first(rules, after, operations)
    early |= adjust_first(rules, after)
    held = find_held(rules, after)
    look_first(rules, after, {*reveals}, held, early)
    worths = {
        name: max(rules.worth(find.row, find.cylinder) for find in finds if find.is_own)
        for name, finds in reveals.items()
    }
    dearest_first(after, worths, held)
    for name in known:
        if not rules.rule_of(name).early_for.isdisjoint(there):
            after[name].discard(_OUT)
    return after


def _order(rules: Rules, drafts: Mapping[str, Draft], after: Mapping[str, set[str]]) -> Order[str]:
    joined = _joined(rules, after)
    whole = _as_blocks(after, joined)
    entries = {}
    for name in whole:
        rule, other = rules.rule_of(name), drafts[name].other_hold
        tools = ", ".join(rule.tools if other is None else other.tools) or None
        entries[name] = Entry(
            after=tuple(whole[name]),
            labels=(_place(rules, name, drafts), rule.side, tools),
            takes=rule.takes,
            until=rule.until,
            needs_free=rule.needs_free,
        )
    return _apart(order_items(entries), joined)


def _joined(rules: Rules, known: Iterable[str]) -> dict[str, str]:
    """Return the steps that another one follows at once, each with that one."""
    found = {}
    for name in known:
        refit = rules.rule_of(name).joined_to
        if refit is not None:
            found[name] = refit
    return found


def _as_blocks(
    after: Mapping[str, set[str]], joined: Mapping[str, str]
) -> dict[str, dict[str, None]]:
    """Return what comes before each step, with joined steps as one, under the name of its last:
    what comes before either comes before both. They share a place, and only the last has a side
    and tools, so that the changes are those of the steps.
    """
    whole: dict[str, dict[str, None]] = {name: {} for name in after if name not in joined}
    for name, befores in after.items():
        block = whole[joined.get(name, name)]
        for one in befores:
            block[joined.get(one, one)] = None
    for name, block in whole.items():
        block.pop(name, None)
    return whole


def _apart(order: Order[str], joined: Mapping[str, str]) -> Order[str]:
    """Return an order of blocks with each step by itself again."""
    items: list[str] = []
    for name in order.items:
        items += (one for one, last in joined.items() if last == name)
        items.append(name)
    return structs.replace(order, items=tuple(items))


def _add_sublets(rules: Rules, after: dict[str, set[str]], operations: Sequence[Operation]) -> None:
    """Note that sublet work waits for its job's own work and for what comes off the part, and what
    goes back on for it.
    """
    for operation in operations:
        job = operation.job
        if job.sublet is None:
            continue
        name = place(job.sublet, operation.cylinder)
        for one in rules.components(job.access, operation.cylinder):
            if f"{OFF}{one}" in after:
                after[name].add(f"{OFF}{one}")
                after[f"{ON}{one}"].add(name)
            for step in after:
                if step.startswith(OFF) and rules.rule_of(step).part_of == one:
                    after[name].add(step)
                    after[f"{ON}{step.removeprefix(OFF)}"].add(name)
        for work in job.work:
            step = place(work.id, operation.cylinder)
            if step in after and step != name:
                after[name].add(step)


def _add_by_hand(after: dict[str, set[str]]) -> None:
    """Note that added work is done once all is apart, before anything goes back on."""
    for name in after:
        if name.startswith(HAND):
            after[name].update(step for step in after if step.startswith(OFF))


def _place(rules: Rules, name: str, there: Mapping[str, object]) -> str | None:
    rule = rules.rule_of(name)
    if not rule.has_place:
        return None
    if rules.is_loose:
        return BENCH
    if rule.on_bench and _OUT in there and rule.early_for.isdisjoint(there.keys()):
        return BENCH
    if rule.part_of is not None and f"{OFF}{rule.part_of}" in there:
        return BENCH
    return MACHINE


def _why(befores: set[str], ranks: Mapping[str, int], reveals: Mapping[str, object]) -> Why:
    """Return the reason why a step stands no earlier: the last step that it waits for."""
    if not befores:
        return _FREE
    last = max(befores, key=lambda name: ranks[name])
    return _after("step-after-look" if last in reveals else "step-after", ranks[last])


@cache
def _after(code: str, step: int) -> Why:
    """Return the reason that a step waits for another; one object for all plans."""
    return Why(code, {"step": step})
