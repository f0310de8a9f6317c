"""The access plan as a picture: a row for each step in order, and the steps that wait for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final
from xml.sax.saxutils import escape

from msgspec import Struct

from kitwright.documents.layout import clean
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote, Removal

ROW: Final = 24
DISC: Final = 9
GAP: Final = 30
LANE: Final = 7
TOP: Final = 14
_LONGEST: Final = 34
"""Characters of a name in the picture; the words next to it give the entire name."""

_INK: Final = "#14242c"
_QUIET: Final = "#c3cbcf"


class Drawing(Struct, frozen=True, kw_only=True):
    """An SVG document, and a description of it in words (`told`)."""

    svg: str
    told: str


class _Node(Struct, frozen=True, kw_only=True):
    row: int
    column: int
    x: int
    before: tuple[int, ...]


def access_svg(quote: Quote, scribe: Scribe, shown: Callable[[str], str] = clean) -> Drawing:
    """Return the access plan as an SVG document, with a description in the scribe's language.

    Each removal has a row, in working order, so that names never overlap. Its column is the length
    of the longest chain of removals before it. A line leads down from each removal to those that
    need it first.

    Args:
        quote: the quote with the access plan.
        scribe: writes names, numbers and the description.
        shown: replaces the characters of a name that can't be shown where the picture is used.
    """
    steps = quote.access.remove
    full = [shown(scribe.step(step.component, step.cylinder, is_refit=False)) for step in steps]
    names = [_short(name) for name in full]
    left = 70 + max(map(len, names), default=20) * 7
    nodes = _placed(steps, left)
    width = max((node.x for node in nodes), default=left) + DISC + 16
    height = TOP * 2 + max(len(steps), 1) * ROW
    told = _told(full, nodes, scribe)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" lang="{scribe.language}" '
        f'width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        'aria-labelledby="access-t access-d" font-family="Libertinus Serif, serif" '
        'font-size="14">',
        f'<title id="access-t">{escape(scribe.say("Removal order"))}</title>',
        f'<desc id="access-d">{escape(told)}</desc>',
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        *(_guide(node, width) for node in nodes),
        *(line for node in nodes for line in _way_out(node, nodes)),
        *(line for node in nodes for line in _way_in(node, nodes)),
        *(_mark(node, name, scribe) for node, name in zip(nodes, names, strict=True)),
        "</svg>",
    ]
    return Drawing(svg="\n".join(parts) + "\n", told=told)


def _instance(step: Removal) -> str:
    return step.component if step.cylinder is None else f"{step.component}@{step.cylinder}"


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "…"


def _placed(steps: Sequence[Removal], left: int) -> list[_Node]:
    """Return the place of each step; a reason about a step that is not a later one is ignored."""
    rows = {_instance(step): row for row, step in enumerate(steps)}
    before: list[tuple[int, ...]] = []
    columns = [0] * len(steps)
    for row, step in enumerate(steps):
        named = (why.facts.get("component") for why in step.why if why.code == "stands-before")
        found = {rows[str(name)] for name in named if str(name) in rows}
        later = tuple(sorted(other for other in found if other > row))
        before.append(later)
        for other in later:
            columns[other] = max(columns[other], columns[row] + 1)
    reached = {other for later in before for other in later}
    lefts = [left]
    for column in range(max(columns, default=0)):
        lanes = sum(columns[row] == column + 1 for row in reached)
        lefts.append(lefts[-1] + GAP + LANE * lanes)
    return [
        _Node(row=row, column=column, x=lefts[column], before=before[row])
        for row, column in enumerate(columns)
    ]


def _y(node: _Node) -> int:
    return TOP + node.row * ROW + ROW // 2


def _guide(node: _Node, width: int) -> str:
    return (
        f'<line x1="0" x2="{width}" y1="{_y(node) + ROW // 2}" y2="{_y(node) + ROW // 2}" '
        f'stroke="{_QUIET}" stroke-width="0.6"/>'
    )


def _way_out(node: _Node, nodes: Sequence[_Node]) -> Iterator[str]:
    """Yield a line along the step's own row, and a dot where a line leads down from it."""
    lanes = [_lane(nodes[row], nodes) for row in node.before]
    if lanes:
        yield _line(node.x + DISC, _y(node), max(lanes), _y(node))
    for x in lanes:
        yield f'<circle cx="{x}" cy="{_y(node)}" r="2.2" fill="{_INK}"/>'


def _way_in(node: _Node, nodes: Sequence[_Node]) -> Iterator[str]:
    """Yield the line that leads down to a step from all that come before it, with its arrow."""
    above = [each for each in nodes if node.row in each.before]
    if not above:
        return
    x, y, tip = _lane(node, nodes), _y(node), node.x - DISC
    yield _line(x, _y(above[0]), x, y)
    yield _line(x, y, tip, y)
    yield f'<path d="M{tip - 6} {y - 3.5} L{tip} {y} L{tip - 6} {y + 3.5} Z" fill="{_INK}"/>'


def _lane(node: _Node, nodes: Sequence[_Node]) -> int:
    """Return where lines come down to a step: each step of a column has a lane of its own.

    The lowest step has the lane that is furthest left, so that lanes do not cut its last stretch.
    """
    reached = {row for each in nodes for row in each.before}
    lower = sum(
        each.column == node.column and each.row < node.row and each.row in reached for each in nodes
    )
    return node.x - DISC - 10 - LANE * lower


def _line(x1: int, y1: int, x2: int, y2: int) -> str:
    return f'<path d="M{x1} {y1} L{x2} {y2}" fill="none" stroke="{_INK}" stroke-width="1.1"/>'


def _mark(node: _Node, name: str, scribe: Scribe) -> str:
    number = scribe.number(str(node.row + 1))
    return (
        f'<text x="26" y="{_y(node) + 5}" text-anchor="end" fill="{_INK}">{number}</text>'
        f'<text x="36" y="{_y(node) + 5}" fill="{_INK}">{escape(name)}</text>'
        f'<circle cx="{node.x}" cy="{_y(node)}" r="{DISC}" fill="#ffffff" stroke="{_INK}" '
        'stroke-width="1.4"/>'
        f'<text x="{node.x}" y="{_y(node) + 4}" text-anchor="middle" font-size="11" '
        f'fill="{_INK}">{number}</text>'
    )


def _told(names: Sequence[str], nodes: Sequence[_Node], scribe: Scribe) -> str:
    if not names:
        return scribe.say("Nothing has to be removed.")
    sentences = []
    for node, name in zip(nodes, names, strict=True):
        number = scribe.number(str(node.row + 1))
        after = ", ".join(scribe.number(str(row + 1)) for row in node.before)
        told = (
            scribe.say(
                "Step {number}, {name}, before {after}.", number=number, name=name, after=after
            )
            if after
            else scribe.say("Step {number}, {name}.", number=number, name=name)
        )
        sentences.append(told)
    return " ".join(sentences)
