"""Graph: the teardown graph of one engine: layout, family overrides and chassis, expanded by
cylinder.

Component references are `x` (engine-wide), `x@` (same cylinder) and `x@*` (every cylinder). An
instance is named `x` or `x@2`. Everything here is pure; building a graph takes well under a
millisecond, and callers may store it as long as the catalogue.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    Chassis,
    ChassisId,
    Component,
    ComponentId,
    FamilyId,
    RoleId,
)
from kitwright.catalogue.problems import CatalogueError
from kitwright.memory import ByIdentity

if TYPE_CHECKING:
    from collections.abc import Iterable

    from kitwright.catalogue.model import Catalogue, Family, Job, Layout, Override

ENGINE_OUT: Final = ComponentId("engine_out")
"""The chassis component that takes the engine out of the frame."""

RoleInstance = tuple[RoleId, int | None]
"""A role and its place: the cylinder, or None for an engine role."""

_REFERENCE: Final = re.compile(r"([a-z][a-z0-9_]*)(@\*|@)?", re.ASCII)


class ReferenceMalformed(CatalogueError):
    """A component or role reference that is not of the form x, x@ or x@*."""

    code = "reference-malformed"

    def __init__(self, reference: str) -> None:
        super().__init__(f'{reference!r} is not of the form "x", "x@" or "x@*"')
        self.reference = reference


class ReferenceUnresolved(CatalogueError):
    """A reference that does not match any component of the engine."""

    code = "reference-unresolved"

    def __init__(self, reference: str, place: str) -> None:
        super().__init__(f"{reference!r} is not known in {place}")
        self.reference = reference
        self.place = place


class ChassisInvalid(CatalogueError):
    """A chassis that can't carry the engine."""

    code = "chassis-invalid"

    def __init__(self, chassis: ChassisId, family: FamilyId) -> None:
        super().__init__(f"chassis {chassis!r} cannot carry engine {family!r}")
        self.chassis = chassis
        self.family = family


class Instance(Struct, frozen=True, kw_only=True):
    """One node of an engine's graph.

    `component` is as the family has it. `needs_all` and the groups of `needs_any` name other
    instances, in the order of the files, the chassis' after the layout's. `renews` holds the roles
    that a refit replaces on this family, with its flags applied.
    """

    id: str
    component: Component
    cylinder: int | None
    needs_all: tuple[str, ...]
    needs_any: tuple[tuple[str, ...], ...]
    renews: tuple[RoleInstance, ...]
    is_chassis: bool


class EngineGraph(Struct, frozen=True, kw_only=True):
    """The graph of one family in one chassis, or loose on the bench (`chassis` None).

    `nodes` is by instance id, the layout's first. `done` holds instances that need no work: the
    loose engine's `engine_out`, which may be requested but is not a node.
    """

    family: FamilyId
    chassis: ChassisId | None
    nodes: dict[str, Instance]
    done: frozenset[str]


def split_reference(reference: str) -> tuple[str, str]:
    """Return the name and the mark (`""`, `"@"` or `"@*"`) of a component or role reference.

    Raises: ReferenceMalformed.
    """
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        raise ReferenceMalformed(reference)
    return match[1], match[2] or ""


def expand(reference: str, cylinder: int | None, cylinders: int) -> tuple[str, ...]:
    """Return the instance ids that a component reference means: one, or one for each cylinder for
    `x@*`.

    Args:
        reference: `x`, `x@` or `x@*`.
        cylinder: the cylinder that `x@` means; None if the reference is engine-wide.
        cylinders: how many the engine has; they count from 1.

    Raises: ReferenceMalformed, also for `x@` without a cylinder.
    """
    return tuple(
        name if place is None else f"{name}@{place}"
        for name, place in _places(reference, cylinder, cylinders)
    )


def expand_role(reference: str, cylinder: int | None, cylinders: int) -> tuple[RoleInstance, ...]:
    """Return the roles and places that a role reference means; arguments and errors as for
    `expand`.
    """
    return tuple((RoleId(name), place) for name, place in _places(reference, cylinder, cylinders))


def instances(catalogue: Catalogue, family: Family, chassis: Chassis | None) -> EngineGraph:
    """Return the teardown graph of an engine in a chassis, or of a loose one.

    Raises:
        ChassisInvalid: the chassis does not list the family's layout.
        ReferenceMalformed, ReferenceUnresolved: the catalogue was not checked.
    """
    if chassis is not None and family.layout not in chassis.layouts:
        raise ChassisInvalid(chassis.id, family.id)
    components = components_of(catalogue, family)
    own = set(components)
    if chassis is not None:
        components |= {component.id: component for component in chassis.component}
    nodes = {
        node.id: node
        for component in components.values()
        for node in _nodes(component, family, chassis, is_chassis=component.id not in own)
    }
    for node in nodes.values():
        for need in (*node.needs_all, *(branch for group in node.needs_any for branch in group)):
            if need not in nodes:
                raise ReferenceUnresolved(need, f"{family.id} ({node.id})")
    return EngineGraph(
        family=family.id,
        chassis=None if chassis is None else chassis.id,
        nodes=nodes,
        done=frozenset({ENGINE_OUT}) if chassis is None else frozenset(),
    )


def components_of(catalogue: Catalogue, family: Family) -> dict[ComponentId, Component]:
    """Return the components of a family's layout in file order, with the family's overrides
    applied.
    """
    components = {row.id: row for row in catalogue.layouts[family.layout].component}
    for override in family.override:
        component = components.get(override.component)
        if component is None:
            raise ReferenceUnresolved(override.component, f"layout {family.layout}")
        components[component.id] = _overridden(component, override)
    return components


def _named(layout: Layout) -> tuple[dict[str, ComponentId], dict[ComponentId, bool]]:
    """Return the components of a layout by alias, and whether each is per cylinder."""
    aliases = {alias.name: alias.component for alias in layout.alias}
    return aliases, {component.id: component.per_cylinder for component in layout.component}


_NAMED: Final = ByIdentity(_named, 64)


def resolve_access(
    catalogue: Catalogue, family: Family, names: Iterable[str], cylinder: int | None
) -> tuple[str, ...]:
    """Return the instances that the access of a job or of visit work means on a family.

    Aliases are those of the family's layout; a mark after an alias is retained. The order is that
    of `names`, with each instance once. `engine_out` may be among them: for a loose engine it is
    already done (`EngineGraph.done`).

    Args:
        names: component references or aliases.
        cylinder: the job's cylinder; None for an engine job and for visit work.

    Raises: ReferenceMalformed, ReferenceUnresolved.
    """
    aliases, known = _NAMED.of(catalogue.layouts[family.layout])
    found: dict[str, None] = {}
    for reference in names:
        name, mark = split_reference(reference)
        component = aliases.get(name, ComponentId(name))
        if component != ENGINE_OUT and known.get(component) is not bool(mark):
            raise ReferenceUnresolved(reference, f"layout {family.layout}")
        found.update(dict.fromkeys(expand(component + mark, cylinder, family.cylinders)))
    return tuple(found)


def job_fits(catalogue: Catalogue, family: Family, job: Job) -> bool:
    """Return whether a job's access exists on a family: a job may name components that its layout
    lacks.
    """
    try:
        resolve_access(catalogue, family, job.access, 1)
    except ReferenceUnresolved:
        return False
    return True


def _places(
    reference: str, cylinder: int | None, cylinders: int
) -> tuple[tuple[str, int | None], ...]:
    name, mark = split_reference(reference)
    if mark == "@*":
        return tuple((name, each) for each in range(1, cylinders + 1))
    if mark == "@":
        if cylinder is None:
            raise ReferenceMalformed(reference)
        return ((name, cylinder),)
    return ((name, None),)


def _overridden(component: Component, override: Override) -> Component:
    changes = {
        name: value
        for name in override.__struct_fields__
        if name != "component" and (value := getattr(override, name)) is not None
    }
    return structs.replace(component, **changes)


def _nodes(
    component: Component, family: Family, chassis: Chassis | None, *, is_chassis: bool
) -> list[Instance]:
    needs_all = list(component.needs_all)
    needs_any = list(component.needs_any)
    for rule in () if chassis is None else chassis.rule:
        if split_reference(rule.applies_to)[0] == component.id:
            needs_all += rule.needs_all
            needs_any += rule.needs_any
    roles = [*component.renews]
    roles += [row.role for row in component.renews_if if row.flag in family.flags]
    count = family.cylinders
    out = frozenset() if chassis is not None else frozenset({ENGINE_OUT})
    nodes = []
    for cylinder in range(1, count + 1) if component.per_cylinder else (None,):
        groups = [
            [one for name in group for one in expand(name, cylinder, count)] for group in needs_any
        ]
        needs = (one for name in needs_all for one in expand(name, cylinder, count))
        nodes.append(
            Instance(
                id=component.id if cylinder is None else f"{component.id}@{cylinder}",
                component=component,
                cylinder=cylinder,
                needs_all=tuple(dict.fromkeys(one for one in needs if one not in out)),
                needs_any=tuple(tuple(group) for group in groups if out.isdisjoint(group)),
                renews=tuple(
                    dict.fromkeys(
                        one for role in roles for one in expand_role(role, cylinder, count)
                    )
                ),
                is_chassis=is_chassis,
            )
        )
    return nodes
