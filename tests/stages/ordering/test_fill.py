"""Filling an order up to free freight, with sums worked by hand."""

from __future__ import annotations

from typing import Any

from msgspec import structs
from tests.stages.workbench import (
    HIRE_YARD,
    MONDAY,
    figure,
    offer,
    starter,
    stocked,
    supplier,
    with_suppliers,
)

from kitwright.catalogue.model import Break, ItemId, Offer
from kitwright.stages.ordering import Fill, Restock, fill_up
from kitwright.stages.ordering.order import order_line, place_orders
from kitwright.stages.supply import find_supply

GASKET, NUT, SEAL, CLEANER = "V68-G-110", "V68-B-205", "V68-S-410", "CS-CLEANER"


def filled(
    offers: tuple[Offer, ...], ordered: dict[str, int], *wanted: tuple[str, int], **terms: Any
) -> Fill | None:
    """Return what fills an order of some packs at a supplier, which charges 12.00 of freight below
    100.00.
    """
    plain = {"freight": figure("12.00"), "free_freight_from": figure("100.00")}
    catalogue = stocked(with_suppliers(starter(), supplier("ONE", *offers, **plain | terms)))
    shop = catalogue.shops[HIRE_YARD]
    supply = find_supply(catalogue, shop)
    lines = [
        order_line(shop, supply.sources[ItemId(item)][0], packs, (), MONDAY)
        for item, packs in ordered.items()
    ]
    (order,) = place_orders(catalogue, lines)
    return fill_up(catalogue, supply, order, [Restock(ItemId(item), n) for item, n in wanted])


def told(found: Fill | None) -> tuple[int, dict[str, tuple[int, int]], int]:
    assert found is not None
    fillers = {str(one.source.item): (one.packs, one.net.minor) for one in found.fillers}
    return found.gap.minor, fillers, found.saved.minor


def test_no_more_is_proposed_than_makes_up_the_gap() -> None:
    offers = offer(GASKET, "80.00"), offer(NUT, "3.00")

    # 20.00 are missing: seven nuts for 21.00, of the thirty that the shelf lacks
    assert told(filled(offers, {GASKET: 1}, (NUT, 30))) == (20_00, {NUT: (7, 21_00)}, 12_00)


def test_the_most_urgent_is_taken_first_and_never_more_than_is_wanted() -> None:
    offers = offer(GASKET, "80.00"), offer(NUT, "3.00"), offer(SEAL, "10.00", pack=2)

    # two nuts are 6.00; of 14.00 that are then missing, two packs of seals
    found = filled(offers, {GASKET: 1}, (NUT, 2), (SEAL, 5))

    assert told(found) == (20_00, {NUT: (2, 6_00), SEAL: (2, 20_00)}, 12_00)
    # one pack of seals is all that three more of them allow
    assert filled(offers, {GASKET: 1}, (NUT, 2), (SEAL, 3)) is None


def test_packs_of_an_item_that_is_ordered_anyway_count_with_its_terms() -> None:
    nuts = offer(NUT, "3.00", minimum=10, multiple=5)

    # 60.00 are ordered; twenty more make 120.00, fifteen 105.00
    found = filled((nuts,), {NUT: 20}, (NUT, 100))

    assert told(found) == (40_00, {NUT: (15, 45_00)}, 12_00)
    assert filled((nuts,), {NUT: 20}, (NUT, 14)) is None


def test_nothing_is_proposed_where_it_saves_nothing() -> None:
    offers = offer(GASKET, "80.00"), offer(NUT, "3.00")

    assert filled(offers, {GASKET: 2}, (NUT, 30)) is None
    assert filled(offers, {GASKET: 1}) is None
    assert filled(offers, {GASKET: 1}, (NUT, 30), free_freight_from=None) is None
    assert filled(offers, {GASKET: 1}, (NUT, 30), freight=figure("0")) is None
    # hazardous goods cost a fee of more than the freight
    hazardous = offer(CLEANER, "25.00")
    fee = {"ships_hazmat": True, "hazmat_fee": figure("15.00")}
    assert filled((*offers, hazardous), {GASKET: 1}, (CLEANER, 5), **fee) is None


def test_goods_that_the_supplier_lacks_or_makes_specially_are_left_out() -> None:
    offers = offer(GASKET, "80.00"), offer(NUT, "3.00")
    few = offers[0], structs.replace(offers[1], stock=6)
    special = offers[0], structs.replace(offers[1], is_special=True)

    assert filled(few, {GASKET: 1}, (NUT, 30)) is None
    assert filled(special, {GASKET: 1}, (NUT, 30)) is None


def test_packs_to_add_count_at_what_the_whole_line_then_costs_more() -> None:
    nuts = offer(NUT, "3.00", breaks=(Break(packs=30, cost=figure("2.00")),))

    # 20 for 60.00 are ordered; at the price from 30 on, 50 reach 100.00
    assert told(filled((nuts,), {NUT: 20}, (NUT, 100))) == (40_00, {NUT: (30, 40_00)}, 12_00)
