"""Parts orders of one invented supplier: fees, freight and promises, computed by hand."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from tests.stages.workbench import (
    BOTH_HEADS,
    HEAD,
    MONDAY,
    everything,
    figure,
    job,
    offer,
    quote,
    starter,
    stocked,
    supplier,
    with_suppliers,
)

from kitwright.catalogue.model import Offer
from kitwright.money import total
from kitwright.stages.ordering import PartsOrder
from kitwright.stages.price import LineKind

GASKET = "V68-G-103"


def orders(*offers: Offer, lead_days: int = 2, on: date = MONDAY, **terms: Any) -> PartsOrder:
    """Return the one order for a head gasket, everything at 1.00 but what is offered."""
    named = {each.item for each in offers}
    rest = tuple(each for each in everything(starter(), "1.00") if each.item not in named)
    only = supplier("ONE", *rest, *offers, lead_days=lead_days, **terms)
    found = quote(stocked(with_suppliers(starter(), only)), jobs=(HEAD,), on=on)
    (order,) = found.repair.orders
    return order


def test_split_orders_counts_the_goods_of_one_head_gasket() -> None:
    # 4 nuts, 2 clips, filter, 1 head, 1 cover, 2 intake, air box and 2 exhaust gaskets: 14;
    # abrasive, lube, cleaner and towels a pack each, and 1.9 L of oil in bottles of 0.946: 3
    order = orders()

    assert {line.source.item: line.packs for line in order.lines} == {
        "CS-ABRASIVE": 1,
        "CS-ASSYLUBE": 1,
        "CS-CLEANER": 1,
        "CS-OIL": 3,
        "CS-SHOPTOWEL": 1,
        "V68-B-205": 4,
        "V68-C-715": 2,
        "V68-F-801": 1,
        "V68-G-103": 1,
        "V68-G-110": 1,
        "V68-G-121": 2,
        "V68-G-131": 1,
        "V68-G-140": 2,
    }
    assert order.goods.amount_text == "21.00"


@pytest.mark.parametrize(
    ("minimum", "charged"), [("20.99", []), ("21.00", []), ("21.01", ["small-order"])]
)
def test_split_orders_charges_a_small_order_only_below_the_minimum(
    minimum: str, charged: list[str]
) -> None:
    order = orders(minimum_order=figure(minimum), small_order_fee=figure("5.00"))

    assert [fee.code for fee in order.fees] == charged


@pytest.mark.parametrize(
    ("free_from", "freight"), [(None, "8.00"), ("21.00", "0.00"), ("21.01", "8.00")]
)
def test_split_orders_frees_freight_where_the_goods_reach_the_threshold(
    free_from: str | None, freight: str
) -> None:
    order = orders(
        freight=figure("8.00"), free_freight_from=None if free_from is None else figure(free_from)
    )

    assert order.freight.amount_text == freight


def test_split_orders_counts_neither_fees_nor_freight_towards_free_freight() -> None:
    order = orders(
        freight=figure("8.00"),
        minimum_order=figure("100.00"),
        small_order_fee=figure("50.00"),
        free_freight_from=figure("25.00"),
    )

    assert order.freight.amount_text == "8.00"
    assert order.net.amount_text == "79.00"


@pytest.mark.parametrize(
    ("free_from", "freight"),
    [
        pytest.param(None, "21.00", id="its own 13.00 beside the flat 8.00"),
        pytest.param("1.00", "13.00", id="the flat one is free, its own is not"),
    ],
)
def test_split_orders_charges_a_bulky_items_own_freight_beside_the_flat_one(
    free_from: str | None, freight: str
) -> None:
    order = orders(
        offer(GASKET, "1.00", freight=figure("13.00")),
        freight=figure("8.00"),
        free_freight_from=None if free_from is None else figure(free_from),
    )

    assert order.freight.amount_text == freight


def test_split_orders_charges_own_freight_for_every_pack() -> None:
    order = orders(offer("V68-B-205", "1.00", freight=figure("0.75")))

    # four nuts
    assert order.freight.amount_text == "3.00"


def test_split_orders_charges_no_flat_freight_where_everything_has_its_own() -> None:
    # nothing but plugs is needed here, and each has its own freight
    plug = offer("V68-E-901", "1.00", freight=figure("2.00"))
    only = supplier("ONE", plug, freight=figure("8.00"))
    found = quote(stocked(with_suppliers(starter(), only)), jobs=(job("J-PLUG", 1),))

    (order,) = found.repair.orders
    assert order.freight.amount_text == "2.00"


def test_split_orders_charges_hazardous_goods_once_an_order() -> None:
    order = orders(hazmat_fee=figure("12.00"))

    assert [(fee.code, fee.amount.amount_text) for fee in order.fees] == [
        ("hazardous-goods", "12.00")
    ]
    assert order.charges.amount_text == "12.00"


def test_split_orders_makes_one_order_a_supplier_sorted_by_supplier() -> None:
    offers = everything(starter(), "1.00")
    last, first = supplier("ZED", *offers[::2]), supplier("ABE", *offers[1::2])
    found = quote(stocked(with_suppliers(starter(), last, first)), jobs=BOTH_HEADS)

    assert [order.supplier.id for order in found.repair.orders] == ["ABE", "ZED"]
    for order in found.repair.orders:
        items = [line.source.item for line in order.lines]
        assert items == sorted(items)
        assert order.goods == total((line.net for line in order.lines), "USD")


@pytest.mark.parametrize(
    ("on", "days", "promised"),
    [
        pytest.param(MONDAY, 0, date(2027, 3, 1), id="the same day"),
        pytest.param(MONDAY, 4, date(2027, 3, 5), id="a Friday"),
        pytest.param(MONDAY, 5, date(2027, 3, 8), id="over a weekend"),
        pytest.param(date(2027, 3, 6), 0, date(2027, 3, 8), id="on a Saturday"),
        pytest.param(date(2027, 3, 6), 1, date(2027, 3, 9), id="a day after a Saturday"),
    ],
)
def test_split_orders_promises_the_working_day_after_the_lead_time(
    on: date, days: int, promised: date
) -> None:
    assert orders(lead_days=days, on=on).promised == promised


def test_split_orders_promises_when_its_last_line_is_there() -> None:
    order = orders(offer(GASKET, "1.00", lead_days=4))

    assert order.promised == date(2027, 3, 5)
    assert {line.promised for line in order.lines} == {date(2027, 3, 3), date(2027, 3, 5)}


def test_split_orders_rounds_each_line_once() -> None:
    # four at 1.005 are 4.02, and not four times 1.01
    order = orders(offer("V68-B-205", "1.005"))

    (nuts,) = [line for line in order.lines if line.source.item == "V68-B-205"]
    assert nuts.net.amount_text == "4.02"


def test_split_orders_orders_nothing_for_what_lies_on_the_shelf() -> None:
    found = quote(starter(), jobs=(HEAD,))

    ordered = {line.source.item for order in found.repair.orders for line in order.lines}
    shelf = {taken.item for taken in found.repair.kit.from_stock}
    lines = [line.code for line in found.repair.lines if line.kind is LineKind.consumable]
    assert "CS-OIL" in shelf - ordered
    assert "CS-OIL" in lines
