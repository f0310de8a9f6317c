import pytest
from tests.stages.workbench import (
    HIRE_YARD,
    everything,
    offer,
    starter,
    supplier,
    with_supplier,
    with_suppliers,
)

from kitwright.catalogue.model import ItemId, Quality, SupplierId
from kitwright.stages.supply import find_supply


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
    from tests.stages.workbench import figure

    from kitwright.catalogue.model import Break

    offered = offer(
        "V68-G-140",
        "2.00",
        minimum=minimum,
        multiple=multiple,
        stock=stock,
        breaks=(Break(packs=4, cost=figure("1.50")),),
    )
    catalogue = with_suppliers(starter(), supplier("ONE", offered))
    source = find_supply(catalogue, catalogue.shops[HIRE_YARD]).sources[ItemId("V68-G-140")][0]
    assert [*source.lots(items)] == lots
