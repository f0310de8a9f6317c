"""Rehearsal: the errors of a work plan, found by going through it step by step.

It shares no code with what makes the plan: it reads the catalogue's records by itself, and notes
what is off, what is held and what is done. `check-catalog` rehearses the plan of every job.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import copy
from fractions import Fraction
from itertools import combinations, pairwise

from msgspec import structs

from kitwright.catalogue.graph import ENGINE_OUT, EngineGraph, Instance, job_fits
from kitwright.catalogue.model import (
    Catalogue,
    Component,
    Contingency,
    Cylinders,
    Family,
    JobScope,
    LabourClass,
    Phase,
    RefitWork,
    Shop,
    TickKind,
    VisitWork,
    Where,
    Work,
    WorkKind,
)
from kitwright.catalogue.worth import worth_of
from kitwright.stages.kit import Need
from kitwright.stages.work import Labour, Operation
from kitwright.stages.work_plan import Step, Visit, WorkPlan

Row = Work | RefitWork | VisitWork


def rehearse(
    catalogue: Catalogue,
    shop: Shop,
    family: Family,
    engine: EngineGraph,
    visit: Visit,
    plan: WorkPlan,
) -> tuple[str, ...]:
    """Return what is wrong with the work plan of a visit; empty if hands can follow it.

    Nothing is done before what it needs, no two holds of one kind are open at once, every billed
    minute is in a step or an adjustment, every need is used at one step, and nothing is left off.
    What may show the dearest find is looked at first, if hands can do that.
    """
    walk = _Walk(catalogue, shop, family, engine, visit, plan)
    faults = tuple(walk.go())
    return (
        *faults,
        *walk.untold(),
        *(() if faults else walk.cheap_looks()),
        *_minutes(visit.labour, plan),
        *_needs(visit.needs, plan.steps),
        *_changes(plan),
    )


class _Walk:
    """One walk through a plan, with the state of the engine after each step."""

    def __init__(
        self,
        catalogue: Catalogue,
        shop: Shop,
        family: Family,
        engine: EngineGraph,
        visit: Visit,
        plan: WorkPlan,
    ) -> None:
        self.catalogue = catalogue
        self.shop = shop
        self.engine = engine
        self.visit = visit
        self.plan = plan
        self.family = family
        self.nodes = engine.nodes
        self.steps = plan.steps
        self.operations = visit.operations
        self.to_remove = {removal.instance.id for removal in visit.access.removals}
        self.alias = {row.name: row.component for row in catalogue.layouts[family.layout].alias}
        self.rows = self._rows(visit.operations)
        self.alike: dict[tuple[str, str], list[str]] = {}
        """Mark and component or work -> the steps of it; `*` for all with this mark."""
        for step in plan.steps:
            mark, own = _parsed(step.name)
            self.alike.setdefault((mark, own), []).append(step.name)
            self.alike.setdefault((mark, "*"), []).append(step.name)
        self.names = {step.name for step in plan.steps}
        self.off: set[str] = set()
        self.was_off: set[str] = set()
        self.done: list[str] = []
        self.before_out = self._closure([ENGINE_OUT]) if ENGINE_OUT in self.nodes else set()
        self.changed_first = self._changed_first()
        self.worths = self._worths()

    def go(self) -> Iterator[str]:
        """Yield the errors of the steps in turn, and of what is left at the end."""
        names = [step.name for step in self.steps]
        for name, count in Counter(names).items():
            if count > 1:
                yield f"{name} is done {count} times"
        missing = {f"{mark} {one}" for one in self.to_remove for mark in ("off", "on")}
        missing |= self.rows.keys()
        yield from (f"{name} is missing" for name in sorted(missing - {*names}))
        for step in self.steps:
            yield from (f"{step.name}: {fault}" for fault in self._faults(step))
            self._note(step)
        yield from (f"{one} is left off" for one in sorted(self.off))
        yield from self._looks(names)
        yield from self._changing(names)
        yield from self._adjusting(names)
        yield from self._ticks(names)
        yield from self._joints(names)

    def untold(self) -> Iterator[str]:
        """Yield the finds that are not told at a step where they may be made."""
        for operation in self.operations:
            for row in self._finds(operation):
                at = self._steps_showing(row, operation.cylinder)
                for step in self.steps:
                    if step.name in at and (row.id, operation.cylinder) not in step.reveals:
                        yield f"{step.name} does not say that it may show {row.id}"

    def cheap_looks(self) -> Iterator[str]:
        """Yield looks that could come after one that may show a dearer find, and do not.

        The cheaper look, and what waits for it, is tried after the dearer one. If all of the plan
        is still in order then, it should have been so. Excepted is a look that a third one needs
        which is as dear as the second and does not need that: one of alike cylinders comes first.
        """
        worths = self.worths
        spans = self._spans([step.name for step in self.steps])
        looks: dict[str, tuple[int, list[tuple[int, int]]]] = {
            step.name: (at, [span for span in spans if self._is_under(at, span)])
            for at, step in enumerate(self.steps)
            if step.name in worths
        }
        for (name, (at, held)), (dearer, (end, other)) in combinations(looks.items(), 2):
            if worths[dearer] <= worths[name] or held != other:
                continue
            later, tried = self._put_off(at, end)
            thirds = [
                third
                for one, (third, also) in looks.items()
                if worths[one] >= worths[dearer] and also == held and third not in (at, end)
            ]
            is_needed = dearer in later or any(
                self._needs(third, at) and not self._needs(third, end) for third in thirds
            )
            if not is_needed and not any(True for _ in tried.go()):
                yield f"{name} comes before {dearer}, which may show a dearer find"

    def _is_under(self, step: int, hold: tuple[int, int]) -> bool:
        """Return whether a step sets up a hold or needs it, and does not only happen to be done
        while it is open.
        """
        first, last = hold
        return step == first or (step < last and self._needs(step, first))

    def _needs(self, step: int, earlier: int) -> bool:
        """Return whether a step can't be done without another."""
        return earlier < step and self.steps[step].name in self._put_off(earlier, step)[0]

    def _put_off(self, first: int, last: int) -> tuple[list[str], _Walk]:
        """Return what has to come later if one step comes after another, and a walk of that."""
        walk = self._again(self.steps)
        for step in self.steps[:first]:
            walk._note(step)
        kept, later = [*self.steps[:first]], [self.steps[first]]
        for step in self.steps[first + 1 : last + 1]:
            if any(True for _ in walk._faults(step)):
                later.append(step)
            else:
                walk._note(step)
                kept.append(step)
        steps = (*kept, *later, *self.steps[last + 1 :])
        return [step.name for step in later], self._again(steps)

    def _again(self, steps: Sequence[Step]) -> _Walk:
        """Return a walk from the beginning with the same steps in another order."""
        walk = copy(self)
        walk.plan = structs.replace(self.plan, steps=tuple(steps))
        walk.steps = walk.plan.steps
        walk.off, walk.was_off, walk.done = set(), set(), []
        return walk

    def _joints(self, names: Sequence[str]) -> Iterator[str]:
        """Yield work that its refit does not follow at once."""
        for one in sorted(self.to_remove):
            component = self.nodes[one].component
            joints = {row.id for row in component.refit_work if row.is_joined}
            on = f"on {one}"
            if not joints or on not in names:
                continue
            at = names.index(on)
            told = {name.partition("@")[0] for name in names[max(0, at - len(joints)) : at]}
            yield from (f"{on} does not follow {name} at once" for name in sorted(joints - told))

    def _note(self, step: Step) -> None:
        mark, _, one = step.name.partition(" ")
        if mark == "off":
            self.off.add(one)
            self.was_off.add(one)
        elif mark == "on":
            self.off.discard(one)
        self.done.append(step.name)

    def _rows(self, operations: Sequence[Operation]) -> dict[str, Row]:
        """Return the work that the plan has to have, by the names of its steps."""
        found: dict[str, Row] = {}
        count = self.family.cylinders
        for operation in operations:
            for work in operation.job.work:
                if work.per.value == "visit":
                    found[work.id] = work
                elif operation.cylinder:
                    found[f"{work.id}@{operation.cylinder}"] = work
                else:
                    found |= {f"{work.id}@{one + 1}": work for one in range(count)}
            for visit in operation.job.visit:
                row = self.catalogue.visit_work[visit]
                if row.minutes or row.uses:
                    found[visit] = row
        for name in self.to_remove:
            node = self.nodes[name]
            on = "" if node.cylinder is None else f"@{node.cylinder}"
            found |= {f"{row.id}{on}": row for row in node.component.refit_work}
        return found

    def _faults(self, step: Step) -> Iterator[str]:
        mark, _, one = step.name.partition(" ")
        if mark == "off":
            yield from self._removing(self.nodes[one], step)
        elif mark == "on":
            yield from self._refitting(self.nodes[one], step)
        elif step.name in self.rows:
            yield from self._working(step, self.rows[step.name])

    def _removing(self, node: Instance, step: Step) -> Iterator[str]:
        component = node.component
        if node.id not in self.to_remove:
            yield "nothing needs it off"
        if node.id in self.was_off:
            yield "it was off already"
        yield from (f"{need} is still on" for need in node.needs_all if need not in self.off)
        for group in node.needs_any:
            if self.off.isdisjoint(group):
                yield f"none of {', '.join(group)} is off"
        if component.is_first and self.was_off - self._closure([node.id]) - self.changed_first:
            yield "it is not the first to come off"
        yield from self._held(component, node.id)
        yield from self._keeps_on(node.id)
        yield from self._where(node, step)

    def _refitting(self, node: Instance, step: Step) -> Iterator[str]:
        component = node.component
        if node.id not in self.off:
            yield "it is not off"
        left = self.off - {node.id}
        for other in left:
            needs = self.nodes[other]
            if node.id in needs.needs_all:
                yield f"{other} is still off"
            for group in needs.needs_any:
                if node.id in group and left.isdisjoint(group):
                    yield f"{other} is still off"
        for other in self._spell(component.refit_after, node.cylinder):
            is_to_come = other not in self.was_off and node.id not in self.changed_first
            if other in self.to_remove and (other in self.off or is_to_come):
                yield f"{other} is not on again"
        if component.is_first and left - {
            other for other in left if self.nodes[other].component.is_first
        } - self._closure([node.id]):
            yield "it is not the last to go on"
        yield from self._held(component, node.id)
        yield from self._where(node, step)

    def _held(self, component: Component, name: str) -> Iterator[str]:
        """Yield the holds that are open and must not be."""
        for other in self.off - {name}:
            thing = self.nodes[other].component.holds
            if thing and (thing in component.needs_free or thing == component.holds):
                yield f"{other} holds the {thing}"

    def _keeps_on(self, name: str) -> Iterator[str]:
        for other in {*self.off, name}:
            node = self.nodes[other]
            needs_on = {*self._spell(node.component.needs_on, node.cylinder)}
            if other != name and name in needs_on:
                yield f"{other} needs it on"
            if other == name:
                yield from (f"{one} is off" for one in needs_on & self.off)

    def _where(self, node: Instance, step: Step) -> Iterator[str]:
        """Yield what is wrong with the place of a step: what can be done on the bench while the
        engine is out is done there.
        """
        yield from self._placed(step, node.component.part_of, node.cylinder, node)
        if ENGINE_OUT not in self.to_remove or node.id == ENGINE_OUT:
            return
        is_out = ENGINE_OUT in self.off
        in_machine = (
            node.is_chassis
            or node.id in self.before_out
            or node.component.place is Where.machine
            or (step.name.startswith("off ") and node.id in self._off_early())
        )
        if in_machine and is_out and not node.is_chassis:
            yield "it belongs to the machine, and the engine is out"
        if not in_machine and not is_out:
            yield "it is done with the engine in, though the engine comes out"

    def _placed(
        self, step: Step, part_of: str, cylinder: int | None, node: Instance | None = None
    ) -> Iterator[str]:
        """Yield whether a step is said to be done elsewhere than it is: on the bench is what is
        loose, what is on an engine that is out, and what is on a part that is off.
        """
        is_of_machine = node is not None and (node.is_chassis or node.id == ENGINE_OUT)
        is_loose = ENGINE_OUT not in self.nodes
        is_off = any(one in self.off for one in self._spell([part_of] if part_of else [], cylinder))
        is_out = is_loose or ENGINE_OUT in self.off
        on_bench = is_off or (is_out and not is_of_machine)
        if step.place != ("bench" if on_bench else "machine"):
            yield f"its place is {step.place}"

    def _off_early(self) -> set[str]:
        """Return what comes off for tests before the engine is taken apart."""
        found: set[str] = set()
        for name, row in self.rows.items():
            if not isinstance(row, RefitWork) and row.phase is Phase.arrival:
                found |= self._closure(self._spell(row.needs_off, _cylinder(name)))
        return found

    def _working(self, step: Step, row: Row) -> Iterator[str]:
        cylinder = _cylinder(step.name)
        part_of = "" if isinstance(row, VisitWork) else row.part_of
        yield from self._placed(step, part_of, cylinder)
        phase = Phase.apart if isinstance(row, RefitWork) else row.phase
        needs_on = {*self._spell(row.needs_on, cylinder)}
        if phase is Phase.opening:
            needs_on -= self._opened_for(row, cylinder)
        yield from (f"{one} is off" for one in needs_on & self.off)
        if phase in (Phase.arrival, Phase.opening):
            yield from (f"{one} has been off" for one in needs_on & self.was_off)
        else:
            waiting = (needs_on & self.to_remove) - self.was_off
            yield from (f"{one} has yet to come off" for one in waiting)
        if phase is not Phase.finish:
            needs_off = {*self._needs_off(row, cylinder)} & self.to_remove
            yield from (f"{one} is on" for one in needs_off - self.off)
        early = self._off_early() | self._firsts() | (self.changed_first - self.off)
        if phase is Phase.arrival and self.was_off - early:
            yield "something is off already"
        if phase is Phase.finish and (self.off or self.was_off != self.to_remove):
            yield "not all is on again"
        if not isinstance(row, RefitWork):
            if row.runs and self.off:
                yield "the engine runs with something off"
            for other in self.off:
                if self.nodes[other].component.holds in row.needs_free:
                    yield f"{other} holds the {self.nodes[other].component.holds}"
        for name in self.rows:
            own = self.rows[name]
            is_here = cylinder is None or _cylinder(name) in (None, cylinder)
            if own.id in row.after and is_here and name not in self.done:
                yield f"{name} is not done yet"

    def _opened_for(self, row: Row, cylinder: int | None) -> set[str]:
        """Return what has to be off before work on the way down."""
        needed = {*self._needs_off(row, cylinder)} & self.to_remove
        is_out = ENGINE_OUT in self.to_remove
        return self._closure(needed) | self._off_early() | (self.before_out if is_out else set())

    def _firsts(self) -> set[str]:
        first = [name for name, node in self.nodes.items() if node.component.is_first]
        return self._closure(first)

    def _needs_off(self, row: Row, cylinder: int | None) -> Iterator[str]:
        if isinstance(row, RefitWork):
            for name in self.to_remove:
                node = self.nodes[name]
                if row in node.component.refit_work and node.cylinder == cylinder:
                    yield name
            return
        yield from self._spell(row.needs_off, cylinder)
        if isinstance(row, VisitWork):
            yield from self._spell(row.access, None)
        elif row.phase is Phase.apart and not row.needs_off:
            for operation in self.operations:
                on = operation.cylinder
                if row in operation.job.work and (on is None or cylinder in (None, on)):
                    yield from self._spell(operation.job.access, on)

    def _closure(self, names: Iterable[str]) -> set[str]:
        found: set[str] = set()
        waiting = [*names]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.add(name)
                waiting += self.nodes[name].needs_all
        return found

    def _spell(self, references: Iterable[str], cylinder: int | None) -> Iterator[str]:
        """Yield the components that references mean: `x`, `x@` or `x@*`, or an alias of one."""
        for reference in references:
            name, at, every = reference.partition("@")
            name = self.alias.get(name, name)
            if not at:
                names = [name]
            elif every or cylinder is None:
                names = [f"{name}@{one + 1}" for one in range(self.family.cylinders)]
            else:
                names = [f"{name}@{cylinder}"]
            yield from (one for one in names if one in self.nodes)

    def _looks(self, names: Sequence[str]) -> Iterator[str]:
        """Yield what is worked on or fitted before all that may be found is looked at."""
        at = {name: index for index, name in enumerate(names)}
        spans = self._spans(names)
        early = self._adjusted_first()
        before_tests = self._before_tests()
        for_looking = self._for_looking()
        for look in sorted(self.worths):
            if look not in at:
                continue
            is_held = any(first <= at[look] < last for first, last in spans)
            for name in names[: at[look]]:
                is_fitting = name.startswith("on ")
                row = self.rows.get(name)
                is_work = row is not None and (
                    isinstance(row, RefitWork) or row.phase in (Phase.apart, Phase.closing)
                )
                surrounded = any(first <= at[name] < last for first, last in spans)
                if is_held and (is_fitting or surrounded):
                    # each cylinder is held in its turn
                    continue
                is_spared = name in early or name in before_tests
                if (is_fitting or is_work) and name not in for_looking and not is_spared:
                    yield f"{name} comes before {look}, which may show something"

    def _spans(self, names: Sequence[str]) -> list[tuple[int, int]]:
        """Return from which step until which a hold is open, for all holds."""
        at = {name: index for index, name in enumerate(names)}
        return [
            (at[name], at[on])
            for name in names
            if name.startswith("off ")
            and self.nodes[name.removeprefix("off ")].component.holds
            and (on := f"on {name.removeprefix('off ')}") in at
        ]

    def _adjusted_first(self) -> set[str]:
        """Return the work that adjusts or tests what stays on."""
        found = set()
        for name, row in self.rows.items():
            if not isinstance(row, RefitWork) and row.phase is Phase.closing:
                kept = {*self._spell(row.needs_on, _cylinder(name)), ENGINE_OUT}
                if kept.isdisjoint(self.to_remove):
                    found.add(name)
        return found

    def _changed_first(self) -> set[str]:
        """Return what is to be off and on again before tests, and is there for nothing else."""
        if ENGINE_OUT in self.to_remove or not self._tests():
            return set()
        asked: dict[bool, set[str]] = {True: set(), False: set()}
        for operation in self.operations:
            job = operation.job
            rows = [self.catalogue.visit_work[name] for name in job.visit]
            named = {*self._spell(job.access, operation.cylinder)}
            named |= {one for row in rows for one in self._spell(row.access, None)}
            asked[job.is_before_tests] |= named
        kept = [self.nodes[one] for one in self.to_remove]
        return {
            node.id
            for node in kept
            if node.id in asked[True] - asked[False]
            and not (node.needs_all or node.needs_any or node.component.is_first)
            and not any(
                node.id in (*other.needs_all, *(one for group in other.needs_any for one in group))
                for other in kept
            )
        }

    def _before_tests(self) -> set[str]:
        """Return the refits of what goes first, and the work that is done while it is off."""
        found = {f"on {one}" for one in self.changed_first}
        for name, row in self.rows.items():
            needs = {*self._needs_off(row, _cylinder(name))} & self.to_remove
            if needs and needs <= self.changed_first:
                found.add(name)
        return found

    def _tests(self) -> set[str]:
        """Return the tests of the engine before everything is on again."""
        return {
            name
            for name, row in self.rows.items()
            if row.kind is WorkKind.test
            and not isinstance(row, RefitWork)
            and row.phase in (Phase.arrival, Phase.closing)
        }

    def _changing(self, names: Sequence[str]) -> Iterator[str]:
        """Yield tests, and what else comes off, before what goes first is on again."""
        tests = self._tests()
        first = {f"off {one}" for one in self.changed_first | self._reach_ways()}
        for one in sorted(self.changed_first):
            on = f"on {one}"
            for name in names[: names.index(on)] if on in names else ():
                if name in tests or (name.startswith("off ") and name not in first):
                    yield f"{name} comes before {on}"

    def _reach_ways(self) -> set[str]:
        """Return what stands before the components that unbilled steps have to reach."""
        found: set[str] = set()
        for tick in self.catalogue.ticks.values():
            reach = {*self._spell(tick.reach, None)}
            found |= self._closure(reach) - reach
        return found

    def _adjusting(self, names: Sequence[str]) -> Iterator[str]:
        """Yield what comes off before what stays on is adjusted, without being in the way."""
        early = self._adjusted_first()
        in_the_way = self._firsts() | self._off_early() | self.changed_first
        in_the_way |= self._reach_ways()
        for name, row in self.rows.items():
            is_opening = not isinstance(row, RefitWork) and row.phase is Phase.opening
            if name in early or is_opening:
                in_the_way |= self._closure(self._needs_off(row, _cylinder(name)))
        for name in [*in_the_way]:
            for group in self.nodes[name].needs_any:
                in_the_way |= self._closure(group)
        for one in sorted(early & {*names}):
            for name in names[: names.index(one)]:
                if name.startswith("off ") and name.removeprefix("off ") not in in_the_way:
                    yield f"{name} comes before {one}, which may change what has to be done"

    def _for_looking(self) -> set[str]:
        """Return the looks, and the work without which there is none."""
        wanted = {*self.worths}
        for look in self.worths:
            row = self.rows.get(look)
            if row is not None:
                on = look.partition("@")[2]
                wanted |= {f"{one}@{on}" if on else one for one in row.after}
        return wanted | self._for_sublet({*self.worths})

    def _for_sublet(self, looks: set[str]) -> set[str]:
        """Return the work of jobs whose sublet work may show something."""
        found: set[str] = set()
        for operation in self.operations:
            job, on = operation.job, operation.cylinder
            mark = "" if on is None else f"@{on}"
            if job.sublet is not None and f"{job.sublet}{mark}" in looks:
                found |= {f"{work.id}{mark}" for work in job.work}
        return found

    def _worths(self) -> dict[str, Fraction]:
        """Return the steps at which a contingency of the jobs may be seen, with the worth of the
        dearest.
        """
        found: dict[str, Fraction] = {}
        for operation in self.operations:
            on = operation.cylinder
            for row in self._finds(operation):
                worth = worth_of(self.catalogue, self.shop, self.family, row, on)
                for name in self._steps_showing(row, on):
                    found[name] = max(worth, found.get(name, Fraction(0)))
        return found

    def _finds(self, operation: Operation) -> Iterator[Contingency]:
        """Yield what a job may find that the jobs of the visit don't repair anyway."""
        for row in operation.job.contingency:
            on = operation.cylinder
            wanted: set[tuple[str, int | None]] = set()
            for one in row.add:
                job = None if one.job is None else self.catalogue.jobs[one.job]
                if job is None:
                    wanted.add(("", None))
                elif job_fits(self.catalogue, self.family, job):
                    is_own = one.cylinders is Cylinders.own and on is not None
                    every = [on] if is_own else [*range(1, self.family.cylinders + 1)]
                    is_whole = job.scope is JobScope.engine
                    wanted |= {(job.id, each) for each in ([None] if is_whole else every)}
            if not wanted or not all(self._is_done(*one) for one in wanted):
                yield row

    def _is_done(self, job: str, on: int | None) -> bool:
        """Return whether a job of the visit is, or includes, a job on a cylinder."""
        return any(
            (job == other.job.id or job in other.job.supersedes) and other.cylinder in (None, on)
            for other in self.operations
        )

    def _steps_showing(self, row: Contingency, on: int | None) -> set[str]:
        """Return the steps at which a find of a job on a cylinder may be made."""
        found: set[str] = set()
        for reference in self.catalogue.contingencies[row.id].seen_at:
            found |= {f"off {one}" for one in self._spell([reference], on)}
            marks = [on] if on else range(1, self.family.cylinders + 1)
            found |= {reference, *(f"{reference}@{one}" for one in marks)}
        return found & self.names

    def _ticks(self, names: Sequence[str]) -> Iterator[str]:
        """Yield unbilled steps that are missing, or stand on the wrong side of another step."""
        at = {name: index for index, name in enumerate(names)}
        for tick in self.catalogue.ticks.values():
            causes = [*self._named(tick.for_any, at)]
            wanted = not tick.for_any or bool(causes)
            if tick.if_open:
                opened = [f"off {one}" for one in self._open_at(causes, names)]
                wanted = bool(opened)
                if any(at[name] > at.get(tick.id, len(names)) for name in opened):
                    yield f"{tick.id} comes before something is opened"
            if tick.machine_has and not any(True for one in self._spell(tick.machine_has, None)):
                wanted = False
            if wanted is not (tick.id in at):
                yield f"{tick.id} is {'missing' if wanted else 'for nothing'}"
            if tick.id not in at:
                continue
            for name in self._named(tick.after, at):
                if at[name] > at[tick.id]:
                    yield f"{tick.id} comes before {name}"
            for name in self._named(tick.before, at):
                if at[name] < at[tick.id]:
                    yield f"{tick.id} comes after {name}"
            if tick.kind is TickKind.hand_over and at[tick.id] != len(names) - 1:
                yield f"{tick.id} is not the last step"
            yield from self._reached(tick.id, {*self._spell(tick.reach, None)}, names)

    def _open_at(self, works: Sequence[str], names: Sequence[str]) -> Iterator[str]:
        """Yield what is off at work that should have it on."""
        for work in works:
            row, before = self.rows[work], names[: names.index(work)]
            for one in self._spell(row.needs_on, _cylinder(work)):
                if f"off {one}" in before and f"on {one}" not in before:
                    yield one

    def _reached(self, tick: str, reach: set[str], names: Sequence[str]) -> Iterator[str]:
        """Yield what comes off before a tick without standing in its way."""
        allowed = (self._closure(reach) - reach) | self._firsts() | self.changed_first
        for name in names[: names.index(tick)] if reach else ():
            mark, _, one = name.partition(" ")
            if mark == "off" and one not in allowed:
                yield f"{tick} comes after {name}"

    def _named(self, references: Iterable[str], at: Mapping[str, int]) -> Iterator[str]:
        """Yield the steps of the plan that references of a tick mean."""
        for reference in references:
            mark, _, named = reference.rpartition(" ")
            bare = named.partition("@")[0]
            bare = self.alias.get(bare, bare)
            yield from (name for name in self.alike.get((mark, bare), ()) if name in at)


def _parsed(name: str) -> tuple[str, str]:
    """Return "off", "on" or nothing, and the id of the component or work."""
    mark, _, one = name.rpartition(" ")
    return mark, one.partition("@")[0]


def _cylinder(name: str) -> int | None:
    on = name.partition("@")[2]
    return int(on) if on else None


def _minutes(labour: Labour, plan: WorkPlan) -> Iterator[str]:
    """Yield where steps and adjustments do not add up to what is billed."""
    exact: dict[LabourClass, Fraction] = {}
    for step in plan.steps:
        if step.labour_class is not None:
            exact[step.labour_class] = exact.get(step.labour_class, Fraction(0)) + step.minutes
    billed = {name: minutes * plan.machines for name, minutes in exact.items()}
    for each in labour.classes:
        if billed.get(each.labour_class, 0) != each.exact:
            yield f"{each.labour_class}: the steps do not add up to {each.exact} min"
    for row in plan.adjustments:
        billed[row.labour_class] = billed.get(row.labour_class, Fraction(0)) + row.minutes
    total = sum(billed.values())
    if total != labour.billed:
        yield f"all steps and adjustments add up to {total} min, not {labour.billed}"


def _needs(needs: Iterable[Need], steps: Iterable[Step]) -> Iterator[str]:
    """Yield needs that are used at no step, or at more than one."""
    used = Counter(id(need) for step in steps for need in step.uses)
    for need in needs:
        if used[id(need)] != 1:
            yield f"{need.role} ({need.item}) is used {used[id(need)]} times"


def _changes(plan: WorkPlan) -> Iterator[str]:
    """Yield miscounted changes of place and side."""
    for index, told in enumerate(
        ([step.place for step in plan.steps], [step.side for step in plan.steps])
    ):
        found = [each for each in told if each is not None]
        count = sum(one != other for one, other in pairwise(found))
        if count != plan.changes[index]:
            yield f"{count} changes are counted as {plan.changes[index]}"
    if plan.bound > plan.changes:
        yield "it changes less often than is possible"
