"""The picture of an access plan: a row a step, a column further for what comes later."""

import random
import re
from itertools import pairwise

from lxml import etree
from msgspec import structs
from tests.documents.printed import SCRIBE, quote_of

from kitwright.documents.access_svg import DISC, Drawing, access_svg
from kitwright.quote import Quote, Reason, Removal

SVG = "{http://www.w3.org/2000/svg}"


def planned(edges: dict[int, list[int]], count: int, name: str = "part") -> Quote:
    """Return a revision whose access plan has some steps that stand before others."""
    quote = quote_of()
    removals = tuple(
        Removal(
            component=f"{name}_{row}",
            name=f"{name} {row}",
            cylinder=None,
            minutes=1,
            exact_minutes="1",
            why=tuple(
                Reason(code="stands-before", text="", facts={"component": f"{name}_{after}"})
                for after in edges.get(row, [])
            ),
        )
        for row in range(count)
    )
    plain = next(step for step in quote.work_plan.steps if step.kind == "remove")
    steps = tuple(
        structs.replace(
            plain,
            number=row + 1,
            step=f"off {one.component}",
            name=one.name,
            component=one.component,
            cylinder=None,
            place="machine" if row < 2 else "bench",
        )
        for row, one in enumerate(removals)
    )
    return structs.replace(
        quote,
        access=structs.replace(quote.access, remove=removals),
        work_plan=structs.replace(quote.work_plan, steps=steps),
    )


def discs(drawing: Drawing) -> list[tuple[int, int]]:
    """Return the middle of each step's disc, in order."""
    root = etree.fromstring(drawing.svg)
    return [
        (int(one.get("cx", "")), int(one.get("cy", "")))
        for one in root.iter(f"{SVG}circle")
        if one.get("r") == str(DISC)
    ]


def test_access_svg_tells_every_step_and_what_it_stands_before() -> None:
    drawing = access_svg(planned({0: [1, 2], 1: [2]}, 4), SCRIBE)

    assert drawing.told == (
        "In the machine: Step 1, part 0, before 2, 3. Step 2, part 1, before 3. "
        "On the bench: Step 3, part 2. Step 4, part 3."
    )
    description = etree.fromstring(drawing.svg).findtext(f"{SVG}desc")
    assert description == drawing.told


def test_access_svg_stands_each_step_right_of_all_before_it() -> None:
    drawn = random.Random(7)
    for _ in range(30):
        count = drawn.randint(2, 40)
        edges = {
            row: sorted(drawn.sample(range(row + 1, count), min(3, count - row - 1)))
            for row in range(count)
            if drawn.random() < 0.7
        }
        placed = discs(access_svg(planned(edges, count), SCRIBE))

        assert len(placed) == count
        assert all(above[1] + 2 * DISC < below[1] for above, below in pairwise(placed))
        for row, later in edges.items():
            assert all(placed[after][0] >= placed[row][0] + 2 * DISC for after in later)


def test_access_svg_leads_a_line_from_each_step_to_what_it_stands_before() -> None:
    edges = {0: [2, 3], 1: [3], 2: [4], 3: [4]}
    drawing = access_svg(planned(edges, 5), SCRIBE)
    placed = discs(drawing)
    lines = [
        tuple(map(int, found))
        for found in re.findall(r'd="M(\d+) (\d+) L(\d+) (\d+)"', drawing.svg)
    ]
    down = [(x, top, bottom) for x, top, end, bottom in lines if x == end]

    for row, later in edges.items():
        for after in later:
            (x, _, bottom), (left, y) = down[after - 2], placed[after]
            assert bottom == y
            assert x < left - 9
            # the step's own line reaches the line that leads down
            along = [line for line in lines if line[1] == line[3] == placed[row][1]]
            assert max(line[2] for line in along) >= x


def test_access_svg_passes_over_reasons_for_steps_that_are_not_planned() -> None:
    drawing = access_svg(planned({0: [9], 1: [0]}, 2), SCRIBE)

    assert drawing.told == "In the machine: Step 1, part 0. Step 2, part 1."


def test_access_svg_bears_any_name_and_no_step_at_all() -> None:
    hostile = access_svg(planned({0: [1]}, 2, '<script>"&\u202e' + "x" * 5_000), SCRIBE)
    root = etree.fromstring(hostile.svg)

    assert not list(root.iter("{*}script"))
    assert int(root.get("width") or 0) < 500
    assert "Nothing has to be removed." in access_svg(planned({}, 0), SCRIBE).told
