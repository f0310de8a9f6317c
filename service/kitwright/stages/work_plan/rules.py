"""Rules: every step that an engine in its chassis may need, and what has to come before each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from functools import cached_property
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.graph import (
    ENGINE_OUT,
    Instance,
    ReferenceUnresolved,
    expand,
    expand_role,
    job_fits,
    resolve_access,
    split_reference,
)
from kitwright.catalogue.model import (
    Catalogue,
    Component,
    Contingency,
    ContingencyId,
    Cylinders,
    JobScope,
    Per,
    Phase,
    RefitWork,
    RoleId,
    Shop,
    Side,
    Tick,
    TickKind,
    VisitWork,
    Where,
    Work,
    WorkKind,
)
from kitwright.catalogue.worth import AddedJob, jobs_added, worth_of
from kitwright.stages.why import place
from kitwright.stages.work import Operation, Teardown

OFF: Final = "off "
ON: Final = "on "
"""How the names of removing and of refitting a component begin; its instance id follows."""

DEBRIS: Final = "debris_heavy"
PREVIOUS: Final = "previous_work"
"""Work that the machine's condition adds."""


class Rule(Struct, frozen=True, kw_only=True):
    """What is known of one step, whichever plan it is in.

    `after` names all steps that come before it, in any plan that has them. `on_bench` says that it
    is done on the bench if the engine is out, unless the plan has any step of `early_for`;
    `part_of` is the component with which it comes to the bench. `commits` says that it is not to
    be begun before all looks are taken. `joined_to` is the step that follows it at once.
    """

    name: str
    after: frozenset[str]
    cylinder: int | None = None
    side: str | None = None
    tools: tuple[str, ...] = ()
    on_bench: bool = False
    early_for: frozenset[str] = frozenset()
    has_place: bool = True
    part_of: str | None = None
    commits: bool = False
    joined_to: str | None = None
    first_unless: frozenset[str] = frozenset()
    takes: str | None = None
    until: str | None = None
    needs_free: tuple[str, ...] = ()


Spelled = Work | RefitWork | VisitWork
"""The records of work in the catalogue."""


class Rules:
    """The steps that an engine in its chassis may need, in a natural order, with what comes before
    each. Compiled once for a teardown, for all plans.
    """

    def __init__(self, catalogue: Catalogue, shop: Shop, teardown: Teardown) -> None:
        self.catalogue = catalogue
        self.shop = shop
        self.family = teardown.family
        self.nodes: Mapping[str, Instance] = teardown.engine.nodes
        self.is_loose = ENGINE_OUT not in self.nodes
        self._before_out = teardown.before_out
        self._after: dict[str, set[str]] = {}
        self._works: dict[str, tuple[Spelled, int | None]] = {}
        self._off_for: dict[str, set[str]] = {}
        self.tick_for: dict[str, frozenset[str]] = {}
        """Unbilled step -> the steps of which a plan has any if it has this one."""
        self.closed_for: dict[str, frozenset[str]] = {}
        """Work on the way down -> what takes off the components that it should have on."""
        self.choosing = tuple(node for node in self.nodes.values() if node.needs_any)
        """The components with an OR group."""
        self.ticks = tuple(filter(self._has_tick, catalogue.ticks.values()))
        """The unbilled steps that the machine may need."""
        self._fits: dict[str, tuple[tuple[RoleId, int | None], ...]] = {}
        self._seen_at: dict[tuple[ContingencyId, int | None], tuple[str, ...]] = {}
        self._added: dict[tuple[int, int | None], tuple[AddedJob, ...]] = {}
        self._worths: dict[tuple[int, int | None], Fraction] = {}
        self._gather_work()
        self._early = self._off_early()
        names = self._names()
        self._after = {name: set() for name in names}
        self._compile_components()
        for name in self._works:
            self._compile_work(name)
        self._compile_ticks()
        self._compile_debris(shop.labour.debris_heavy_visit)
        self.rules: dict[str, Rule] = {name: self._rule(name) for name in names}

    def _has_tick(self, tick: Tick) -> bool:
        """Return whether this machine is one that an unbilled step is for."""
        wanted = [split_reference(one)[0] for one in tick.machine_has]
        return not wanted or any(node.component.id in wanted for node in self.nodes.values())

    def kind_of(self, name: str) -> WorkKind:
        """Return the kind of a piece of work; what the machine's condition adds is work."""
        row, _ = self._works.get(name, (None, None))
        return WorkKind.work if row is None else row.kind

    def seen_at(self, row: ContingencyId, cylinder: int | None) -> tuple[str, ...]:
        """Return the steps at which a contingency of a job on a cylinder may be seen, each once."""
        key = row, cylinder
        if key not in self._seen_at:
            self._seen_at[key] = tuple(dict.fromkeys(self._looks_at(row, cylinder)))
        return self._seen_at[key]

    def jobs_added(self, row: Contingency, cylinder: int | None) -> tuple[AddedJob, ...]:
        """Return the jobs that a find of a job on a cylinder adds, wherever it is found."""
        key = id(row), cylinder
        if key not in self._added:
            add = tuple(
                structs.replace(one, cylinders=Cylinders.all)
                if one.cylinders is Cylinders.one
                else one
                for one in row.add
            )
            anywhere = structs.replace(row, add=add)
            self._added[key] = tuple(jobs_added(self.catalogue, self.family, anywhere, cylinder))
        return self._added[key]

    def _looks_at(self, row: ContingencyId, cylinder: int | None) -> Iterator[str]:
        for reference in self.catalogue.contingencies[row].seen_at:
            if cylinder is None and reference.endswith("@"):
                yield from self._steps_of(f"{reference}*", OFF, None)
            else:
                yield from self._steps_of(reference, OFF, cylinder)

    def worth(self, row: Contingency, cylinder: int | None) -> Fraction:
        """Return about what a find of a job on a cylinder would add to the repair."""
        key = id(row), cylinder
        if key not in self._worths:
            found = worth_of(self.catalogue, self.shop, self.family, row, cylinder)
            self._worths[key] = found
        return self._worths[key]

    def fits(self, name: str) -> tuple[tuple[RoleId, int | None], ...]:
        """Return the roles that a step fits, if they are needed."""
        roles = self._fits.get(name)
        if roles is None:
            roles = tuple(self._fitted_at(name))
            if name in self.rules:
                self._fits[name] = roles
        return roles

    def _fitted_at(self, name: str) -> Iterator[tuple[RoleId, int | None]]:
        count = self.family.cylinders
        node = self.nodes.get(name.removeprefix(ON)) if name.startswith(ON) else None
        references: tuple[str, ...] = ()
        cylinder = None
        if node is not None:
            yield from node.renews
            references, cylinder = node.component.fits, node.cylinder
        elif name in self._works:
            row, cylinder = self._works[name]
            references = row.fits if isinstance(row, Work) else ()
        for reference in references:
            yield from expand_role(reference, cylinder, count)

    def known(self, there: Iterable[str]) -> dict[str, set[str]]:
        """Return what comes before each of the steps of a plan, as far as that is in all plans."""
        steps = {*there}
        return {name: set(self.rule_of(name).after & steps) for name in there}

    def open_at(self, work: str, after: Mapping[str, set[str]]) -> set[str]:
        """Return what opens the engine and can't wait for work on the way down."""
        return all_before(after, [work]) & self.closed_for[work]

    def rule_of(self, name: str) -> Rule:
        """Return what is known of a step; that of sublet work or an added line is free."""
        found = self.rules.get(name)
        return found or Rule(name=name, after=frozenset(), has_place=False)

    def _steps_of(self, reference: str, mark: str, cylinder: int | None) -> Iterator[str]:
        """Yield the steps that a reference means: those of components, or of work by its id."""
        name = reference.rstrip("@*")
        if name == "":
            yield from (f"{mark}{one}" for one in self.nodes)
        elif name in self._by_id:
            same = [one for one in self._by_id[name] if self._works[one][1] in (None, cylinder)]
            yield from same if cylinder is not None else self._by_id[name]
        elif self._is_component(name):
            yield from (f"{mark}{one}" for one in self.components([reference], cylinder))
        elif cylinder is None:
            yield from (place(name, each) for each in (None, *self._cylinders))
        else:
            yield place(name, cylinder)

    def access(self, operation: Operation) -> Iterator[str]:
        """Yield the components that are to come off for a job, those of its visit work too."""
        yield from self.components(operation.job.access, operation.cylinder)
        for name in operation.job.visit:
            yield from self.components(self.catalogue.visit_work[name].access, None)

    @cached_property
    def tests_on_the_way(self) -> frozenset[str]:
        """The steps that test the engine before everything is on again."""
        return frozenset(
            name
            for name, (row, _) in self._works.items()
            if row.kind is WorkKind.test and _phase(row) in (Phase.arrival, Phase.closing)
        )

    def components(self, references: Iterable[str], cylinder: int | None) -> Iterator[str]:
        """Yield the components of this engine that references mean; aliases are looked up."""
        for reference in references:
            name, mark = split_reference(reference)
            named = self._aliases.get(name, name)
            if mark == "@" and cylinder is None:
                mark = "@*"
            for one in expand(named + mark, cylinder, self.family.cylinders):
                if one in self.nodes:
                    yield one

    def _is_component(self, name: str) -> bool:
        return name in self._aliases or name in self.nodes or f"{name}@1" in self.nodes

    @property
    def _cylinders(self) -> range:
        return range(1, self.family.cylinders + 1)

    def _gather_work(self) -> None:
        """Note all work that this engine may need, by instance id, and what its jobs need off."""
        catalogue, family = self.catalogue, self.family
        aliases = catalogue.layouts[family.layout].alias
        self._aliases: dict[str, str] = {row.name: row.component for row in aliases}
        for visit in catalogue.visit_work.values():
            try:
                access = resolve_access(catalogue, family, visit.access, None)
            except ReferenceUnresolved:
                continue
            self._works[visit.id] = (visit, None)
            self._off_for[visit.id] = {*access, *self.components(visit.needs_off, None)}
        for node in self.nodes.values():
            for refit in node.component.refit_work:
                name = place(refit.id, node.cylinder)
                self._works[name] = (refit, node.cylinder)
                self._off_for.setdefault(name, set()).add(node.id)
        for job in catalogue.jobs.values():
            if not job_fits(catalogue, family, job):
                continue
            is_whole = job.scope is JobScope.engine
            for cylinder in (None,) if is_whole else self._cylinders:
                access = resolve_access(catalogue, family, job.access, cylinder)
                for work in job.work:
                    for on in self._done_on(work, cylinder):
                        self._gather(work, on, access)
        self._by_id: dict[str, list[str]] = {}
        for name, (row, _) in self._works.items():
            self._by_id.setdefault(row.id, []).append(name)

    def _done_on(self, work: Work, cylinder: int | None) -> Iterable[int | None]:
        if work.per is Per.visit:
            return (None,)
        return self._cylinders if cylinder is None else (cylinder,)

    def _gather(self, work: Work, cylinder: int | None, access: Iterable[str]) -> None:
        name = place(work.id, cylinder)
        self._works[name] = (work, cylinder)
        needs = self._off_for.setdefault(name, set())
        if work.needs_off:
            needs.update(self.components(work.needs_off, cylinder))
        elif work.phase is Phase.apart:
            needs.update(one for one in access if one in self.nodes)

    def _names(self) -> tuple[str, ...]:
        """Return all steps in a natural order; where nothing else decides, it does."""
        nodes = sorted(
            self.nodes.values(), key=lambda node: (not node.component.is_first, not node.is_chassis)
        )
        phases = {name: _phase(row) for name, (row, _) in self._works.items()}
        ticks = [tick.id for tick in self.ticks]
        last = [tick.id for tick in self.ticks if _is_last(tick)]
        return (
            *(tick for tick in ticks if tick not in last),
            *(name for name, phase in phases.items() if phase is Phase.arrival),
            PREVIOUS,
            *(f"{OFF}{node.id}" for node in nodes),
            *(name for name, phase in phases.items() if phase is Phase.opening),
            DEBRIS,
            *(name for name, phase in phases.items() if phase in (Phase.apart, Phase.closing)),
            *self._sublets(),
            *(f"{ON}{node.id}" for node in reversed(nodes)),
            *(name for name, phase in phases.items() if phase is Phase.finish),
            *last,
        )

    def _sublets(self) -> Iterator[str]:
        """Yield the waits for work that is done outside."""
        found = dict.fromkeys(
            place(job.sublet, cylinder)
            for job in self.catalogue.jobs.values()
            if job.sublet is not None
            for cylinder in ((None,) if job.scope is JobScope.engine else self._cylinders)
        )
        yield from found

    def _compile_components(self) -> None:
        first = [node.id for node in self.nodes.values() if node.component.is_first]
        needed = {one for name in first for one in self._required(name)}
        for name, node in self.nodes.items():
            off, on, component = f"{OFF}{name}", f"{ON}{name}", node.component
            self._before(off, on)
            for need in node.needs_all:
                self._stands_before(need, name)
            if name not in needed:
                for one in first:
                    self._stands_before(one, name)
            for other in self.components(component.refit_after, node.cylinder):
                self._before(f"{ON}{other}", on)
            for other in self.components(component.needs_on, node.cylinder):
                self._before(on, f"{OFF}{other}")
            if self.is_loose or name == ENGINE_OUT:
                continue
            if self._is_on_bench(node):
                self._stands_before(ENGINE_OUT, name)
            elif not node.is_chassis and name not in self._before_out:
                self._before(off, f"{OFF}{ENGINE_OUT}")
                self._before(f"{ON}{ENGINE_OUT}", on)

    def _stands_before(self, need: str, name: str) -> None:
        """Note that one component comes off before another, and goes back on after it."""
        self._before(f"{OFF}{need}", f"{OFF}{name}")
        self._before(f"{ON}{name}", f"{ON}{need}")

    def _before(self, one: str, other: str) -> None:
        self._after[other].add(one)

    def _required(self, name: str) -> Iterator[str]:
        yield name
        for need in self.nodes[name].needs_all:
            yield from self._required(need)

    def _is_on_bench(self, node: Instance) -> bool:
        """Return whether a component comes off on the bench if the engine is out."""
        return (
            not node.is_chassis
            and node.id not in self._before_out
            and node.component.place is not Where.machine
        )

    def _compile_work(self, name: str) -> None:
        row, cylinder = self._works[name]
        phase, needs_off = _phase(row), self._off_for[name]
        for one in needs_off:
            self._before(f"{OFF}{one}", name)
            if phase is not Phase.finish:
                self._before(name, f"{ON}{one}")
        if phase is Phase.opening:
            kept = self.components(row.needs_on, cylinder)
            self.closed_for[name] = frozenset(f"{OFF}{one}" for one in kept)
        for one in self.components(row.needs_on, cylinder):
            if phase is Phase.opening:
                # it depends on the plan what can stay on
                continue
            if phase is Phase.arrival:
                self._before(name, f"{OFF}{one}")
            else:
                self._before(f"{ON}{one}", name)
        for other in row.after:
            for step in self._steps_of(other, OFF, cylinder):
                if step in self._after:
                    self._before(step, name)
        if phase is Phase.arrival:
            self._compile_arrival(name, runs=not isinstance(row, RefitWork) and row.runs)
        elif phase is Phase.finish:
            self._compile_finish(name)
        elif not self.is_loose and self._is_bench_work(row, cylinder, needs_off):
            self._before(f"{OFF}{ENGINE_OUT}", name)
            self._before(name, f"{ON}{ENGINE_OUT}")

    def _is_bench_work(self, row: Spelled, cylinder: int | None, needs_off: set[str]) -> bool:
        """Return whether work is done on the bench if the engine is out: unless something that it
        needs on, or off, is only so in the machine. Work on the way down can do with them off.
        """
        is_opening = _phase(row) is Phase.opening
        needs_on = () if is_opening else self.components(row.needs_on, cylinder)
        on = [self.nodes[one] for one in needs_on]
        off = [self.nodes[one] for one in needs_off]
        return all(map(self._is_on_bench, on)) and not all(
            node.is_chassis and node.id != ENGINE_OUT for node in off
        )

    def _compile_arrival(self, name: str, *, runs: bool) -> None:
        """Note that work comes before all that comes off, apart from what such work needs off."""
        is_apart = self._off_for[name] and not runs
        for one, node in self.nodes.items():
            if not is_apart or not (one in self._early or node.component.is_first):
                self._before(name, f"{OFF}{one}")

    def _off_early(self) -> dict[str, set[str]]:
        """Return the components that come off for work at arrival, each with this work."""
        found: dict[str, set[str]] = {}
        for name, (row, _) in self._works.items():
            if _phase(row) is Phase.arrival:
                for one in self._off_for[name]:
                    for needed in self._required(one):
                        found.setdefault(needed, set()).add(name)
        return found

    def _compile_finish(self, name: str) -> None:
        """Note that work comes after everything is on again and all other work is done."""
        for step in self._after:
            other = self._works.get(step)
            if step.startswith(ON) or (other is not None and _phase(other[0]) is not Phase.finish):
                self._before(step, name)

    def _compile_debris(self, visit: str) -> None:
        """Note that heavy debris is cleaned off right after the visit work that it adds to, and
        that whatever waits for that work waits for it too.
        """
        if visit in self._after:
            for step, after in self._after.items():
                if visit in after and step != DEBRIS:
                    after.add(DEBRIS)
            self._after[DEBRIS] |= {*self._after[visit], visit}

    def _compile_ticks(self) -> None:
        for tick in self.ticks:
            name = tick.id
            self.tick_for[name] = frozenset(self._ticked(tick.for_any))
            for step in self._ticked(tick.after):
                self._before(step, name)
            for step in self._ticked(tick.before):
                self._before(name, step)
            if tick.reach:
                self._compile_reach(tick)
            if _is_last(tick):
                self._after[name].update(step for step in self._after if step != name)

    def _compile_reach(self, tick: Tick) -> None:
        """Note that a step comes before all that comes off, apart from what stands before the
        components that it has to reach, and what comes off first of all.
        """
        wanted = set(self.components(tick.reach, None))
        spared = {one for name in wanted for one in self._required(name)} - wanted
        for name, node in self.nodes.items():
            if name in spared or node.component.is_first:
                self._before(f"{OFF}{name}", tick.id)
            else:
                self._before(tick.id, f"{OFF}{name}")

    def _ticked(self, references: Iterable[str]) -> Iterator[str]:
        """Yield the steps that references of an unbilled step mean."""
        for reference in references:
            if reference.startswith(OFF):
                found = self._steps_of(reference.removeprefix(OFF), OFF, None)
            elif reference.startswith(ON):
                found = self._steps_of(reference.removeprefix(ON), ON, None)
            else:
                found = self._steps_of(reference, OFF, None)
            yield from (step for step in found if step in self._after)

    def _rule(self, name: str) -> Rule:
        after = frozenset(self._after[name] - {name})
        node = self.nodes.get(name.removeprefix(OFF).removeprefix(ON))
        if node is not None:
            return self._rule_of_component(name, node, after)
        if name in self._works:
            return self._rule_of_work(name, after)
        return Rule(name=name, after=after, has_place=False, commits=False)

    def _rule_of_component(self, name: str, node: Instance, after: frozenset[str]) -> Rule:
        component: Component = node.component
        is_off = name.startswith(OFF)
        part_of = next(iter(self.components(_one(component.part_of), node.cylinder)), None)
        is_hold = bool(component.holds) and is_off
        return Rule(
            name=name,
            after=after,
            cylinder=node.cylinder,
            side=_side(component, node.cylinder),
            tools=component.tools,
            on_bench=self._is_on_bench(node),
            early_for=frozenset(self._early.get(node.id, ())) if is_off else frozenset(),
            part_of=part_of,
            commits=not is_off,
            takes=component.holds if is_hold else None,
            until=f"{ON}{node.id}" if is_hold else None,
            needs_free=component.needs_free,
        )

    def _joined_to(self, name: str, row: Spelled) -> str | None:
        """Return the refit that follows work at once."""
        if not isinstance(row, RefitWork) or not row.is_joined:
            return None
        cylinder = self._works[name][1]
        return next(
            f"{ON}{node.id}"
            for node in self.nodes.values()
            if row in node.component.refit_work and node.cylinder == cylinder
        )

    def _first_unless(self, row: Spelled, cylinder: int | None) -> frozenset[str]:
        """Return the steps without which work comes first: those that take off what it adjusts, or
        the engine.
        """
        if _phase(row) is not Phase.closing:
            return frozenset()
        taken = (*self.components(row.needs_on, cylinder), ENGINE_OUT)
        return frozenset(f"{OFF}{one}" for one in taken)

    def _rule_of_work(self, name: str, after: frozenset[str]) -> Rule:
        row, cylinder = self._works[name]
        phase = _phase(row)
        is_apart = phase in (Phase.opening, Phase.apart, Phase.closing)
        part_of = "" if isinstance(row, VisitWork) else row.part_of
        return Rule(
            name=name,
            after=after,
            cylinder=cylinder,
            side=None if cylinder is None else str(cylinder),
            on_bench=is_apart and self._is_bench_work(row, cylinder, self._off_for[name]),
            part_of=next(iter(self.components(_one(part_of), cylinder)), None),
            commits=phase in (Phase.apart, Phase.closing),
            joined_to=self._joined_to(name, row),
            first_unless=self._first_unless(row, cylinder),
            needs_free=() if isinstance(row, RefitWork) else row.needs_free,
        )


def _one(reference: str) -> tuple[str, ...]:
    return (reference,) if reference else ()


def _phase(row: Spelled) -> Phase:
    return Phase.apart if isinstance(row, RefitWork) else row.phase


def _is_last(tick: Tick) -> bool:
    return tick.kind is TickKind.hand_over


def _side(component: Component, cylinder: int | None) -> str | None:
    if cylinder is not None:
        return str(cylinder)
    return None if component.side is Side.none else component.side.value


def all_before(after: Mapping[str, set[str]], names: Iterable[str]) -> set[str]:
    """Return all steps that have to come before some steps."""
    found: set[str] = set()
    waiting = [*names]
    while waiting:
        fresh = after[waiting.pop()] - found
        found |= fresh
        waiting += fresh
    return found


def all_after(
    after: Mapping[str, set[str]], names: Iterable[str], among: Iterable[str]
) -> set[str]:
    """Return those of some steps that have to come after any of others, through these alone."""
    later: dict[str, list[str]] = {}
    for step in among:
        for before in after[step]:
            later.setdefault(before, []).append(step)
    found: set[str] = set()
    waiting = [*names]
    while waiting:
        fresh = [step for step in later.get(waiting.pop(), ()) if step not in found]
        found.update(fresh)
        waiting += fresh
    return found
