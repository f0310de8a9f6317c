"""Gates: checks that the conditions of gates and conflicts can be read, and that both are
complete.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from kitwright.catalogue.checks.conditions import level_problems
from kitwright.catalogue.checks.records import DIAGNOSIS, problem
from kitwright.catalogue.model import GateAction

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from kitwright.catalogue.model import Catalogue, Gate, GateCondition
    from kitwright.catalogue.problems import Problem

NEEDS: Final[dict[GateAction, frozenset[str]]] = {
    GateAction.void: frozenset({"affects"}),
    GateAction.indicative: frozenset({"affects", "power"}),
    GateAction.ask: frozenset(),
    GateAction.do_first: frozenset({"job", "holds"}),
    GateAction.stop: frozenset(),
}
"""The members that each action requires; no others are allowed. One that asks may hold diagnoses,
with `plain`.
"""


def check_gates(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield gates and conflicts that could not be read or acted on."""
    tests = {row.id for row in catalogue.rules.test}
    for conflict in catalogue.rules.conflict:
        label = f"conflict {conflict.id}"
        yield from _conditions(catalogue, label, conflict.when)
        if conflict.retest not in tests:
            message = f"retest: there is no test {conflict.retest!r}"
            yield problem(DIAGNOSIS, label, "test-unknown", message)
        for code in conflict.explained_by:
            if code not in catalogue.diagnoses:
                message = f"explained_by: there is no diagnosis {code!r}"
                yield problem(DIAGNOSIS, label, "diagnosis-unknown", message)
    for test in catalogue.rules.test:
        if test.job is not None and test.job not in catalogue.jobs:
            message = f"there is no job {test.job!r}"
            yield problem(DIAGNOSIS, f"test {test.id}", "job-unknown", message)
    for gate in catalogue.rules.gate:
        label = f"gate {gate.id}"
        yield from _conditions(catalogue, label, gate.when)
        yield from _action(catalogue, label, gate)


def _conditions(
    catalogue: Catalogue, label: str, conditions: Sequence[GateCondition]
) -> Iterator[Problem]:
    if not conditions:
        message = "when must have at least one condition"
        yield problem(DIAGNOSIS, label, "condition-unclear", message)
    for condition in conditions:
        yield from _condition(catalogue, label, condition)


def _condition(catalogue: Catalogue, label: str, condition: GateCondition) -> Iterator[Problem]:
    subjects = (condition.finding, condition.reading, condition.flag)
    if sum(one is not None for one in subjects) != 1:
        message = "a condition must name exactly one of finding, reading and flag"
        yield problem(DIAGNOSIS, label, "condition-unclear", message)
        return
    yield from _tests_of(label, condition)
    if condition.finding is not None:
        finding = {row.id: row for row in catalogue.rules.finding}.get(condition.finding)
        if finding is None:
            message = f"there is no finding {condition.finding!r}"
            yield problem(DIAGNOSIS, label, "finding-unknown", message)
        else:
            named = condition.levels if condition.at_least is None else (condition.at_least,)
            if named:
                yield from level_problems(DIAGNOSIS, label, named, finding.levels)
    readings = {row.id for row in catalogue.rules.reading}
    for name in (condition.reading, condition.above_reading):
        if name is not None and name not in readings:
            message = f"there is no reading {name!r}"
            yield problem(DIAGNOSIS, label, "reading-unknown", message)


def _tests_of(label: str, condition: GateCondition) -> Iterator[Problem]:
    """Yield conditions that do not ask exactly one thing of the finding, reading or flag that they
    name.
    """
    of_finding = {
        "in": bool(condition.levels),
        "at_least": condition.at_least is not None,
        "is_observed": condition.is_observed is not None,
    }
    of_reading = {
        "above": condition.above is not None,
        "below": condition.below is not None,
        "above_reading": condition.above_reading is not None,
    }
    own: dict[str, bool] = {}
    if condition.finding is not None:
        own = of_finding
    elif condition.reading is not None:
        own = of_reading
    asked = sum((of_finding | of_reading).values())
    if asked != sum(own.values()) or (own and asked != 1):
        wanted = f"exactly one of {', '.join(own)}" if own else "nothing besides the flag"
        message = f"{condition.finding or condition.reading or condition.flag}: ask {wanted}"
        yield problem(DIAGNOSIS, label, "condition-unclear", message)


def _action(catalogue: Catalogue, label: str, gate: Gate) -> Iterator[Problem]:
    given = {
        "affects": bool(gate.affects),
        "power": gate.power is not None,
        "job": gate.job is not None,
        "holds": bool(gate.holds),
        "plain": bool(gate.plain),
    }
    needed = NEEDS[gate.action]
    if gate.action is GateAction.ask and gate.holds:
        needed |= {"holds", "plain"}
    for name, is_given in given.items():
        if is_given is not (name in needed):
            verb = "needs" if name in needed else "does not use"
            message = f"action {gate.action} {verb} {name}"
            yield problem(DIAGNOSIS, label, "gate-action-unclear", message)
    known = {row.id for row in catalogue.rules.finding}
    for finding in gate.affects:
        if finding not in known:
            message = f"affects: there is no finding {finding!r}"
            yield problem(DIAGNOSIS, label, "finding-unknown", message)
    for code in gate.holds:
        if code not in catalogue.diagnoses:
            message = f"holds: there is no diagnosis {code!r}"
            yield problem(DIAGNOSIS, label, "diagnosis-unknown", message)
    if gate.job is not None and gate.job not in catalogue.jobs:
        yield problem(DIAGNOSIS, label, "job-unknown", f"there is no job {gate.job!r}")
