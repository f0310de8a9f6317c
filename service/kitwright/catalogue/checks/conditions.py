"""Conditions: checks conditions that name findings, backgrounds or the machine's state."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from kitwright.catalogue.checks.records import problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from kitwright.catalogue.model import Condition, DiagnosisRules
    from kitwright.catalogue.problems import Problem

MACHINE_STATE: Final = {"rust": ("none", "light", "heavy")}
"""The states of the machine that a condition may ask for, with their levels."""


def level_problems(
    file: str, label: str, named: Sequence[str], levels: Sequence[str]
) -> Iterator[Problem]:
    """Yield an error for levels that do not exist, and for an empty choice of levels."""
    if not named:
        message = "give the levels: in = [...], of " + ", ".join(levels)
        yield problem(file, label, "condition-unclear", message)
    for level in named:
        if level not in levels:
            known = ", ".join(levels)
            yield problem(file, label, "level-unknown", f"{level!r} is not one of {known}")


def condition_problems(
    rules: DiagnosisRules, file: str, label: str, condition: Condition
) -> Iterator[Problem]:
    """Yield the errors of a condition that raises a contingency's probability."""
    given = (condition.finding, condition.context, condition.condition)
    if sum(one is not None for one in given) != 1:
        message = "a condition must name exactly one of finding, context and condition"
        yield problem(file, label, "condition-unclear", message)
    elif condition.finding is not None:
        levels = {row.id: row.levels for row in rules.finding}.get(condition.finding)
        if levels is None:
            message = f"there is no finding {condition.finding!r}"
            yield problem(file, label, "finding-unknown", message)
        else:
            yield from level_problems(file, label, condition.levels, levels)
    elif condition.condition is not None:
        state = MACHINE_STATE.get(condition.condition)
        if state is None:
            message = f"{condition.condition!r} is not one of " + ", ".join(MACHINE_STATE)
            yield problem(file, label, "machine-state-unknown", message)
        else:
            yield from level_problems(file, label, condition.levels, state)
    elif condition.context not in {row.id for row in rules.background}:
        message = f"there is no background {condition.context!r}"
        yield problem(file, label, "background-unknown", message)
    elif condition.levels:
        yield problem(file, label, "condition-unclear", "a background has no levels")
