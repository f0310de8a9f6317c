"""Selling prices of one item at a known cost, computed by hand."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from msgspec import structs
from tests.stages.workbench import (
    HIRE_YARD,
    figure,
    listed,
    offer,
    starter,
    supplier,
    with_part,
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import (
    Band,
    Catalogue,
    ItemId,
    PartsPrice,
    PriceRule,
    Quality,
)
from kitwright.stages.supply import find_supply
from kitwright.stages.supply.selling import CostBeyondBands, NoListPrice, selling_price

ITEM = ItemId("V68-G-103")
BANDS = (
    Band(up_to=figure("5.00"), percent=figure("100")),
    Band(up_to=figure("25.00"), percent=figure("65")),
    Band(up_to=figure("100.00"), percent=figure("45")),
    Band(percent=figure("18")),
)
MARKUP = PartsPrice(rule=PriceRule.markup, bands=BANDS, step=figure("0.01"))


def margin(percent: str, step: str = "0.01") -> PartsPrice:
    return PartsPrice(rule=PriceRule.margin, margin_percent=figure(percent), step=figure(step))


def shop_with(rule: PartsPrice, cost: str, list_price: str = "1000.00") -> Catalogue:
    """Return the catalogue with one supplier of one gasket, and the hire yard's rule changed."""
    catalogue = with_part(starter(), ITEM, list_price=listed(list_price))
    catalogue = with_suppliers(catalogue, supplier("ONE", offer(ITEM, cost)))
    return with_shop(catalogue, parts_price=rule)


def price(catalogue: Catalogue, floor: Quality = Quality.alternate, item: ItemId = ITEM) -> Decimal:
    shop = catalogue.shops[HIRE_YARD]
    return selling_price(catalogue, shop, find_supply(catalogue, shop), item, floor)


@pytest.mark.parametrize(
    ("cost", "expected"),
    [
        pytest.param("5.00", "10.00", id="the first band's top edge"),
        pytest.param("5.01", "10.00", id="8.27 by its band, and never below the edge before"),
        pytest.param("6.06", "10.00", id="9.999"),
        pytest.param("6.07", "10.02", id="10.0155: its band again"),
        pytest.param("25.00", "41.25", id="the second band's top edge"),
        pytest.param("25.01", "41.25", id="36.26 by its band"),
        pytest.param("100.00", "145.00", id="the third band's top edge"),
        pytest.param("100.01", "145.00", id="118.01 by its band"),
        pytest.param("0.00", "0.00", id="nothing"),
    ],
)
def test_selling_price_never_falls_where_the_cost_rises(cost: str, expected: str) -> None:
    assert price(shop_with(MARKUP, cost)) == Decimal(expected)


def test_selling_price_falls_at_an_edge_where_the_shop_is_not_monotone() -> None:
    rule = structs.replace(MARKUP, is_monotone=False)

    assert price(shop_with(rule, "5.00")) == Decimal("10.00")
    # 5.01 x 1.65 = 8.2665
    assert price(shop_with(rule, "5.01")) == Decimal("8.27")


def test_selling_price_keeps_the_costliest_of_all_edges_before() -> None:
    # 10 at the first edge, 6 x 1.1 = 6.60 at the second: the first still holds in the third
    bands = (
        Band(up_to=figure("5.00"), percent=figure("100")),
        Band(up_to=figure("6.00"), percent=figure("10")),
        Band(percent=figure("20")),
    )
    rule = PartsPrice(rule=PriceRule.markup, bands=bands, step=figure("0.01"))

    assert price(shop_with(rule, "7.00")) == Decimal("10.00")


@pytest.mark.parametrize(
    ("percent", "expected"),
    [("50", "20.00"), ("0", "10.00"), ("20", "12.50"), ("30", "14.29"), ("75", "40.00")],
)
def test_selling_price_takes_a_margin_as_a_share_of_the_price(percent: str, expected: str) -> None:
    """Common practice: price = cost / (1 - margin), so that a margin of 50 % doubles the cost."""
    assert price(shop_with(margin(percent), "10.00")) == Decimal(expected)


@pytest.mark.parametrize(
    ("of_price", "on_cost"), [("50", "100"), ("20", "25"), ("37.5", "60"), ("60", "150")]
)
def test_selling_price_is_alike_by_the_margin_and_the_markup_that_equal_it(
    of_price: str, on_cost: str
) -> None:
    """Common practice: markup = margin / (1 - margin)."""
    markup = PartsPrice(
        rule=PriceRule.markup, bands=(Band(percent=figure(on_cost)),), step=figure("0.01")
    )

    assert price(shop_with(margin(of_price), "7.77")) == price(shop_with(markup, "7.77"))


@pytest.mark.parametrize(
    ("cost", "step", "expected"),
    [
        pytest.param("10.01", "0.05", "16.50", id="16.5165, down"),
        pytest.param("10.015", "0.05", "16.50", id="16.52475, down"),
        pytest.param("10.0152", "0.05", "16.55", id="16.52508, up"),
        pytest.param("6.075", "0.05", "10.00", id="10.02375"),
        pytest.param("10.00", "1.00", "17.00", id="16.50: a half goes up"),
        pytest.param("10.00", "5.00", "15.00", id="16.50 to fives"),
    ],
)
def test_selling_price_rounds_once_to_the_shops_step_half_up(
    cost: str, step: str, expected: str
) -> None:
    assert price(shop_with(structs.replace(MARKUP, step=figure(step)), cost)) == Decimal(expected)


@pytest.mark.parametrize(
    ("list_price", "expected"),
    [
        pytest.param("20.00", "16.50", id="markup is lower"),
        pytest.param("16.00", "16.00", id="list is lower"),
        pytest.param("16.48", "16.48", id="the step would go above list"),
        pytest.param("16.52", "16.50", id="the step stays below list"),
    ],
)
def test_selling_price_is_the_lower_of_list_and_markup_and_never_above_list(
    list_price: str, expected: str
) -> None:
    rule = structs.replace(MARKUP, rule=PriceRule.lower_of_list_and_markup, step=figure("0.05"))

    assert price(shop_with(rule, "10.00", list_price)) == Decimal(expected)


@pytest.mark.parametrize("rule", [MARKUP, margin("50")])
def test_selling_price_may_go_above_list_where_the_rule_does_not_ask_for_it(
    rule: PartsPrice,
) -> None:
    assert price(shop_with(rule, "10.00", "12.00")) > Decimal("12.00")


def test_selling_price_by_list_asks_for_no_cost() -> None:
    rule = PartsPrice(rule=PriceRule.list, step=figure("0.50"))

    # printed as the maker lists it: the step is for what the shop makes up itself
    assert price(shop_with(rule, "10.00", "18.37")) == Decimal("18.37")


@pytest.mark.parametrize("rule", [MARKUP, margin("50")])
def test_selling_price_of_what_nobody_sells_is_its_list_price(rule: PartsPrice) -> None:
    catalogue = with_suppliers(shop_with(rule, "10.00", "18.37"))

    assert price(catalogue) == Decimal("18.37")


def test_selling_price_takes_the_cheapest_source_that_meets_the_floor() -> None:
    catalogue = with_suppliers(
        shop_with(MARKUP, "10.00"),
        supplier("ONE", offer(ITEM, "10.00")),
        supplier("TWO", offer(ITEM, "4.00", Quality.alternate)),
    )

    assert price(catalogue, Quality.alternate) == Decimal("8.00")
    assert price(catalogue, Quality.maker) == Decimal("16.50")


def test_selling_price_takes_the_cost_of_one_out_of_a_pack_without_its_breaks() -> None:
    # ten for 33.33: 3.333 each, doubled 6.666
    catalogue = with_suppliers(
        shop_with(MARKUP, "10.00"), supplier("ONE", offer(ITEM, "33.33", pack=10))
    )

    assert price(catalogue) == Decimal("6.67")


def test_selling_price_refuses_an_item_without_a_price_in_the_shops_list() -> None:
    catalogue = with_part(shop_with(MARKUP, "10.00"), ITEM, list_price={})
    with pytest.raises(NoListPrice) as refused:
        price(with_suppliers(catalogue))

    assert (refused.value.item, refused.value.price_list) == (ITEM, "usd")
    assert str(refused.value) == f"{ITEM} has no price in price list usd"


def test_selling_price_refuses_a_cost_that_no_band_holds() -> None:
    rule = structs.replace(MARKUP, bands=BANDS[:1])
    with pytest.raises(
        CostBeyondBands, match=r"^no markup band covers a cost of 5\.01$"
    ) as refused:
        price(shop_with(rule, "5.01"))

    assert refused.value.cost == Fraction(501, 100)
