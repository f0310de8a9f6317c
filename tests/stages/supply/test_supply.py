from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import (
    HIRE_YARD,
    everything,
    figure,
    listed,
    offer,
    starter,
    supplier,
    with_part,
    with_supplier,
    with_suppliers,
)

from kitwright.catalogue.model import (
    Break,
    ItemId,
    Offer,
    PriceListId,
    Quality,
    Supplier,
    SupplierId,
)
from kitwright.stages.supply import Source, find_supply

GASKET = ItemId("V68-G-140")


def sources_of(item: str, *suppliers: Supplier) -> list[Source]:
    """Return the sources of an item if the shop has these suppliers, in their order."""
    catalogue = with_suppliers(starter(), *suppliers)
    found = find_supply(catalogue, catalogue.shops[HIRE_YARD])
    return [*found.sources.get(ItemId(item), ())]


def source_of(offered: Offer) -> Source:
    """Return the source of one offer alone."""
    (source,) = sources_of(offered.item, supplier("ONE", offered))
    return source


def test_find_supply_never_sells_an_alternate_set_as_the_makers() -> None:
    # the maker of the set is served by default, and its pieces are alternate all the same
    makers = (*starter().suppliers[SupplierId("ALDQ")].makers, "Fennimoor")
    catalogue = with_supplier(starter(), "ALDQ", makers=makers)
    found = find_supply(catalogue, catalogue.shops[HIRE_YARD])
    sources = found.sources[ItemId("V68-K-011X")]
    assert {source.quality for source in sources} == {Quality.alternate}


def test_find_supply_keeps_every_offer_of_one_item_by_one_supplier() -> None:
    # a SKU is unique with a supplier, an item is not: singles and a pack of five
    single, five = offer("V68-G-140", "2.00"), offer("V68-G-140", "8.00", sku="S-5", pack=5)
    catalogue = with_suppliers(starter(), supplier("ONE", single, five))
    found = find_supply(catalogue, catalogue.shops[HIRE_YARD])
    assert [source.sku for source in found.sources[ItemId("V68-G-140")]] == ["S-5", "S-V68-G-140"]


def test_find_supply_sells_no_superseded_number() -> None:
    found = find_supply(starter(), starter().shops[HIRE_YARD])
    assert ItemId("V68-G-102") not in found.sources
    assert ItemId("V68-G-103") in found.sources


def test_find_supply_leaves_hazardous_goods_to_those_who_ship_them() -> None:
    offers = everything(starter())
    without = supplier("SAFE", *offers, ships_hazmat=False)
    catalogue = with_suppliers(starter(), without, supplier("ALL", *offers))
    found = find_supply(catalogue, catalogue.shops[HIRE_YARD])
    sellers = [source.supplier.id for source in found.sources[ItemId("CS-CLEANER")]]
    assert sellers == ["ALL"]


@pytest.mark.parametrize(
    ("minimum", "multiple", "stock", "items", "lots"),
    [
        (1, 1, None, 3, [1, 2, 3, 4]),
        (2, 2, None, 3, [2, 4]),
        (3, 2, None, 1, [4]),
        (1, 1, 2, 3, [1, 2]),
        (1, 1, 0, 1, [1, 4]),
        (5, 1, 4, 1, []),
    ],
)
def test_lots_yields_what_may_be_bought(
    minimum: int, multiple: int, stock: int | None, items: int, lots: list[int]
) -> None:
    offered = offer(
        "V68-G-140",
        "2.00",
        minimum=minimum,
        multiple=multiple,
        stock=stock,
        breaks=(Break(packs=4, cost=figure("1.50")),),
    )
    assert [*source_of(offered).lots(items)] == lots


@pytest.mark.parametrize(
    ("terms", "items", "lots"),
    [
        # four cost four times what one costs: one lot, taken as often as needed
        pytest.param({}, 4, [1], id="single pieces"),
        pytest.param({"multiple": 5}, 7, [5], id="in fives"),
        pytest.param({"minimum": 2, "multiple": 2}, 7, [2], id="in pairs, and at least one pair"),
        # there the number of packs is a choice
        pytest.param({"minimum": 4, "multiple": 2}, 5, [4, 6], id="more than one multiple first"),
        pytest.param({"cost": figure("0.333")}, 3, [1, 2, 3], id="three are 1.00, not 0.99"),
        # as far as there is stock
        pytest.param({"multiple": 5, "stock": 5}, 7, [5], id="stock for one multiple"),
        pytest.param({"multiple": 5, "stock": 4}, 7, [], id="stock for less"),
        pytest.param({"multiple": 5, "stock": 0}, 7, [5], id="on back order"),
    ],
)
def test_lots_yields_one_lot_where_any_number_costs_so_many_times_as_much(
    terms: dict[str, Any], items: int, lots: list[int]
) -> None:
    offered = structs.replace(offer(GASKET, "2.00"), **terms)

    assert [*source_of(offered).lots(items)] == lots


def test_lots_counts_in_packs_and_reaches_for_later_breaks() -> None:
    # 9 items are 3 packs of 4, of which 2 are the least that is sold; 10 packs are cheaper each
    breaks = (Break(packs=3, cost=figure("1.90")), Break(packs=10, cost=figure("1.50")))
    source = source_of(offer(GASKET, "2.00", pack=4, minimum=2, breaks=breaks))

    assert [*source.lots(9)] == [2, 3, 10]
    # what a break asks for is rounded up to the multiple as well
    pairs = source_of(offer(GASKET, "2.00", multiple=4, breaks=breaks))
    assert [*pairs.lots(1)] == [4, 12]


@pytest.mark.parametrize(
    ("packs", "unit_cost"), [(1, "2.00"), (2, "2.00"), (3, "1.90"), (9, "1.90"), (10, "1.50")]
)
def test_unit_cost_is_that_of_the_last_break_that_is_reached(packs: int, unit_cost: str) -> None:
    breaks = (Break(packs=3, cost=figure("1.90")), Break(packs=10, cost=figure("1.50")))
    source = source_of(offer(GASKET, "2.00", breaks=breaks))

    assert source.unit_cost(packs) == Decimal(unit_cost)
    assert source.line_cost(packs).amount == packs * Decimal(unit_cost)


@pytest.mark.parametrize(
    ("packs", "allowed"), [(0, 6), (1, 6), (5, 6), (6, 6), (7, 9), (9, 9), (10, 12)]
)
def test_allowed_brings_packs_up_to_minimum_and_multiple(packs: int, allowed: int) -> None:
    # at least 5, in threes
    assert source_of(offer(GASKET, "2.00", minimum=5, multiple=3)).allowed(packs) == allowed


def test_find_supply_takes_every_term_of_an_offer() -> None:
    offered = offer(
        GASKET,
        "8.00",
        Quality.alternate,
        sku="S-9",
        brand="Other",
        pack=5,
        minimum=2,
        multiple=2,
        breaks=(Break(packs=4, cost=figure("7.00")),),
        stock=3,
        lead_days=9,
        freight=figure("1.50"),
    )

    source = source_of(offered)

    # what is made for one customer alone matters when it is ordered, not when it is chosen
    terms = [name for name in offered.__struct_fields__ if name != "is_special"]
    assert {name: getattr(source, name) for name in terms} == {
        name: getattr(offered, name) for name in terms
    }
    assert source.supplier.id == "ONE"
    assert source.cost_of_one == Fraction(8, 5)
    assert not source.is_back_order
    assert source_of(offer(GASKET, "8.00", stock=0)).is_back_order


def test_find_supply_gives_an_offer_its_suppliers_lead_time_where_it_has_none() -> None:
    assert source_of(offer(GASKET, "8.00")).lead_days == 2


def by_rule(percent: str | None = "62.5", **changes: Any) -> Supplier:
    """Return a supplier who sells what Tarnbeck makes at a share of the list price."""
    share = None if percent is None else figure(percent)
    terms: dict[str, Any] = {"makers": ("Tarnbeck",), "price_list": PriceListId("usd")}
    return supplier("ONE", default_cost_percent=share, **{**terms, **changes})


def test_find_supply_prices_a_makers_parts_by_the_suppliers_rule() -> None:
    # 62.5 % of 10.01 is 6.25625
    catalogue = with_suppliers(with_part(starter(), GASKET, list_price=listed("10.01")), by_rule())
    (source,) = find_supply(catalogue, catalogue.shops[HIRE_YARD]).sources[GASKET]

    assert source.cost == Decimal("6.26")
    assert (source.sku, source.brand, source.quality) == (GASKET, "Tarnbeck", Quality.maker)
    assert (source.pack, source.minimum, source.multiple, source.breaks) == (1, 1, 1, ())
    assert (source.stock, source.lead_days, source.freight) == (None, 2, None)


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"percent": None}, id="no rule"),
        pytest.param({"price_list": None}, id="no list to take it from"),
        pytest.param({"makers": ("Fennimoor",)}, id="another maker"),
        pytest.param({"currency": "EUR"}, id="another currency"),
    ],
)
def test_find_supply_sells_nothing_by_a_rule_that_does_not_apply(changes: dict[str, Any]) -> None:
    assert sources_of(GASKET, by_rule(**changes)) == []


def test_find_supply_sells_no_part_by_the_rule_that_its_list_has_no_price_of() -> None:
    listing = with_part(starter(), GASKET, list_price={})
    catalogue = with_suppliers(listing, by_rule())

    assert GASKET not in find_supply(catalogue, catalogue.shops[HIRE_YARD]).sources


def test_find_supply_sells_no_superseded_number_by_the_rule_either() -> None:
    assert sources_of("V68-G-102", by_rule()) == []
    assert len(sources_of("V68-G-103", by_rule())) == 1


def test_find_supply_lets_an_offer_take_the_place_of_the_rule() -> None:
    (source,) = sources_of(GASKET, by_rule(offer=(offer(GASKET, "5.00"),)))

    assert (source.sku, source.cost) == (f"S-{GASKET}", Decimal("5.00"))


def test_find_supply_lists_the_cheapest_first_then_by_supplier() -> None:
    # a pack of five at 8.00 is 1.60 each
    two, one = (supplier(name, offer(GASKET, "2.00")) for name in ("TWO", "ONE"))
    five = supplier("ZED", offer(GASKET, "8.00", pack=5))

    sellers = [source.supplier.id for source in sources_of(GASKET, two, one, five)]

    assert sellers == ["ZED", "ONE", "TWO"]
