"""References: checks that component references of layouts, families and chassis exist and have the
right mark.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.catalogue.checks.records import chassis_file, family_file, layout_file, problem
from kitwright.catalogue.graph import ENGINE_OUT, ReferenceMalformed, split_reference
from kitwright.catalogue.model import LOOSE

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from kitwright.catalogue.model import Catalogue, Chassis, Family, Layout, Override
    from kitwright.catalogue.problems import Problem

_ID: Final = re.compile(r"[a-z][a-z0-9_]*", re.ASCII)

Known = dict[str, bool]
"""Components by id -> whether there is one on each cylinder."""


class Asker(NamedTuple):
    """The owner of a reference: file, record, whether it exists on each cylinder, and the
    context.
    """

    file: str
    label: str
    is_per_cylinder: bool
    place: str


def known_components(layout: Layout) -> Known:
    """Return the components that references on a layout may name; a chassis adds its own."""
    known = {str(row.id): row.per_cylinder for row in layout.component}
    return {str(ENGINE_OUT): False} | known


def check_references(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield unknown layouts, components and aliases, and marks that do not fit."""
    for layout in catalogue.layouts.values():
        yield from _layout(catalogue, layout)
    for family in catalogue.families.values():
        yield from _family(catalogue, family)
    for chassis in catalogue.chassis.values():
        yield from _chassis(catalogue, chassis)


def component_problems(
    asker: Asker, references: Iterable[str], known: Mapping[str, bool]
) -> Iterator[Problem]:
    """Yield the errors of component references, given the components known in their place."""
    for reference in references:
        try:
            name, mark = split_reference(reference)
        except ReferenceMalformed as error:
            yield problem(asker.file, asker.label, error.code, str(error))
            continue
        if name not in known:
            message = f"{reference!r}: there is no component {name!r} on {asker.place}"
            yield problem(asker.file, asker.label, "component-unknown", message)
        elif bool(mark) is not known[name]:
            is_each = "is one on each cylinder" if known[name] else "is one for the whole engine"
            message = f"{reference!r}: {name} {is_each} on {asker.place}"
            yield problem(asker.file, asker.label, "mark-wrong", message)
        else:
            yield from _stray_mark(asker, reference, mark)


def role_problems(asker: Asker, references: Iterable[str]) -> Iterator[Problem]:
    """Yield the errors in the form of role references."""
    for reference in references:
        try:
            mark = split_reference(reference)[1]
        except ReferenceMalformed as error:
            yield problem(asker.file, asker.label, error.code, str(error))
        else:
            yield from _stray_mark(asker, reference, mark)


def group_problems(
    asker: Asker, groups: Iterable[tuple[str, ...]], known: Mapping[str, bool]
) -> Iterator[Problem]:
    """Yield the errors of OR groups: in their references, and branches that are not a single
    component.
    """
    for group in groups:
        yield from component_problems(asker, group, known)
        if not group:
            yield problem(
                asker.file, asker.label, "group-empty", "an OR group needs at least one branch"
            )
        for branch in group:
            if branch.endswith("@*"):
                message = f"branch {branch!r} means every cylinder; a branch must be one component"
                yield problem(asker.file, asker.label, "branch-not-one", message)


def _stray_mark(asker: Asker, reference: str, mark: str) -> Iterator[Problem]:
    if mark == "@" and not asker.is_per_cylinder:
        message = f'{reference!r} means "the same cylinder", but this record has no cylinder'
        yield problem(asker.file, asker.label, "mark-wrong", message)


def _id_problems(file: str, label: str, name: str) -> Iterator[Problem]:
    if not _ID.fullmatch(name):
        message = f"{name!r}: use lower-case letters, digits and _ only, a letter first"
        yield problem(file, label, "id-malformed", message)


def _layout(catalogue: Catalogue, layout: Layout) -> Iterator[Problem]:
    file, known = layout_file(layout.id), known_components(layout)
    place = f"layout {layout.id}"
    for component in layout.component:
        label = f"component {component.id}"
        yield from _id_problems(file, label, component.id)
        asker = Asker(file, label, component.per_cylinder, place)
        yield from component_problems(asker, component.needs_all, known)
        yield from group_problems(asker, component.needs_any, known)
        yield from role_problems(asker, component.renews)
        yield from role_problems(asker, (row.role for row in component.renews_if))
    for alias in layout.alias:
        label = f"alias {alias.name}"
        yield from _id_problems(file, label, alias.name)
        if alias.component not in known:
            message = f"there is no component {alias.component!r} on {place}"
            yield problem(file, label, "component-unknown", message)
        if alias.name in known:
            yield problem(file, label, "alias-hides", "a component of the layout has that name too")
    own = {alias.name for alias in layout.alias}
    for other in catalogue.layouts.values():
        for alias in other.alias:
            if alias.name not in own:
                message = f"layout {other.id} has this alias, so every layout needs it"
                yield problem(file, f"alias {alias.name}", "alias-missing", message)


def _family(catalogue: Catalogue, family: Family) -> Iterator[Problem]:
    file, layout = family_file(family.id), catalogue.layouts.get(family.layout)
    if layout is None:
        yield problem(file, "", "layout-unknown", f"there is no layout {family.layout!r}")
        return
    known = known_components(layout)
    for override in family.override:
        label = f"override {override.component}"
        if override.component not in known or override.component == ENGINE_OUT:
            message = f"there is no component {override.component!r} on layout {layout.id}"
            yield problem(file, label, "component-unknown", message)
        else:
            is_per_cylinder = known[override.component]
            asker = Asker(file, label, is_per_cylinder, f"layout {layout.id}")
            yield from _override(asker, override, known)


def _override(asker: Asker, override: Override, known: Known) -> Iterator[Problem]:
    yield from component_problems(asker, override.needs_all or (), known)
    yield from group_problems(asker, override.needs_any or (), known)
    yield from role_problems(asker, override.renews or ())
    yield from role_problems(asker, (row.role for row in override.renews_if or ()))


def _chassis(catalogue: Catalogue, chassis: Chassis) -> Iterator[Problem]:
    file = chassis_file(chassis.id)
    own = {str(row.id): row.per_cylinder for row in chassis.component}
    if chassis.id == LOOSE:
        message = f"{LOOSE!r} means an engine without a chassis: give this chassis another id"
        yield problem(file, "", "chassis-id-reserved", message)
    if ENGINE_OUT not in own:
        message = f"a chassis needs a component {ENGINE_OUT!r}: how the engine comes out"
        yield problem(file, "", "engine-out-missing", message)
    for component in chassis.component:
        yield from _id_problems(file, f"component {component.id}", component.id)
    for name in chassis.layouts:
        layout = catalogue.layouts.get(name)
        if layout is None:
            yield problem(file, "", "layout-unknown", f"there is no layout {name!r}")
            continue
        for twice in sorted({str(row.id) for row in layout.component} & own.keys()):
            message = f"layout {name} has a component of that name too"
            yield problem(file, f"component {twice}", "component-twice", message)
        yield from _chassis_on(
            chassis, file, f"layout {name} in it", known_components(layout) | own
        )


def _chassis_on(chassis: Chassis, file: str, place: str, known: Known) -> Iterator[Problem]:
    for component in chassis.component:
        asker = Asker(file, f"component {component.id}", component.per_cylinder, place)
        yield from component_problems(asker, component.needs_all, known)
        yield from group_problems(asker, component.needs_any, known)
        yield from role_problems(asker, component.renews)
        yield from role_problems(asker, (row.role for row in component.renews_if))
    for rule in chassis.rule:
        label = f"rule {rule.applies_to}"
        is_every = rule.applies_to.endswith("@*")
        # A rule applies to every instance, so its own reference must be "x" or "x@*". In the second
        # case, its needs may say "the same cylinder".
        yield from component_problems(Asker(file, label, False, place), [rule.applies_to], known)
        asker = Asker(file, label, is_every, place)
        yield from component_problems(asker, rule.needs_all, known)
        yield from group_problems(asker, rule.needs_any, known)
