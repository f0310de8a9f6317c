"""Walk: searches of one engine's graph for cycles and for the components that a node always
needs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from kitwright.catalogue.graph import EngineGraph, Instance


def find_cycle(edges: Mapping[str, Sequence[str]]) -> tuple[str, ...] | None:
    """Return a cycle, with its first node repeated at its end, or None if there is none.

    The cycle found depends only on `edges` and their order. It starts with its smallest node, so
    the same cycle in another graph reads the same.
    """
    done: set[str] = set()
    for start in edges:
        path: list[str] = []
        on_path: set[str] = set()
        stack: list[tuple[str, bool]] = [(start, False)]
        while stack:
            node, is_left = stack.pop()
            if is_left:
                path.pop()
                on_path.remove(node)
                done.add(node)
            elif node in on_path:
                cycle = path[path.index(node) :]
                first = cycle.index(min(cycle))
                return (*cycle[first:], *cycle[:first], cycle[first])
            elif node not in done:
                path.append(node)
                on_path.add(node)
                stack.append((node, True))
                stack += [(after, False) for after in reversed(edges.get(node, ()))]
    return None


def needs_of(node: Instance) -> tuple[str, ...]:
    """Return every component that a node names: its AND list, then all branches of its OR
    groups.
    """
    return (*node.needs_all, *(branch for group in node.needs_any for branch in group))


def always_needed(graph: EngineGraph) -> dict[str, frozenset[str]]:
    """Return, for each node of an acyclic graph, the nodes that every way to it removes, itself
    included.

    For an OR group, these are the nodes that all its branches need.
    """
    found: dict[str, frozenset[str]] = {}

    def visit(name: str) -> frozenset[str]:
        if name not in found:
            node = graph.nodes[name]
            need = frozenset({name}).union(*map(visit, node.needs_all))
            for group in node.needs_any:
                need |= frozenset.intersection(*map(visit, group))
            found[name] = need
        return found[name]

    for name in graph.nodes:
        visit(name)
    return found


def idle_branches(graph: EngineGraph) -> list[tuple[str, str, str]]:
    """Return node, branch and reason of every OR branch that can never be the better choice.

    A branch never wins if its own way contains another branch of the group, or if the node needs
    another branch in any case.
    """
    needed = always_needed(graph)
    idle = []
    for name, node in graph.nodes.items():
        given = frozenset[str]().union(*(needed[one] for one in node.needs_all))
        for group in node.needs_any:
            for index, branch in enumerate(group):
                others = [*group[:index], *group[index + 1 :]]
                within = [one for one in others if one in needed[branch]]
                # Of two equal branches, only the later one is redundant.
                if branch in others:
                    within = [branch] if branch in group[:index] else []
                if within:
                    idle.append((name, branch, f"it needs another branch, {within[0]}, as well"))
                elif any(one in given for one in others) and branch not in given:
                    idle.append((name, branch, "another branch of the group is needed in any case"))
    return idle
