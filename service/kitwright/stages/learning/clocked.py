"""Clocked: what was clocked on a finished quote beside what its steps were estimated at, by group
of steps and labour class.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import FamilyId, LabourClass
from kitwright.stages.work import Group, PaceKey


class PlannedStep(Struct, frozen=True, kw_only=True):
    """A step of a work plan, with the catalogue's minutes for all machines. An unbilled step and
    an added line have no labour class.
    """

    name: str
    group: Group
    labour_class: LabourClass | None
    minutes: Fraction


class ClockedTime(Struct, frozen=True, kw_only=True):
    """Minutes of a mechanic on one step, or on a group of steps if `step` is None. `is_forgotten`
    says that nobody stopped the clock, nor corrected it.
    """

    group: str
    step: str | None
    minutes: int
    is_forgotten: bool = False


class GroupMinutes(Struct, frozen=True, kw_only=True):
    """Minutes of one finished quote: estimated by the catalogue, and clocked. `is_shared` says that
    several labour classes were clocked together, so that the minutes of each are a share.
    """

    key: PaceKey
    estimated: Fraction
    clocked: Fraction
    is_shared: bool


class Worked(Struct, frozen=True, kw_only=True):
    """A finished quote: its number, and the groups of which both sides are known. `left_out` counts
    groups with a forgotten clock.
    """

    quote: int
    family: FamilyId
    groups: tuple[GroupMinutes, ...]
    left_out: int = 0


def compare_minutes(
    quote: int, family: FamilyId, steps: Iterable[PlannedStep], clocked: Collection[ClockedTime]
) -> Worked:
    """Return what was clocked on a quote beside what was estimated.

    Minutes clocked on a step are of its labour class. Those clocked on a group are of all its steps
    that were not clocked by themselves, shared by their estimated minutes. If no time was clocked
    on the group, only the steps count that were clocked by themselves. A group with nothing clocked
    was not recorded, so it is not compared; nor is one with a forgotten clock.
    """
    by_group: dict[Group, list[PlannedStep]] = defaultdict(list)
    for step in steps:
        by_group[step.group].append(step)
    forgotten = {one.group for one in clocked if one.is_forgotten}
    found: list[GroupMinutes] = []
    for group, own in by_group.items():
        if group not in forgotten:
            times = [one for one in clocked if one.group == group]
            found += _compared(family, group, own, times)
    return Worked(
        quote=quote,
        family=family,
        groups=tuple(sorted(found, key=lambda one: one.key)),
        left_out=len(forgotten & by_group.keys()),
    )


def _compared(
    family: FamilyId, group: Group, steps: list[PlannedStep], times: Iterable[ClockedTime]
) -> Iterable[GroupMinutes]:
    """Yield the minutes of a group by labour class."""
    billed = {step.name: step for step in steps if step.minutes}
    alone: dict[str, int] = defaultdict(int)
    together, unbilled = 0, 0
    for time in times:
        if time.step is None:
            together += time.minutes
        elif time.step in billed:
            alone[time.step] += time.minutes
        else:
            unbilled += time.minutes
    covers_group = together > 0
    if covers_group:
        # looking and waiting are a part of the group's time
        together += unbilled
    rest = [step for step in billed.values() if step.name not in alone]
    # all steps were clocked by themselves, so the group's time is shared by all
    shared = _by_class(rest or billed.values()) if covers_group else {}
    estimated = _by_class(step for step in billed.values() if covers_group or step.name in alone)
    minutes: dict[LabourClass | None, Fraction] = defaultdict(Fraction)
    for name, more in alone.items():
        minutes[billed[name].labour_class] += more
    whole = sum(shared.values(), Fraction(0))
    for labour_class, part in shared.items():
        minutes[labour_class] += together * part / whole
    for labour_class, own in estimated.items():
        if labour_class is not None and minutes[labour_class]:
            yield GroupMinutes(
                key=PaceKey(family, group, labour_class),
                estimated=own,
                clocked=minutes[labour_class],
                is_shared=labour_class in shared and len(shared) > 1,
            )


def _by_class(steps: Iterable[PlannedStep]) -> Mapping[LabourClass | None, Fraction]:
    minutes: dict[LabourClass | None, Fraction] = defaultdict(Fraction)
    for step in steps:
        minutes[step.labour_class] += step.minutes
    return minutes
