"""Access plan: everything that must come off so that every job can be done, each once."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.graph import (
    ENGINE_OUT,
    EngineGraph,
    Instance,
    instances,
    resolve_access,
)
from kitwright.catalogue.model import Catalogue, Chassis, Family, Shop, VisitWorkId
from kitwright.solve.closure import (
    ClosedSet,
    Graph,
    Node,
    Unreachable,
    least_closed_set,
    removal_order,
)
from kitwright.stages.job import Operation, OperationKey
from kitwright.stages.request import Rust
from kitwright.stages.why import Why
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


class Teardown(Struct, frozen=True, kw_only=True):
    """One engine in one chassis, compiled: its instances, its precedence graph and what
    `engine_out` itself requires.
    """

    family: Family
    chassis: Chassis | None
    engine: EngineGraph
    graph: Graph[str]
    before_engine_out: frozenset[str]

    @property
    def has_engine_out(self) -> bool:
        """Whether there is a frame to take the engine out of."""
        return ENGINE_OUT in self.engine.nodes


def compile_teardown(catalogue: Catalogue, family: Family, chassis: Chassis | None) -> Teardown:
    """Return the teardown of a family in a chassis (None: a loose engine), ready for planning."""
    engine = instances(catalogue, family, chassis)
    graph = Graph(
        {
            key: Node(needs_all=node.needs_all, needs_any=node.needs_any)
            for key, node in engine.nodes.items()
        }
    )
    before = graph.required(ENGINE_OUT) if ENGINE_OUT in engine.nodes else frozenset[str]()
    return Teardown(
        family=family, chassis=chassis, engine=engine, graph=graph, before_engine_out=before
    )


def plan_access(
    catalogue: Catalogue,
    shop: Shop,
    teardown: Teardown,
    operations: Sequence[Operation],
    rust: Rust,
) -> AccessPlan:
    """Return the plan with the least exact minutes that reaches every job and its visit work.

    The engine is considered in the frame and out of it; ties go to fewer components, then to
    the smallest sorted ids.

    Raises: Unreachable, where a job needs what this engine in this chassis does not have.
    """
    targets = {operation.key: _targets(catalogue, teardown, operation) for operation in operations}
    everything = sorted(set().union(*targets.values()))
    best, weights = _better(shop, teardown, everything, rust)
    reached = _reached(teardown.graph, best.items, weights, targets)
    removals = tuple(
        _removal(shop, teardown, key, rust, best.items, reached, targets)
        for key in removal_order(teardown.graph, best.items)
    )
    return AccessPlan(removals=removals, minutes=best.weight, engine_out=ENGINE_OUT in best.items)


def _targets(catalogue: Catalogue, teardown: Teardown, operation: Operation) -> frozenset[str]:
    """Return what must be off for an operation and for the visit work that it asks for."""
    job = operation.job
    found = set(resolve_access(catalogue, teardown.family, job.access, operation.cylinder))
    for visit in job.visit:
        access = catalogue.visit_work[VisitWorkId(visit)].access
        found.update(resolve_access(catalogue, teardown.family, access, None))
    return frozenset(found - teardown.engine.done)


def _better(
    shop: Shop, teardown: Teardown, targets: Sequence[str], rust: Rust
) -> tuple[ClosedSet[str], Mapping[str, Fraction]]:
    """Return the better plan of engine in and engine out, and the weights that it was made with."""
    candidates: list[tuple[ClosedSet[str], Mapping[str, Fraction]]] = []
    blocked: Unreachable | None = None
    outside = [(), [*targets, ENGINE_OUT]] if teardown.has_engine_out else [()]
    for is_out, wanted in enumerate([targets, *outside[1:]]):
        weights = {
            key: _weight(shop, teardown, node, rust, is_out=bool(is_out))
            for key, node in teardown.engine.nodes.items()
        }
        without = () if is_out or not teardown.has_engine_out else (ENGINE_OUT,)
        try:
            plan = least_closed_set(teardown.graph, wanted, weights, without=without)
        except Unreachable as error:
            blocked = error
        else:
            candidates.append((plan, weights))
    if not candidates and blocked is not None:
        raise blocked
    return min(candidates, key=lambda each: (each[0].weight, len(each[0].items), each[0].items))


def _factors(
    shop: Shop, teardown: Teardown, node: Instance, rust: Rust, *, is_out: bool
) -> tuple[Fraction, Fraction]:
    """Return what multiplies a component's removal and its refit minutes."""
    both = exact(teardown.family.minutes_ratio)
    is_in_the_way = not is_out or node.id in teardown.before_engine_out
    if teardown.chassis is not None and node.component.cramped and is_in_the_way:
        both *= exact(teardown.chassis.cramped_factor)
    if node.component.seize in shop.labour.rust_applies_to:
        return both * exact(shop.labour.rust_factor[rust.value]), both
    return both, both


def _minutes(
    shop: Shop, teardown: Teardown, node: Instance, rust: Rust, *, is_out: bool
) -> tuple[Fraction, Fraction, Fraction]:
    """Return a component's exact minutes: removing, refitting, and its refit's work."""
    removing, refitting = _factors(shop, teardown, node, rust, is_out=is_out)
    component = node.component
    work = sum((exact(work.minutes) for work in component.refit_work), start=Fraction(0))
    return component.remove_minutes * removing, component.refit_minutes * refitting, work


def _weight(
    shop: Shop, teardown: Teardown, node: Instance, rust: Rust, *, is_out: bool
) -> Fraction:
    return sum(_minutes(shop, teardown, node, rust, is_out=is_out), start=Fraction(0))


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


def _removal(
    shop: Shop,
    teardown: Teardown,
    key: str,
    rust: Rust,
    items: Collection[str],
    reached: Mapping[str, tuple[OperationKey, ...]],
    targets: Mapping[OperationKey, frozenset[str]],
) -> Removal:
    node = teardown.engine.nodes[key]
    is_out = ENGINE_OUT in items
    remove, refit, work = _minutes(shop, teardown, node, rust, is_out=is_out)
    return Removal(
        instance=node,
        remove=remove,
        refit=refit,
        work=work,
        jobs=reached[key],
        why=tuple(_because(teardown.engine, key, items, targets)),
    )


def _because(
    engine: EngineGraph,
    key: str,
    items: Collection[str],
    targets: Mapping[OperationKey, frozenset[str]],
) -> Iterable[Why]:
    """Return why a component comes off: the jobs that work on it, and the components that it
    stands before.
    """
    for (job, cylinder), wanted in sorted(targets.items()):
        if key in wanted:
            yield Why("access-of-job", {"job": job, "cylinder": cylinder or None})
    before = sorted(
        other
        for other in items
        if key in engine.nodes[other].needs_all
        or any(key in group for group in engine.nodes[other].needs_any)
    )
    for other in before:
        yield Why("stands-before", {"component": other})
    if key == ENGINE_OUT and not any(key in wanted for wanted in targets.values()) and not before:
        yield Why("quicker-with-engine-out")
