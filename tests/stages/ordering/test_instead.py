"""The next best offer for goods that come too late, with sums worked by hand."""

from __future__ import annotations

from datetime import date, timedelta

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

from kitwright.catalogue.model import ItemId, Quality, Supplier, SupplierId
from kitwright.stages.ordering import Lacking, next_offer
from kitwright.stages.supply import find_supply

NUT = "V68-B-205"
LATE = offer(NUT, "1.00")


def instead(
    *others: Supplier, pieces: int = 4, promised: date | None = None
) -> tuple[str, int, int] | None:
    """Return the supplier, packs and cost of the next offer for nuts that LATE doesn't deliver."""
    catalogue = stocked(with_suppliers(starter(), supplier("LATE", LATE), *others))
    shop = catalogue.shops[HIRE_YARD]
    lacking = Lacking(
        item=ItemId(NUT),
        pieces=pieces,
        quality=Quality.maker,
        supplier=SupplierId("LATE"),
        sku=LATE.sku,
        promised=promised,
    )
    days = dict.fromkeys(catalogue.suppliers, MONDAY)
    found = next_offer(catalogue, shop, find_supply(catalogue, shop), lacking, days)
    if found is None:
        return None
    return found.supplier.id, found.lines[0].packs, found.net.minor


def test_the_next_offer_is_the_cheapest_with_its_charges() -> None:
    near = supplier("NEAR", offer(NUT, "2.00"), freight=figure("9.00"))
    # two packs of three: 11.00
    other = supplier("OTHER", offer(NUT, "5.50", pack=3))

    assert instead(near, other) == ("OTHER", 2, 11_00)
    assert instead(near) == ("NEAR", 4, 17_00)
    # 16 pieces: six packs for 33.00, or 32.00 and 9.00
    assert instead(near, other, pieces=16) == ("OTHER", 6, 33_00)
    assert instead(near, other, pieces=40) == ("OTHER", 14, 77_00)
    assert instead() is None


def test_the_next_offer_has_enough_of_them_and_comes_sooner() -> None:
    few = supplier("FEW", offer(NUT, "2.00", stock=3))
    enough = supplier("ENOUGH", offer(NUT, "3.00", stock=4))
    slow = supplier("SLOW", offer(NUT, "2.50"), lead_days=9)

    assert instead(few, enough) == ("ENOUGH", 4, 12_00)
    assert instead(few, enough, slow) == ("SLOW", 4, 10_00)
    assert instead(few, enough, slow, promised=MONDAY + timedelta(days=7)) == ("ENOUGH", 4, 12_00)
    # no sooner is not soon enough
    assert instead(enough, promised=MONDAY + timedelta(days=2)) is None
