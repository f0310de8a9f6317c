"""What was to come from stock and is short is bought: in its quality, at least cost."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from tests.stages.workbench import (
    HIRE_YARD,
    MONDAY,
    offer,
    on_shelf,
    starter,
    stocked,
    supplier,
    with_suppliers,
)

from kitwright.catalogue.model import Catalogue, ItemId, Quality
from kitwright.stages.kit import Market
from kitwright.stages.ordering import (
    Missing,
    NothingSells,
    Packs,
    Use,
    buy_missing,
    joined,
    take_last,
)
from kitwright.stages.supply import find_supply

GASKET = "V68-G-110"
OIL = "CS-OIL"


def use(item: str, quantity: Fraction | int = 1, cylinder: int | None = 1) -> Use:
    return Use(
        role="rocker_cover_gasket",
        cylinder=cylinder,
        item=ItemId(item),
        number=ItemId(item),
        quantity=Fraction(quantity),
    )


def missing(
    item: str = GASKET, quantity: Fraction | int = 1, quality: Quality = Quality.alternate
) -> Missing:
    return Missing(use=use(item, quantity), unit="piece", quality=quality)


def buy(catalogue: Catalogue, *some: Missing) -> tuple[Packs, ...]:
    shop = catalogue.shops[HIRE_YARD]
    market = Market(catalogue, shop, find_supply(catalogue, shop))
    return buy_missing(market, some, on=MONDAY, needed_by=None)


@pytest.fixture
def market() -> Catalogue:
    """Return a catalogue whose shelf has the gasket, which two suppliers sell."""
    catalogue = with_suppliers(
        starter(),
        supplier("DEAR", offer(GASKET, "9.00")),
        supplier("CHEAP", offer(GASKET, "2.00", quality=Quality.alternate)),
    )
    return stocked(catalogue, on_shelf(GASKET, 5))


def test_shortage_is_bought_and_not_taken_from_the_shelf(market: Catalogue) -> None:
    (packs,) = buy(market, missing())
    assert (packs.supplier, packs.item, packs.count) == ("CHEAP", GASKET, 1)
    assert packs.unit_cost == Decimal("2.00")
    assert packs.covers == (use(GASKET),)


def test_shortage_is_bought_in_the_quality_that_was_promised(market: Catalogue) -> None:
    (packs,) = buy(market, missing(quality=Quality.maker))
    assert packs.supplier == "DEAR"


def test_shortage_is_bought_as_the_shop_asks_if_nobody_sells_its_quality() -> None:
    cheap = supplier("CHEAP", offer(GASKET, "2.00", quality=Quality.alternate))
    (packs,) = buy(with_suppliers(starter(), cheap), missing(quality=Quality.maker))
    assert packs.supplier == "CHEAP"


def test_shortage_that_nobody_sells_is_refused() -> None:
    with pytest.raises(NothingSells, match=GASKET):
        buy(with_suppliers(starter(), supplier("ONE")), missing())


def test_nothing_short_needs_nothing() -> None:
    assert buy(starter()) == ()


def test_take_last_takes_a_part_of_each_number_from_the_end() -> None:
    uses = [use(GASKET, 1, 1), use(GASKET, 1, 2), use(OIL, Fraction("1.5"))]
    assert take_last(uses, Fraction(1)) == tuple(uses)
    assert take_last(uses, Fraction(1, 2)) == (use(GASKET, 1, 2), use(OIL, Fraction("0.75")))
    assert take_last(uses, Fraction(0)) == ()


def test_joined_packs_of_one_sku_are_one_line(market: Catalogue) -> None:
    (packs,) = buy(market, missing())
    (other,) = buy(market, missing(quality=Quality.maker))
    one, two = joined([packs, other, packs])
    assert (one.count, two.count) == (2, 1)
    assert one.covers == packs.covers * 2


def test_shortage_is_bought_in_time() -> None:
    late = supplier("LATE", offer(GASKET, "1.00"), lead_days=9)
    soon = supplier("SOON", offer(GASKET, "5.00"), lead_days=1)
    catalogue = with_suppliers(starter(), late, soon)
    shop = catalogue.shops[HIRE_YARD]
    market = Market(catalogue, shop, find_supply(catalogue, shop))
    by = MONDAY + timedelta(days=4)
    (packs,) = buy_missing(market, [missing()], on=MONDAY, needed_by=by)
    assert packs.supplier == "SOON"
