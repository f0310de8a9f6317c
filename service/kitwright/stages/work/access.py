"""Access plan: everything that must come off so that every job can be done, each once."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.graph import (
    ENGINE_OUT,
    EngineGraph,
    Instance,
    instances,
    resolve_access,
)
from kitwright.catalogue.model import Catalogue, Chassis, Family, Shop
from kitwright.solve.closure import (
    ClosedSet,
    Graph,
    Node,
    Unreachable,
    least_closed_set,
    removal_order,
)
from kitwright.stages.request import Rust
from kitwright.stages.why import Why
from kitwright.stages.work.job import Operation, OperationKey
from kitwright.units import exact


class Removal(Struct, frozen=True, kw_only=True):
    """One component instance of a plan, with its exact minutes each way, factors and ratio applied.

    `work` is the bench work of its refit, unscaled. `jobs` are the operations whose need
    reaches it.
    """

    instance: Instance
    remove: Fraction
    refit: Fraction
    work: Fraction
    jobs: tuple[OperationKey, ...]
    why: tuple[Why, ...]


class AccessPlan(Struct, frozen=True, kw_only=True):
    """The components to remove, in order; refit is the reverse.

    `minutes` is exact: removing, refitting and the work that refitting carries. `engine_out`
    says whether the plan takes the engine out of a chassis.
    """

    removals: tuple[Removal, ...]
    minutes: Fraction
    engine_out: bool


class Minutes(Struct, frozen=True):
    """A component's exact minutes: removing and refitting with all factors, and its refit's
    work.
    """

    remove: Fraction
    refit: Fraction
    work: Fraction


class Teardown:
    """One engine in one chassis, compiled for one shop: instances, precedence graph, minutes.

    The tables of minutes are worked out once for each state of rust, with the engine in and out.
    """

    def __init__(
        self, catalogue: Catalogue, shop: Shop, family: Family, chassis: Chassis | None
    ) -> None:
        self.catalogue = catalogue
        self.family = family
        self.engine: EngineGraph = instances(catalogue, family, chassis)
        self.graph: Graph[str] = Graph(
            {
                key: Node(needs_all=node.needs_all, needs_any=node.needs_any)
                for key, node in self.engine.nodes.items()
            }
        )
        self.has_engine_out = ENGINE_OUT in self.engine.nodes
        """Whether there is a frame to take the engine out of."""
        self._labour = shop.labour
        self._cramped = exact(chassis.cramped_factor) if chassis is not None else Fraction(1)
        self._before_out = (
            self.graph.required(ENGINE_OUT) if self.has_engine_out else frozenset[str]()
        )
        self._minutes: dict[tuple[Rust, bool], dict[str, Minutes]] = {}
        self._weights: dict[tuple[Rust, bool], dict[str, Fraction]] = {}

    def minutes(self, rust: Rust, *, is_out: bool) -> Mapping[str, Minutes]:
        """Return every component's exact minutes, with the engine in the frame or out of it."""
        if (rust, is_out) not in self._minutes:
            self._minutes[rust, is_out] = {
                key: self._of(node, rust, is_out=is_out) for key, node in self.engine.nodes.items()
            }
        return self._minutes[rust, is_out]

    def weights(self, rust: Rust, *, is_out: bool) -> Mapping[str, Fraction]:
        """Return every component's exact minutes in all."""
        if (rust, is_out) not in self._weights:
            self._weights[rust, is_out] = {
                key: each.remove + each.refit + each.work
                for key, each in self.minutes(rust, is_out=is_out).items()
            }
        return self._weights[rust, is_out]

    def _of(self, node: Instance, rust: Rust, *, is_out: bool) -> Minutes:
        component = node.component
        both = exact(self.family.minutes_ratio)
        # out of the frame only what had to come off before it was done in there
        if component.cramped and (not is_out or node.id in self._before_out):
            both *= self._cramped
        removing = both
        if component.seize in self._labour.rust_applies_to:
            removing *= exact(self._labour.rust_factor[rust.value])
        work = sum(each.minutes for each in component.refit_work)
        return Minutes(
            component.remove_minutes * removing, component.refit_minutes * both, Fraction(work)
        )


def plan_access(teardown: Teardown, operations: Sequence[Operation], rust: Rust) -> AccessPlan:
    """Return the plan with the least exact minutes that reaches every job and its visit work.

    The engine is considered in the frame and out of it; ties go to fewer components, then to
    the smallest sorted ids.

    Raises: Unreachable, where a job needs what this engine in this chassis does not have.
    """
    targets = {operation.key: _targets(teardown, operation) for operation in operations}
    everything = sorted(set().union(*targets.values()))
    best = _better(teardown, everything, rust)
    is_out = ENGINE_OUT in best.items
    reached = _reached(teardown.graph, best.items, teardown.weights(rust, is_out=is_out), targets)
    minutes = teardown.minutes(rust, is_out=is_out)
    because = _because(teardown.engine, best.items, targets)
    removals = tuple(
        Removal(
            instance=teardown.engine.nodes[key],
            remove=minutes[key].remove,
            refit=minutes[key].refit,
            work=minutes[key].work,
            jobs=reached[key],
            why=tuple(because[key]),
        )
        for key in removal_order(teardown.graph, best.items)
    )
    return AccessPlan(removals=removals, minutes=best.weight, engine_out=is_out)


def _targets(teardown: Teardown, operation: Operation) -> frozenset[str]:
    """Return what must be off for an operation and for the visit work that it asks for."""
    catalogue, family = teardown.catalogue, teardown.family
    job = operation.job
    found = set(resolve_access(catalogue, family, job.access, operation.cylinder))
    for visit in job.visit:
        access = catalogue.visit_work[visit].access
        found.update(resolve_access(catalogue, family, access, None))
    return frozenset(found - teardown.engine.done)


def _better(teardown: Teardown, targets: Sequence[str], rust: Rust) -> ClosedSet[str]:
    """Return the better plan of engine in and engine out."""
    graph = teardown.graph
    if not teardown.has_engine_out:
        return least_closed_set(graph, targets, teardown.weights(rust, is_out=False))
    out = least_closed_set(graph, [*targets, ENGINE_OUT], teardown.weights(rust, is_out=True))
    try:
        inside = least_closed_set(
            graph, targets, teardown.weights(rust, is_out=False), without=[ENGINE_OUT]
        )
    except Unreachable:
        # nothing else is out of reach, or the plan above had failed
        return out
    return min(inside, out, key=lambda plan: (plan.weight, len(plan.items), plan.items))


def _reached(
    graph: Graph[str],
    items: Collection[str],
    weights: Mapping[str, Fraction],
    targets: Mapping[OperationKey, frozenset[str]],
) -> dict[str, tuple[OperationKey, ...]]:
    """Return, by component, the operations whose own need reaches it inside the joint plan.

    An operation's need is the least closed set of its own targets within the plan. What none
    reaches (the engine taken out only because that is quicker for all) belongs to every
    operation.
    """
    jobs: dict[str, list[OperationKey]] = {item: [] for item in items}
    for key in sorted(targets):
        for item in least_closed_set(graph, sorted(targets[key]), weights, within=items).items:
            jobs[item].append(key)
    everyone = sorted(targets)
    return {item: tuple(keys or everyone) for item, keys in jobs.items()}


def _because(
    engine: EngineGraph,
    items: Sequence[str],
    targets: Mapping[OperationKey, frozenset[str]],
) -> dict[str, list[Why]]:
    """Return why each component comes off: the jobs that work on it, and what it stands before."""
    reasons: dict[str, list[Why]] = {item: [] for item in items}
    for (job, cylinder), wanted in sorted(targets.items()):
        for item in sorted(wanted):
            reasons[item].append(Why("access-of-job", {"job": job, "cylinder": cylinder or None}))
    for item in items:
        node = engine.nodes[item]
        needs = dict.fromkeys(
            (*node.needs_all, *(one for group in node.needs_any for one in group))
        )
        for need in needs:
            if need in reasons:
                reasons[need].append(Why("stands-before", {"component": item}))
    for why in reasons.values():
        if not why:
            why.append(Why("quicker-with-engine-out"))
    return reasons
