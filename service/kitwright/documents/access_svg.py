"""The access plan as a picture: a row for each removal in order, and those that wait for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final
from xml.sax.saxutils import escape

from msgspec import Struct

from kitwright.documents.layout import clean
from kitwright.documents.plan_view import place_name
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote, Removal, WorkPlan

ROW: Final = 20
DISC: Final = 8
GAP: Final = 30
LANE: Final = 7
TOP: Final = 14
_LONGEST: Final = 44
"""Characters of a name in the picture; the words next to it give the entire name."""

_INK: Final = "#14242c"
_QUIET: Final = "#c3cbcf"


class Drawing(Struct, frozen=True, kw_only=True):
    """An SVG document, and in words what it shows."""

    svg: str
    told: str


class _Row(Struct, frozen=True, kw_only=True):
    """A step that takes something off: its number on the sheet, name, component instance and place;
    `y` is the middle of its row, below its place's heading if it is the first there.
    """

    number: int
    name: str
    instance: str
    heading: str
    y: int


class _Node(Struct, frozen=True, kw_only=True):
    row: int
    column: int
    x: int
    y: int
    before: tuple[int, ...]


def access_svg(quote: Quote, scribe: Scribe, shown: Callable[[str], str] = clean) -> Drawing:
    """Return the steps that take something off, by place, and which of them wait for each, drawn
    and in words.

    Every step has a row of its own, so that no name can cover another; it is as far to the
    right as the longest chain of steps before it. A line leads down from each step to those that
    wait for it. `shown` makes of a name what can be shown of it where the picture is for.
    """
    rows = _rows(quote.work_plan, scribe, shown)
    names = [_short(row.name) for row in rows]
    left = 70 + max(map(len, names), default=20) * 7
    nodes = _placed(rows, _stands_before(quote), left)
    width = max((node.x for node in nodes), default=left) + DISC + 16
    height = (rows[-1].y if rows else TOP) + ROW // 2 + TOP
    told = _told(rows, nodes, scribe)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" lang="{scribe.language}" '
        f'width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        'aria-labelledby="access-t access-d" font-family="Libertinus Serif, serif" '
        'font-size="14">',
        f'<title id="access-t">{escape(scribe.say("Removal order"))}</title>',
        f'<desc id="access-d">{escape(told)}</desc>',
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        *(_heading(row) for row in rows if row.heading),
        *(_guide(node, width) for node in nodes),
        *(line for node in nodes for line in _way_out(node, nodes)),
        *(line for node in nodes for line in _way_in(node, nodes)),
        *(
            _mark(node, row, name, scribe)
            for node, row, name in zip(nodes, rows, names, strict=True)
        ),
        "</svg>",
    ]
    return Drawing(svg="\n".join(parts) + "\n", told=told)


def _rows(plan: WorkPlan, scribe: Scribe, shown: Callable[[str], str]) -> list[_Row]:
    rows: list[_Row] = []
    place: str | None = None
    y = TOP - ROW // 2
    for step in plan.steps:
        if step.kind not in ("remove", "hold"):
            continue
        heading = ""
        if step.place != place:
            heading = place_name(step.place, scribe)
            y += ROW
        place = step.place
        y += ROW
        instance = step.step.removeprefix("off ")
        rows.append(
            _Row(number=step.number, name=shown(step.name), instance=instance, heading=heading, y=y)
        )
    return rows


def _stands_before(quote: Quote) -> dict[str, set[str]]:
    """Return, for each component instance, those that wait for its removal."""
    return {
        _instance(step): {
            str(why.facts.get("component")) for why in step.why if why.code == "stands-before"
        }
        for step in quote.access.remove
    }


def _instance(step: Removal) -> str:
    return step.component if step.cylinder is None else f"{step.component}@{step.cylinder}"


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "…"


def _placed(steps: Sequence[_Row], waiting: Mapping[str, set[str]], left: int) -> list[_Node]:
    """Return the place of each step; what waits for it and is not a later one is ignored."""
    rows = {step.instance: row for row, step in enumerate(steps)}
    before: list[tuple[int, ...]] = []
    columns = [0] * len(steps)
    for row, step in enumerate(steps):
        found = {rows[name] for name in waiting.get(step.instance, ()) if name in rows}
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
        _Node(row=row, column=column, x=lefts[column], y=steps[row].y, before=before[row])
        for row, column in enumerate(columns)
    ]


def _heading(row: _Row) -> str:
    return (
        f'<text x="12" y="{row.y - ROW + 5}" font-weight="bold" fill="{_INK}">'
        f"{escape(row.heading)}</text>"
    )


def _guide(node: _Node, width: int) -> str:
    return (
        f'<line x1="0" x2="{width}" y1="{node.y + ROW // 2}" y2="{node.y + ROW // 2}" '
        f'stroke="{_QUIET}" stroke-width="0.6"/>'
    )


def _way_out(node: _Node, nodes: Sequence[_Node]) -> Iterator[str]:
    """Yield a line along the step's own row, and a dot where a line leads down from it."""
    lanes = [_lane(nodes[row], nodes) for row in node.before]
    if lanes:
        yield _line(node.x + DISC, node.y, max(lanes), node.y)
    for x in lanes:
        yield f'<circle cx="{x}" cy="{node.y}" r="2.2" fill="{_INK}"/>'


def _way_in(node: _Node, nodes: Sequence[_Node]) -> Iterator[str]:
    """Yield the line that leads down to a step from all that come before it, with its arrow."""
    above = [each for each in nodes if node.row in each.before]
    if not above:
        return
    x, y, tip = _lane(node, nodes), node.y, node.x - DISC
    yield _line(x, above[0].y, x, y)
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


def _mark(node: _Node, row: _Row, name: str, scribe: Scribe) -> str:
    number = scribe.number(str(row.number))
    return (
        f'<text x="26" y="{node.y + 5}" text-anchor="end" fill="{_INK}">{number}</text>'
        f'<text x="36" y="{node.y + 5}" fill="{_INK}">{escape(name)}</text>'
        f'<circle cx="{node.x}" cy="{node.y}" r="{DISC}" fill="#ffffff" stroke="{_INK}" '
        'stroke-width="1.4"/>'
        f'<text x="{node.x}" y="{node.y + 4}" text-anchor="middle" font-size="11" '
        f'fill="{_INK}">{number}</text>'
    )


def _told(rows: Sequence[_Row], nodes: Sequence[_Node], scribe: Scribe) -> str:
    if not rows:
        return scribe.say("Nothing has to be removed.")
    sentences = []
    for node, row in zip(nodes, rows, strict=True):
        number = scribe.number(str(row.number))
        after = ", ".join(scribe.number(str(rows[later].number)) for later in node.before)
        told = (
            scribe.say(
                "Step {number}, {name}, before {after}.", number=number, name=row.name, after=after
            )
            if after
            else scribe.say("Step {number}, {name}.", number=number, name=row.name)
        )
        sentences.append(f"{row.heading}: {told}" if row.heading else told)
    return " ".join(sentences)
