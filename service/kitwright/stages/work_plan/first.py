"""First: what is done before anything else comes off, because what comes later depends on it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from kitwright.catalogue.graph import ENGINE_OUT
from kitwright.stages.work import Operation
from kitwright.stages.work_plan.rules import DEBRIS, OFF, ON, Rules, all_after, all_before

_OUT: Final = f"{OFF}{ENGINE_OUT}"


def clean_first(rules: Rules, after: dict[str, set[str]]) -> None:
    """Note that work on the way down comes before the engine is opened. If something has to be off
    for it that it should have on, this stays off until then, and the unbilled step that covers the
    openings follows it.
    """
    for name in rules.closed_for.keys() & after.keys():
        opened = rules.open_at(name, after)
        cleaning = {name} | ({DEBRIS} if name in after.get(DEBRIS, ()) else set())
        for step in (rules.closed_for[name] & after.keys()) - opened:
            after[step] |= cleaning
        for step in opened:
            after[f"{ON}{step.removeprefix(OFF)}"] |= cleaning
        for tick in rules.ticks:
            if tick.if_open and name in rules.tick_for[tick.id] and tick.id in after:
                after[tick.id] |= opened


def change_first(
    rules: Rules, after: dict[str, set[str]], operations: Sequence[Operation]
) -> set[str]:
    """Note that what jobs `is_before_tests` take off is on again before any test, and before
    anything else comes off that an unbilled step does not need off; return these steps, and all
    that come before them.
    """
    tests = rules.tests_on_the_way & after.keys()
    early: set[str] = set()
    if not tests or _OUT in after:
        return early
    for one in _changed(rules, after, operations):
        off, on = f"{OFF}{one}", f"{ON}{one}"
        component = rules.nodes[one].component
        again = {f"{ON}{other}" for other in rules.components(component.refit_after, None)}
        first = {f"{OFF}{node.id}" for node in rules.nodes.values() if node.component.is_first}
        after[off] -= _later(after, tests) | first
        after[on] -= _later(after, tests) | again
        to_do = all_before(after, [on]) | {on}
        early |= to_do
        for name, befores in after.items():
            is_for_tests = name in rules.tick_for and any(name in after[test] for test in tests)
            if name not in to_do and (name in tests or name.startswith(OFF) or is_for_tests):
                befores.add(on)
    return early


def _later(after: Mapping[str, set[str]], tests: frozenset[str]) -> set[str]:
    """Return the tests, and all that comes after any."""
    return all_after(after, tests, after) | tests


def _changed(
    rules: Rules, after: Mapping[str, set[str]], operations: Sequence[Operation]
) -> Iterator[str]:
    """Yield the components that come off for such jobs alone, and before which nothing does."""
    others = {
        one
        for operation in operations
        if not operation.job.is_before_tests
        for one in rules.access(operation)
    }
    found = {
        one
        for operation in operations
        if operation.job.is_before_tests
        for one in rules.access(operation)
    }
    for one in sorted(found - others):
        node = rules.nodes[one]
        dependents = [
            name for name in after if name.startswith(OFF) and f"{OFF}{one}" in after[name]
        ]
        if not (node.needs_all or node.needs_any or node.component.is_first or dependents):
            yield one


def adjust_first(rules: Rules, after: dict[str, set[str]]) -> set[str]:
    """Note that what adjusts or tests an engine as it is comes before anything comes off that it
    does not need off; return these steps, and all that come before them.
    """
    early = {
        name
        for name in after
        if (unless := rules.rule_of(name).first_unless) and unless.isdisjoint(after)
    }
    to_do = all_before(after, early) | early
    for name in after:
        if name.startswith(OFF) and name not in to_do:
            after[name] |= early
    return to_do
