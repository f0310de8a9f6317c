"""Free stock as a value: what it holds, and its mark."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from msgspec import structs
from tests.stages.workbench import HIRE_YARD, on_shelf, starter, stocked

from kitwright.catalogue.model import ItemId, Quality
from kitwright.stages.supply import Held, Stock, opening_stock


def held(item: str = "A", free: Fraction | int = 1, **said: Any) -> Held:
    plain = Held(
        item=ItemId(item),
        quality=Quality.maker,
        brand=None,
        bin="B1",
        free=Fraction(free),
        cost=100,
    )
    return structs.replace(plain, **said)


def test_stock_holds_what_is_free_in_the_order_given() -> None:
    first, second = held(bin="Z"), held(bin="B")
    stock = Stock([first, held("C", 0), second])
    assert dict(stock.rows) == {"A": (first, second)}


def test_mark_tells_contents_apart() -> None:
    rows = [held(), held("C", 3), held(bin="B2")]
    same = Stock([rows[1], rows[0], rows[2]])
    assert Stock(rows).mark == same.mark
    changed = [
        [*rows[:2]],
        [held(free=2), *rows[1:]],
        [held(quality=Quality.alternate), *rows[1:]],
        [held(brand="None"), *rows[1:]],
        [held(cost=101), *rows[1:]],
        # the order in which bins are emptied
        [rows[2], rows[1], rows[0]],
    ]
    marks = {Stock(each).mark for each in (rows, *changed)}
    assert len(marks) == len(changed) + 1


def test_replaced_stock_is_that_of_its_rows() -> None:
    stock = Stock([held(), held("C", 3), held("D")])
    found = stock.replaced([ItemId("C"), ItemId("D"), ItemId("E")], [held("C", 5), held("E")])
    whole = Stock([held(), held("C", 5), held("E")])
    assert (found.mark, dict(found.rows)) == (whole.mark, dict(whole.rows))
    assert stock.rows[ItemId("C")] == (held("C", 3),)


def test_opening_stock_leaves_out_what_is_promised() -> None:
    row = on_shelf("V68-G-110", 3, cost="2.40", promised=1)
    shop = stocked(starter(), row, on_shelf("V68-G-101", 2, promised=2)).shops[HIRE_YARD]
    (found,) = opening_stock(shop).rows.values()
    assert [(one.item, int(one.free), one.cost) for one in found] == [(ItemId("V68-G-110"), 2, 240)]
