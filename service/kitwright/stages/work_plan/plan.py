"""Work plan: all steps of a visit in an order that one technician can follow.

Every billed minute is in a step, every need is used at one, and whatever comes off goes back on.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Hashable, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import cache
from typing import Any, Final

from msgspec import Struct, field, structs

from kitwright.catalogue.graph import ENGINE_OUT, Instance
from kitwright.catalogue.model import (
    Contingency,
    ContingencyId,
    HazardId,
    Job,
    LabourClass,
    OtherHold,
    Shop,
)
from kitwright.catalogue.worth import jobs_added
from kitwright.solve.sequence import Entry, Order, order_items
from kitwright.stages.kit import Need, NeedKind
from kitwright.stages.request import MinutesOverride, Terms
from kitwright.stages.why import Why, place
from kitwright.stages.work import AccessPlan, Labour, Operation
from kitwright.stages.work_plan.rules import OFF, ON, Rule, Rules
from kitwright.units import exact

MACHINE: Final = "machine"
BENCH: Final = "bench"
"""The places of steps: in the machine, or on the bench."""

_OUT: Final = f"{OFF}{ENGINE_OUT}"

_FREE: Final = Why("step-free")

HAND: Final = "hand "
"""How the name of a step begins that the counter added; the number of its line follows."""

_TIMES: Final = {"minute": 1, "hour": 60}
"""The units of labour on added lines, in minutes."""


class Step(Struct, frozen=True, kw_only=True):
    """One step of a visit, on one machine.

    Attributes:
        name: `off x` or `on x` of a component instance, an instance id of work, the id of an
            unbilled step, or `hand n` for the line n that the counter added, from 1.
        kind: remove, hold, release, refit, refill, work, check, test, wait or hand_over.
        cylinder: its cylinder, None if it is on the engine.
        place: `machine` or `bench`; None if it is done wherever one is.
        side: the cylinder or the side of the engine that one works at; None if it has none.
        labour_class: whose minutes; None for unbilled steps and added lines.
        minutes: exact.
        elapsed: minutes that an unbilled wait takes, None if they are to be looked up.
        days: working days that a wait for sublet work takes.
        instance: the component that comes off or goes back on, None for other steps.
        other_hold: how valves are held instead, if their cylinder is not known to hold air.
        text: the words of an unbilled step, or of an added line; other steps are named by ids.
        hazards: the cautions of the step.
        uses: the needs that are fitted or used up at this very step.
        reveals: the contingencies that may be seen here, each with the cylinder of its job.
        why: why it stands here, and no earlier.
        rule: what all plans have in common of it; None for sublet work and added lines.
    """

    name: str
    kind: str
    cylinder: int | None
    place: str | None
    side: str | None
    labour_class: LabourClass | None
    minutes: Fraction
    instance: Instance | None = None
    other_hold: OtherHold | None = None
    text: str = ""
    hazards: tuple[HazardId, ...] = ()
    elapsed: int | None = None
    days: int | None = None
    uses: tuple[Need, ...] = ()
    reveals: tuple[tuple[ContingencyId, int | None], ...] = ()
    why: Why
    rule: Rule | None = None


class Adjustment(Struct, frozen=True):
    """Billed minutes of a labour class that are not in a step, for all machines: rounding, the
    counter's own minutes, or the bench minimum. They may be negative.
    """

    labour_class: LabourClass
    minutes: Fraction
    why: Why


class WorkPlan(Struct, frozen=True, kw_only=True):
    """All steps of a visit on one machine, in order.

    `changes` says how often place, side and tool change, in this order; `bound` what is known of
    the fewest possible changes. They are equal if no valid order has fewer. The exact minutes of a
    class, times `machines`, and its adjustments add up to its billed minutes.

    `token` is its own, so that what is told of a plan can be cached under it.
    """

    steps: tuple[Step, ...]
    adjustments: tuple[Adjustment, ...]
    changes: tuple[int, ...]
    bound: tuple[int, ...]
    machines: int
    token: object = field(default_factory=object)

    @property
    def held(self) -> frozenset[int]:
        """The cylinders whose valves are held as if they were not known to hold air."""
        return frozenset(
            step.cylinder
            for step in self.steps
            if step.other_hold is not None and step.cylinder is not None
        )

    @property
    def is_least(self) -> bool:
        """Whether no valid order changes place, side and tool less often."""
        return self.changes == self.bound


class Visit(Struct, frozen=True, kw_only=True):
    """The work of a visit that its plan has to contain."""

    operations: tuple[Operation, ...]
    access: AccessPlan
    labour: Labour
    needs: tuple[Need, ...]


class _Draft(Struct, kw_only=True):
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


class Arranged(Struct, frozen=True, kw_only=True):
    """The order of some steps, and of each its place, its reason, and what it may show."""

    order: Order[str]
    places: dict[str, str | None]
    why: dict[str, Why]
    reveals: dict[str, tuple[tuple[ContingencyId, int | None], ...]]


class _Find(Struct, frozen=True, kw_only=True):
    """A find that teardown may show: the row of its job, and the cylinder of the job. `is_own` says
    that the job is one of the visit's, not one that another find adds.
    """

    row: Contingency
    cylinder: int | None
    is_own: bool

    @property
    def key(self) -> tuple[ContingencyId, int | None]:
        return self.row.id, self.cylinder


Remember = Callable[[Hashable, Callable[[], Arranged]], Arranged]
"""Returns what is known of a question, or what the function works out."""


def plan_work(
    shop: Shop,
    rules: Rules,
    visit: Visit,
    terms: Terms,
    sound: frozenset[int] = frozenset(),
    remember: Remember = lambda _, work_out: work_out(),
) -> WorkPlan:
    """Return the work plan of a visit. `sound` are the cylinders that are known to hold air.
    `remember` returns the order that was found for some steps before, or works it out.

    Raises: Circle, Clash, if the catalogue's rules contradict one another: `check-catalog` finds
    that.
    """
    drafts = {draft.name: draft for draft in _drafts(rules, visit, terms, sound)}
    drafts |= {draft.name: draft for draft in _sublets(shop, visit.operations)}
    drafts |= {draft.name: draft for draft in _ticks(rules, drafts)}
    question = (
        tuple(drafts),
        tuple(operation.key for operation in visit.operations),
        frozenset(draft.cylinder for draft in drafts.values() if draft.other_hold is not None),
    )
    arranged = remember(question, lambda: _arrange(rules, drafts, visit.operations))
    used = _used(rules, arranged.order.items, visit.needs)
    steps = tuple(
        Step(
            **structs.asdict(drafts[name]),
            place=arranged.places[name],
            side=_rule(rules, name).side,
            uses=tuple(used.get(name, ())),
            reveals=arranged.reveals.get(name, ()),
            why=arranged.why[name],
            rule=rules.rules.get(name),
        )
        for name in arranged.order.items
    )
    return WorkPlan(
        steps=steps,
        adjustments=tuple(_adjustments(visit.labour, terms)),
        changes=arranged.order.changes,
        bound=arranged.order.bound,
        machines=terms.machines,
    )


def _arrange(
    rules: Rules, drafts: Mapping[str, _Draft], operations: Sequence[Operation]
) -> Arranged:
    there = set(drafts)
    known = [name for name in rules.rules if name in there]
    known += [name for name in drafts if name not in rules.rules]
    reveals = _reveals(rules, operations, drafts)
    after = {name: set(_rule(rules, name).after & there) for name in known}
    _choose_branches(rules, after)
    _add_sublets(rules, after, operations)
    _add_by_hand(after)
    early = _adjust_first(rules, after)
    held = _held(rules, after)
    _look_first(rules, after, {*reveals}, held, early)
    worths = {
        name: max(rules.worth(find.row, find.cylinder) for find in finds if find.is_own)
        for name, finds in reveals.items()
    }
    _dearest_first(after, worths, held)
    places = {name: _place(rules, name, there) for name in known}
    for name in known:
        if not _rule(rules, name).early_for.isdisjoint(there):
            after[name].discard(_OUT)
    joined = _joined(rules, known)
    whole = _as_blocks(after, joined)
    entries = {}
    for name in whole:
        rule, other = _rule(rules, name), drafts[name].other_hold
        tools = ", ".join(rule.tools if other is None else other.tools) or None
        entries[name] = Entry(
            after=tuple(whole[name]),
            labels=(places[name], rule.side, tools),
            takes=rule.takes,
            until=rule.until,
            needs_free=rule.needs_free,
        )
    order = _apart(order_items(entries), joined)
    ranks = {name: rank for rank, name in enumerate(order.items, start=1)}
    return Arranged(
        order=order,
        places=places,
        why={name: _why(after[name], ranks, reveals) for name in known},
        reveals={name: tuple(find.key for find in finds) for name, finds in reveals.items()},
    )


def _joined(rules: Rules, known: Iterable[str]) -> dict[str, str]:
    """Return the steps that another one follows at once, each with that one."""
    found = {}
    for name in known:
        refit = _rule(rules, name).joined_to
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
        block.update((joined.get(one, one), None) for one in befores)
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


def _rule(rules: Rules, name: str) -> Rule:
    found = rules.rules.get(name)
    return found or Rule(name=name, after=frozenset(), has_place=False)


def _drafts(rules: Rules, visit: Visit, terms: Terms, sound: frozenset[int]) -> Iterator[_Draft]:
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
        yield _Draft(
            name=f"{OFF}{node.id}",
            kind="hold" if is_hold else "remove",
            minutes=removal.remove,
            **shared,
        )
        kind = "release" if is_hold else "refill" if component.refills else "refit"
        yield _Draft(name=f"{ON}{node.id}", kind=kind, minutes=removal.refit, **shared)
    for task in visit.labour.tasks:
        # visit work without minutes only asks for its access
        if task.kind == "access" or (task.kind == "visit" and not task.minutes and not task.uses):
            continue
        yield _Draft(
            name=task.name,
            kind=rules.kind_of(task.name).value,
            minutes=task.minutes,
            labour_class=task.labour_class,
            cylinder=task.cylinder,
            hazards=task.hazards,
        )
    yield from _by_hand(terms)


def _by_hand(terms: Terms) -> Iterator[_Draft]:
    for number, line in enumerate(terms.free_lines, start=1):
        if line.kind in ("labour", "part", "consumable"):
            minutes = exact(line.quantity) * _TIMES.get(line.unit, 0)
            is_time = line.kind == "labour"
            yield _Draft(
                name=f"{HAND}{number}",
                kind="work",
                text=line.description,
                minutes=minutes / terms.machines if is_time else Fraction(0),
            )


def _sublets(shop: Shop, operations: Sequence[Operation]) -> Iterator[_Draft]:
    for operation in operations:
        service = operation.job.sublet
        if service is not None:
            yield _Draft(
                name=place(service, operation.cylinder),
                kind="wait",
                minutes=Fraction(0),
                cylinder=operation.cylinder,
                days=shop.sublet[service].days,
            )


def _ticks(rules: Rules, there: Mapping[str, _Draft]) -> Iterator[_Draft]:
    for tick in rules.ticks:
        if not tick.for_any or not rules.tick_for[tick.id].isdisjoint(there):
            yield _Draft(
                name=tick.id,
                kind=tick.kind.value,
                minutes=Fraction(0),
                text=tick.name,
                hazards=tick.hazards,
                elapsed=tick.elapsed_minutes,
            )


def _reveals(
    rules: Rules, operations: Sequence[Operation], there: Mapping[str, object]
) -> dict[str, list[_Find]]:
    """Return, by step, the finds of the jobs that may be made there. A find of a job that another
    find adds is named where both may be made, such as a head that is beyond resurfacing.
    """
    found: dict[str, list[_Find]] = {}
    waiting: list[tuple[Job, int | None, Container[str]]]
    waiting = [(operation.job, operation.cylinder, there) for operation in operations]
    for job, cylinder, at in waiting:
        for row in job.contingency:
            find = _Find(row=row, cylinder=cylinder, is_own=at is there)
            kind = rules.catalogue.contingencies[row.id]
            names = {name for name in rules.seen_at(kind.seen_at, cylinder) if name in at}
            fresh = {name for name in names if find.key not in _keys(found.get(name, ()))}
            for name in there:
                if name in fresh:
                    found.setdefault(name, []).append(find)
            if fresh:
                added = jobs_added(rules.catalogue, rules.family, row, cylinder)
                waiting += ((*one, fresh) for one in added)
    return found


def _keys(finds: Iterable[_Find]) -> list[tuple[ContingencyId, int | None]]:
    return [find.key for find in finds]


def _choose_branches(rules: Rules, after: dict[str, set[str]]) -> None:
    """Note one branch that stands before each component with an OR group: the first in the plan."""
    for node in rules.choosing:
        off, on = f"{OFF}{node.id}", f"{ON}{node.id}"
        if off in after:
            for group in node.needs_any:
                branch = next(one for one in group if f"{OFF}{one}" in after)
                after[off].add(f"{OFF}{branch}")
                after[f"{ON}{branch}"].add(on)


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
                if step.startswith(OFF) and _rule(rules, step).part_of == one:
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


def _adjust_first(rules: Rules, after: dict[str, set[str]]) -> set[str]:
    """Note that what adjusts or tests an engine as it is comes before anything comes off that it
    does not need off; return these steps, and all that come before them.
    """
    early = {
        name
        for name in after
        if (unless := _rule(rules, name).first_unless) and unless.isdisjoint(after)
    }
    to_do = _before(after, early) | early
    for name in after:
        if name.startswith(OFF) and name not in to_do:
            after[name] |= early
    return to_do


def _held(rules: Rules, after: dict[str, set[str]]) -> dict[str, set[str]]:
    """Return the steps under holds, each with the steps that set these up. To set up a hold is a
    step under it.
    """
    held: dict[str, set[str]] = {}
    for name in after:
        rule = _rule(rules, name)
        until = rule.until
        if rule.takes is not None and until is not None and until in after:
            held.setdefault(name, set()).add(name)
            for step in _before(after, [until]):
                if name in _before(after, [step]):
                    held.setdefault(step, set()).add(name)
    return held


def _look_first(
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
    holds = [_rule(rules, name) for name in held if name in after]
    ends = _before(after, [rule.until for rule in holds if rule.takes and rule.until])
    looks = {name for name in all_looks if name not in held}
    to_look = _before(after, looks) | looks | early
    held_looks = all_looks - looks
    to_look_held = _before(after, held_looks) | held_looks
    for name, befores in after.items():
        if not _rule(rules, name).commits or name in to_look:
            continue
        befores |= looks
        if not name.startswith(ON) and name not in to_look_held and name not in ends:
            befores |= held_looks


def _dearest_first(
    after: dict[str, set[str]], worths: Mapping[str, Fraction], held: Mapping[str, set[str]]
) -> None:
    """Note that a look that may show a dearer find comes before another that it does not need.

    Excepted is another that a third look needs which is as dear, so that alike cylinders are left
    to the fewest changes. The rule holds among looks without a hold, and among those under the same
    ones: each cylinder is held in its turn.
    """
    ranked = sorted(worths, key=lambda name: -worths[name])
    for rank, look in enumerate(ranked):
        for dearer in ranked[:rank]:
            if worths[dearer] == worths[look] or held.get(dearer) != held.get(look):
                continue
            as_dear = [
                name
                for name in ranked[:rank]
                if worths[name] >= worths[dearer] and held.get(name) == held.get(look)
            ]
            befores = {name: _before(after, [name]) for name in as_dear}
            is_needed = look in befores[dearer] or any(
                look in found and dearer not in found
                for name, found in befores.items()
                if name != dearer
            )
            if not is_needed:
                after[look].add(dearer)


def _before(after: Mapping[str, set[str]], names: Iterable[str]) -> set[str]:
    """Return all steps that have to come before some steps."""
    found: set[str] = set()
    waiting = [*names]
    while waiting:
        fresh = after[waiting.pop()] - found
        found |= fresh
        waiting += fresh
    return found


def _place(rules: Rules, name: str, there: set[str]) -> str | None:
    rule = _rule(rules, name)
    if not rule.has_place:
        return None
    if rules.is_loose:
        return BENCH
    if rule.on_bench and _OUT in there and rule.early_for.isdisjoint(there):
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


def _used(rules: Rules, order: Sequence[str], needs: Sequence[Need]) -> dict[str, list[Need]]:
    """Return, by step, the needs that are fitted or used up there; each at one step."""
    fitted: dict[tuple[str, int | None], str] = {}
    last = next((name for name in reversed(order) if _rule(rules, name).commits), order[-1])
    for name in order:
        for role in rules.fits(name):
            fitted[role] = name
    found: dict[str, list[Need]] = {}
    for need in needs:
        if need.kind is NeedKind.used:
            name = place(need.role, need.cylinder)
        else:
            # the catalogue's checks find roles that no step fits
            name = fitted.get((need.role, need.cylinder), last)
        found.setdefault(name, []).append(need)
    return found


def _adjustments(labour: Labour, terms: Terms) -> Iterator[Adjustment]:
    is_changed = any(isinstance(each, MinutesOverride) for each in terms.overrides)
    code = "minutes-set-by-hand" if is_changed else "rounded-up"
    for each in labour.classes:
        if each.billed != each.exact:
            yield Adjustment(each.labour_class, each.billed - each.exact, Why(code))
    minimum = sum(each.minutes for each in labour.bench_minimum)
    if minimum:
        labour_class = labour.bench_minimum[0].labour_class
        yield Adjustment(labour_class, Fraction(minimum), Why("bench-minimum-added"))
