"""Access plan: the components to remove so that every job can be done, each component once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from math import lcm

from msgspec import Struct

from kitwright.catalogue.graph import (
    ENGINE_OUT,
    EngineGraph,
    Instance,
    instances,
    resolve_access,
)
from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    Component,
    Family,
    LabourClass,
    Shop,
)
from kitwright.solve.closure import (
    ClosedSet,
    Graph,
    Node,
    Search,
    Unreachable,
    Weighed,
    removal_order,
)
from kitwright.stages.request import Rust
from kitwright.stages.why import Fact, Why
from kitwright.stages.work.estimates import CATALOGUE_PACE, REFIT, TEARDOWN, FamilyPace
from kitwright.stages.work.job import Operation, OperationKey
from kitwright.units import exact


class Removal(Struct, frozen=True, kw_only=True):
    """One component instance of a plan, with its exact minutes; factors and the family's ratio are
    applied.

    `access` is `remove` plus `refit`. `work` is the bench work of its refit, with the shop's pace
    alone.
    """

    instance: Instance
    remove: Fraction
    refit: Fraction
    access: Fraction
    work: Fraction
    why: tuple[Why, ...]


class AccessPlan(Struct, frozen=True, kw_only=True):
    """The components to remove, in order; refit is the reverse.

    `minutes` is exact: the sum of removing, refitting and the bench work of refitting;
    `by_elements` is what of removing and refitting follows from fasteners. `engine_out` says
    whether the plan takes the engine out of a chassis.
    """

    removals: tuple[Removal, ...]
    minutes: Fraction
    by_elements: Fraction
    engine_out: bool


class Minutes(Struct, frozen=True):
    """A component's exact minutes: removing and refitting with all factors, their sum, and the
    bench work of its refit, in all and each.
    """

    remove: Fraction
    refit: Fraction
    access: Fraction
    work: Fraction
    works: tuple[Fraction, ...]


class _Ways(Struct, frozen=True):
    """The minutes and search for one state of rust, with the engine in the frame or out of it.

    `by_class` has the minutes of each component and of its refit's work by labour class, as whole
    numbers over `scale`.
    """

    minutes: dict[str, Minutes]
    search: Search[str]
    by_class: dict[str, tuple[tuple[LabourClass, int], ...]]
    scale: int


class Way(Struct, frozen=True):
    """The least components to remove for some targets, their exact minutes with the work of
    refitting, in all and by labour class (whole numbers over `scale`), and whether the engine is
    taken out.
    """

    items: tuple[str, ...]
    minutes: Fraction
    by_class: Mapping[LabourClass, int]
    scale: int
    engine_out: bool


class Teardown:
    """One engine in one chassis, compiled for one shop: instances, precedence graph, minutes.

    `pace` has the shop's own factors of minutes. Minutes and searches are compiled once for each
    state of rust, with the engine in and out.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        shop: Shop,
        family: Family,
        chassis: Chassis | None,
        pace: FamilyPace = CATALOGUE_PACE,
    ) -> None:
        self.catalogue = catalogue
        self.family = family
        self.pace = pace
        self.engine: EngineGraph = instances(catalogue, family, chassis)
        self.graph: Graph[str] = Graph(
            {
                key: Node(needs_all=node.needs_all, needs_any=node.needs_any)
                for key, node in self.engine.nodes.items()
            }
        )
        self.has_engine_out = ENGINE_OUT in self.engine.nodes
        """Whether there is a chassis to take the engine out of."""
        self._labour = shop.labour
        self._cramped = exact(chassis.cramped_factor) if chassis is not None else Fraction(1)
        self.before_out = (
            self.graph.required(ENGINE_OUT) if self.has_engine_out else frozenset[str]()
        )
        """What comes off before the engine comes out, and the engine itself."""
        self._ways: dict[tuple[Rust, bool], _Ways] = {}
        self._targets: dict[OperationKey, frozenset[str]] = {}
        self._found: dict[tuple[frozenset[str], Rust], Way] = {}
        self._orders: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._because: dict[OperationKey, Why] = {}
        self._needs = {
            key: {
                need: Why("stands-before", {"component": key})
                for need in (*node.needs_all, *(one for group in node.needs_any for one in group))
            }
            for key, node in self.engine.nodes.items()
        }

    def ways(self, rust: Rust, *, is_out: bool) -> _Ways:
        """Return the compiled ways with the engine in the frame or out of it."""
        ways = self._ways.get((rust, is_out))
        if ways is None:
            minutes = {
                key: self._of(node, rust, is_out=is_out) for key, node in self.engine.nodes.items()
            }
            sums = {key: each.access + each.work for key, each in minutes.items()}
            stays = [ENGINE_OUT] if self.has_engine_out and not is_out else []
            search = Search(Weighed(self.graph, sums), without=stays)
            exactly = (one for each in minutes.values() for one in (each.access, *each.works))
            scale = lcm(*(one.denominator for one in exactly))
            by_class = {
                key: tuple(self._by_class(self.engine.nodes[key].component, each, scale))
                for key, each in minutes.items()
            }
            ways = self._ways[rust, is_out] = _Ways(minutes, search, by_class, scale)
        return ways

    def targets(self, operation: Operation) -> frozenset[str]:
        """Return the components to remove for an operation and for the visit work it requires."""
        key = operation.key
        if key not in self._targets:
            job, catalogue, family = operation.job, self.catalogue, self.family
            found = set(resolve_access(catalogue, family, job.access, operation.cylinder))
            for visit in job.visit:
                access = catalogue.visit_work[visit].access
                found.update(resolve_access(catalogue, family, access, None))
            self._targets[key] = frozenset(found - self.engine.done)
        return self._targets[key]

    def way(self, targets: frozenset[str], rust: Rust) -> Way:
        """Return the better of the plans with the engine in the frame and out of it.

        Raises: Unreachable.
        """
        question = targets, rust
        found = self._found.get(question)
        if found is None:
            best = self._best(targets, rust)
            is_out = ENGINE_OUT in best.items
            ways = self.ways(rust, is_out=is_out)
            sums: dict[LabourClass, int] = {}
            for item in best.items:
                for name, more in ways.by_class[item]:
                    sums[name] = sums.get(name, 0) + more
            found = Way(best.items, best.weight, sums, ways.scale, is_out)
            self._found[question] = found
        return found

    def _best(self, targets: frozenset[str], rust: Rust) -> ClosedSet[str]:
        inside = self.ways(rust, is_out=False).search
        if not self.has_engine_out:
            return inside.least(targets)
        out = self.ways(rust, is_out=True).search.least(targets | {ENGINE_OUT})
        try:
            stays = inside.least(targets)
        except Unreachable:
            # nothing else is unreachable, or the plan above would have failed
            return out
        return min(stays, out, key=lambda plan: (plan.weight, len(plan.items), plan.items))

    def order(self, items: tuple[str, ...]) -> tuple[str, ...]:
        """Return components in the order of their removal."""
        if items not in self._orders:
            self._orders[items] = removal_order(self.graph, items)
        return self._orders[items]

    def asked_by(self, operation: Operation) -> Why:
        """Return the reason to remove what an operation works on."""
        key = operation.key
        if key not in self._because:
            facts: dict[str, Fact] = {"job": operation.job.id, "cylinder": operation.cylinder}
            self._because[key] = Why("access-of-job", facts)
        return self._because[key]

    def stands_before(self, item: str) -> Mapping[str, Why]:
        """Return the components that may have to be removed before a component, with reasons."""
        return self._needs[item]

    @staticmethod
    def _by_class(
        component: Component, minutes: Minutes, scale: int
    ) -> Iterator[tuple[LabourClass, int]]:
        yield component.labour_class, _whole(minutes.access, scale)
        for work, own in zip(component.refit_work, minutes.works, strict=True):
            yield work.labour_class, _whole(own, scale)

    def _of(self, node: Instance, rust: Rust, *, is_out: bool) -> Minutes:
        component = node.component
        both = exact(self.family.minutes_ratio)
        # if the engine is out, only components removed before that were cramped
        if component.cramped and (not is_out or node.id in self.before_out):
            both *= self._cramped
        removing = both
        if component.seize in self._labour.rust_applies_to:
            removing *= exact(self._labour.rust_factor[rust.value])
        plain, pace, named = self._plain(component), self.pace, component.labour_class
        remove = plain[0] * removing * pace.factor(TEARDOWN, named)
        refit = plain[1] * both * pace.factor(REFIT, named)
        works = tuple(
            pace.minutes(each.minutes, each.kind, each.labour_class)
            for each in component.refit_work
        )
        return Minutes(remove, refit, remove + refit, sum(works, Fraction(0)), works)

    def _plain(self, component: Component) -> tuple[Fraction, Fraction]:
        """Return the minutes of removing and refitting a component, without any factor."""
        if component.remove_minutes is not None and component.refit_minutes is not None:
            return Fraction(component.remove_minutes), Fraction(component.refit_minutes)
        labour, remove, refit = self._labour, Fraction(0), Fraction(0)
        for element in component.elements:
            time = labour.elements[element.kind]
            times = element.count * (exact(labour.awkward_factor) if element.awkward else 1)
            remove += exact(time.remove) * times
            refit += exact(time.refit) * times
        return remove, refit


def _whole(minutes: Fraction, scale: int) -> int:
    """Return minutes as a whole number over a scale, which their denominator divides."""
    return minutes.numerator * (scale // minutes.denominator)


def plan_access(teardown: Teardown, operations: Sequence[Operation], rust: Rust) -> AccessPlan:
    """Return the plan with the least exact minutes that gives access to every job and visit work.

    Plans with the engine in the frame and out of it are compared. In a tie, the plan with fewer
    components is chosen, then that with the smallest sorted ids.

    Raises: Unreachable, if a job needs a component that this engine in this chassis does not have.
    """
    targets = frozenset[str]().union(*map(teardown.targets, operations))
    way = teardown.way(targets, rust)
    minutes = teardown.ways(rust, is_out=way.engine_out).minutes
    because = _because(teardown, way.items, operations)
    removals = tuple(
        Removal(
            instance=teardown.engine.nodes[key],
            remove=minutes[key].remove,
            refit=minutes[key].refit,
            access=minutes[key].access,
            work=minutes[key].work,
            why=tuple(because[key]),
        )
        for key in teardown.order(way.items)
    )
    return AccessPlan(
        removals=removals,
        minutes=way.minutes,
        by_elements=sum(
            (each.access for each in removals if each.instance.component.elements), Fraction(0)
        ),
        engine_out=way.engine_out,
    )


def _because(
    teardown: Teardown,
    items: Sequence[str],
    operations: Sequence[Operation],
) -> dict[str, list[Why]]:
    """Return the reasons to remove each component: the jobs that work on it, and the components
    that it blocks.
    """
    reasons: dict[str, list[Why]] = {item: [] for item in items}
    for operation in sorted(operations, key=lambda each: each.key):
        for item in teardown.targets(operation):
            reasons[item].append(teardown.asked_by(operation))
    for item in items:
        for need, why in teardown.stands_before(item).items():
            if need in reasons:
                reasons[need].append(why)
    for told in reasons.values():
        if not told:
            told.append(Why("quicker-with-engine-out"))
    return reasons
