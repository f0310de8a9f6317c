"""Looks: the steps at which something may be found, and what has to wait for them."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import Contingency, ContingencyId, Job
from kitwright.stages.work import Operation, includes
from kitwright.stages.work_plan.rules import ON, Rules, all_after, all_before


class Find(Struct, frozen=True, kw_only=True):
    """A find that teardown may show: the row of its job, and the cylinder of the job. `is_own` says
    that the job is one of the visit's, not one that another find adds.
    """

    row: Contingency
    cylinder: int | None
    is_own: bool

    @property
    def key(self) -> tuple[ContingencyId, int | None]:
        """What a step names of it."""
        return self.row.id, self.cylinder


def find_reveals(
    rules: Rules, operations: Sequence[Operation], there: Mapping[str, object]
) -> dict[str, list[Find]]:
    """Return, by step, the finds of the jobs that may be made there. A find of a job that another
    find adds is named where both may be made, such as a head that is beyond resurfacing. Whatever
    the jobs repair anyway is no find.
    """
    found: dict[str, list[Find]] = {}
    ranks = {name: rank for rank, name in enumerate(there)}
    told: set[tuple[str, tuple[ContingencyId, int | None]]] = set()
    waiting: list[tuple[Job, int | None, Container[str]]]
    waiting = [(operation.job, operation.cylinder, there) for operation in operations]
    for job, cylinder, at in waiting:
        for row in job.contingency:
            if _is_repaired(rules, row, cylinder, operations):
                continue
            find = Find(row=row, cylinder=cylinder, is_own=at is there)
            names = [name for name in rules.seen_at(row.id, cylinder) if name in at]
            fresh = {name for name in names if (name, find.key) not in told}
            for name in sorted(fresh, key=ranks.__getitem__):
                told.add((name, find.key))
                found.setdefault(name, []).append(find)
            if fresh:
                waiting += ((*one, fresh) for one in rules.jobs_added(row, cylinder))
    return found


def _is_repaired(
    rules: Rules, row: Contingency, cylinder: int | None, operations: Sequence[Operation]
) -> bool:
    """Return whether jobs already do, or include, all that a find of a job on a cylinder adds."""
    added = [Operation(job=job, cylinder=on) for job, on in rules.jobs_added(row, cylinder)]
    return (
        bool(added)
        and all(one.job is not None for one in row.add)
        and all(
            any(other.key == one.key or includes(other, one) for other in operations)
            for one in added
        )
    )


def find_held(rules: Rules, after: dict[str, set[str]]) -> dict[str, set[str]]:
    """Return the steps under holds, each with the steps that set these up. To set up a hold is a
    step under it.
    """
    held: dict[str, set[str]] = {}
    for name in after:
        rule = rules.rule_of(name)
        until = rule.until
        if rule.takes is not None and until is not None and until in after:
            held.setdefault(name, set()).add(name)
            # what comes before the end and after the beginning
            before = all_before(after, [until])
            for step in all_after(after, [name], before):
                held.setdefault(step, set()).add(name)
    return held


def look_first(
    rules: Rules,
    after: dict[str, set[str]],
    all_looks: set[str],
    held: Mapping[str, set[str]],
    early: set[str],
) -> None:
    """Note that nothing is fitted and no part worked on before all that may be found is looked at.

    What has to be done in order to look is excepted, and what is done first of all. So are looks
    under a hold: each cylinder is held in its turn, and finished before the next. Only work that no
    hold surrounds waits for them.
    """
    holds = [rules.rule_of(name) for name in held if name in after]
    ends = all_before(after, [rule.until for rule in holds if rule.takes and rule.until])
    looks = {name for name in all_looks if name not in held}
    to_look = all_before(after, looks) | looks | early
    held_looks = all_looks - looks
    to_look_held = all_before(after, held_looks) | held_looks
    for name, befores in after.items():
        if not rules.rule_of(name).commits or name in to_look:
            continue
        befores |= looks
        if not name.startswith(ON) and name not in to_look_held and name not in ends:
            befores |= held_looks


def dearest_first(
    after: dict[str, set[str]], worths: Mapping[str, Fraction], held: Mapping[str, set[str]]
) -> None:
    """Note that a look that may show a dearer find comes before another that it does not need.

    Excepted is another that a third look needs which is as dear, so that alike cylinders are left
    to the fewest changes. The rule holds among looks without a hold, and among those under the same
    ones: each cylinder is held in its turn.
    """
    ranked = sorted(worths, key=lambda name: -worths[name])
    befores: dict[str, set[str]] = {}
    for rank, look in enumerate(ranked):
        for dearer in ranked[:rank]:
            if worths[dearer] == worths[look] or held.get(dearer) != held.get(look):
                continue
            as_dear = [
                name
                for name in ranked[:rank]
                if worths[name] >= worths[dearer] and held.get(name) == held.get(look)
            ]
            for name in as_dear:
                if name not in befores:
                    befores[name] = all_before(after, [name])
            is_needed = look in befores[dearer] or any(
                look in befores[name] and dearer not in befores[name]
                for name in as_dear
                if name != dearer
            )
            if not is_needed and dearer not in after[look]:
                after[look].add(dearer)
                # what comes before other looks may have changed
                befores.clear()
