"""What a kit takes from stock of goods that were ordered for its own quote before."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from msgspec import structs
from tests.stages.workbench import HEAD, quote, starter

from kitwright.catalogue.model import ItemId, Quality, SupplierId
from kitwright.stages.kit import FromStock
from kitwright.stages.ordering.later import own_stock
from kitwright.stages.request import Ordered, OrderedPacks

OIL, GASKET = ItemId("CS-OIL"), ItemId("V68-G-110")


def from_stock(item: ItemId, quantity: str) -> FromStock:
    return FromStock(
        item=item,
        packs=Fraction(1),
        quantity=Fraction(quantity),
        unit="L",
        cost=Fraction(0),
        make=None,
        quality=Quality.maker,
        bin="A1",
        covers=(),
    )


def ordered(item: ItemId, packs: int, size: int = 1, *, is_here: bool = True) -> OrderedPacks:
    return OrderedPacks(
        supplier=SupplierId("ONE"), sku="S", item=item, size=size, packs=packs, is_here=is_here
    )


def test_own_stock_is_in_the_unit_of_each_item_and_no_more_than_the_kit_takes() -> None:
    kit = structs.replace(
        quote(starter(), jobs=(HEAD,)).repair.kit,
        from_stock=(from_stock(OIL, "1"), from_stock(OIL, "4"), from_stock(GASKET, "3")),
    )
    # two bottles of 0.946 L, and two packs of four gaskets, are there; a third bottle is not
    here = Ordered(
        packs=(ordered(OIL, 2), ordered(OIL, 1, is_here=False), ordered(GASKET, 2, 4)),
        charged=Decimal(0),
    )

    assert own_stock(starter(), here, kit) == {OIL: Fraction("1.892"), GASKET: Fraction(3)}
