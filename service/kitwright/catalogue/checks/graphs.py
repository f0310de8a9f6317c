"""Graphs: checks that teardown graphs are acyclic, offer real choices, and define one way to take
the engine out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from msgspec import structs

from kitwright.catalogue.checks.records import chassis_file, family_file, layout_file, problem
from kitwright.catalogue.checks.walk import find_cycle, idle_branches, needs_of
from kitwright.catalogue.graph import ENGINE_OUT, EngineGraph, instances

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue, Family, LayoutId
    from kitwright.catalogue.problems import Problem


class _Case(NamedTuple):
    """A graph, the file that its errors are reported for, and the files that it is made of."""

    file: str
    files: frozenset[str]
    graph: EngineGraph


def check_graphs(catalogue: Catalogue, unsound: frozenset[str]) -> Iterator[Problem]:
    """Yield cycles, OR branches that never win, and choices on the way to taking an engine out.

    An error of a layout is reported once, not for every engine that has the layout.

    Args:
        unsound: files whose references are broken; no graph is made of them.
    """
    blamed: dict[tuple[str, str], set[str]] = {}
    for case in _cases(catalogue, unsound):
        for code, record, message in _problems_of(case.graph):
            files = blamed.setdefault((code, message), set())
            if files.isdisjoint(case.files):
                files.add(case.file)
                yield problem(case.file, record, code, message)


def _cases(catalogue: Catalogue, unsound: frozenset[str]) -> Iterator[_Case]:
    """Yield every graph, those of fewer files first: layouts, loose engines, engines in chassis."""
    families = [
        row
        for row in catalogue.families.values()
        if unsound.isdisjoint({family_file(row.id), layout_file(row.layout)})
    ]
    bare: dict[LayoutId, Family] = {}
    for family in families:
        bare.setdefault(family.layout, structs.replace(family, override=(), flags=()))
    for layout, plain in bare.items():
        file = layout_file(layout)
        yield _Case(file, frozenset({file}), instances(catalogue, plain, None))
    for family in families:
        files = frozenset({layout_file(family.layout), family_file(family.id)})
        yield _Case(family_file(family.id), files, instances(catalogue, family, None))
    for chassis in catalogue.chassis.values():
        file = chassis_file(chassis.id)
        for family in families:
            if family.layout in chassis.layouts and file not in unsound:
                files = frozenset({layout_file(family.layout), family_file(family.id), file})
                yield _Case(file, files, instances(catalogue, family, chassis))


def _problems_of(graph: EngineGraph) -> Iterator[tuple[str, str, str]]:
    """Yield code, record and message of each error of one graph."""
    cycle = find_cycle({name: needs_of(node) for name, node in graph.nodes.items()})
    if cycle is not None:
        message = "each needs the next one off first: " + " -> ".join(cycle)
        yield "cycle", f"component {graph.nodes[cycle[0]].component.id}", message
        return
    for name, branch, why in idle_branches(graph):
        message = f"branch {branch} of an OR group of {name} can never be chosen: {why}"
        yield "branch-never-wins", f"component {graph.nodes[name].component.id}", message
    yield from _indefinite_exit(graph)


def _indefinite_exit(graph: EngineGraph) -> Iterator[tuple[str, str, str]]:
    """Yield the OR groups on the way to `engine_out`.

    The cramped factor applies to the components removed before the engine comes out, so these must
    be one definite set.
    """
    todo: list[str] = [ENGINE_OUT] if ENGINE_OUT in graph.nodes else []
    seen: set[str] = set()
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        node = graph.nodes[name]
        if node.needs_any:
            message = f"{name} comes off before engine_out, so it must not have an OR group"
            yield "engine-out-indefinite", f"component {node.component.id}", message
        todo += node.needs_all
