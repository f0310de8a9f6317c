"""Baskets: what several quotes need, bought together, shared to the last minor unit."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from fractions import Fraction
from functools import cache
from math import ceil

from msgspec import structs
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
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import Catalogue, Purchasing, Quality, ShopId, SupplierId
from kitwright.money import total
from kitwright.stages.kit import Market
from kitwright.stages.ordering import (
    Basket,
    JointOrder,
    PartsOrder,
    Portion,
    buy_together,
    join_orders,
    landed_of,
)
from kitwright.stages.supply import find_supply, is_hazardous, meets

USD = "USD"
SHOP = ShopId("hire-yard")
JOBS = (
    (HEAD,),
    BOTH_HEADS,
    (job("J-LASH", 1),),
    (job("J-SHORT-BLOCK"),),
    (job("J-PLUG", 1), job("J-PLUG", 2)),
)
Orders = tuple[PartsOrder, ...]


def market_of(catalogue: Catalogue) -> Market:
    shop = catalogue.shops[SHOP]
    return Market(catalogue, shop, find_supply(catalogue, shop))


@cache
def asked() -> tuple[Market, tuple[Orders, ...]]:
    """Return the orders of some quotes, each asked for alone, and the market."""
    catalogue = stocked(starter())
    return market_of(catalogue), tuple(quote(catalogue, jobs=jobs).repair.orders for jobs in JOBS)


def days(market: Market, day: date = MONDAY) -> dict[SupplierId, date]:
    return dict.fromkeys(market.catalogue.suppliers, day)


def landed(joint: Iterable[JointOrder]) -> int:
    return sum(each.order.net.minor for each in joint)


def used(part: Portion) -> Fraction:
    """Return how many pieces, or packs of a consumable, a portion is used for."""
    consumables = starter().consumables
    return sum(
        (
            use.quantity / (Fraction(consumables[use.item].pack) if use.item in consumables else 1)
            for use in part.covers
        ),
        start=Fraction(0),
    )


def verify(wanted: Sequence[Orders], basket: Basket, *, is_short: bool = False) -> None:
    """Check that every quote has what it asked for, as good and as soon, and that all adds up."""
    has: dict[tuple[int, str, int | None, str], Fraction] = defaultdict(Fraction)
    for joint in basket.orders:
        order, own = joint.order, joint.allotments
        assert total((each.goods for each in own), USD) == order.goods
        assert total((each.fees for each in own), USD) == order.charges - order.freight
        assert total((each.freight for each in own), USD) == order.freight
        for place, line in enumerate(order.lines, start=1):
            parts = [part for each in own for part in each.portions if part.line == place]
            has_packs = [part.packs for part in parts]
            if any(packs % 1 for packs in has_packs):
                assert sum(map(ceil, has_packs)) > line.packs >= sum(has_packs)
                assert all(part.packs == used(part) / line.source.pack for part in parts)
            else:
                assert sum(has_packs) == line.packs
            assert total((part.net for part in parts), USD) == line.net
            assert line.packs == line.source.allowed(line.packs)
            assert is_short or line.packs <= (line.source.stock or line.packs)
        for each in own:
            asking = [line for one in wanted[each.asker] for line in one.lines]
            by = max(one.promised for one in wanted[each.asker])
            for part in each.portions:
                assert order.lines[part.line - 1].promised <= by
                for use in part.covers:
                    has[each.asker, use.role, use.cylinder, use.number] += use.quantity
                    (quality,) = {
                        line.source.quality
                        for line in asking
                        for asked_use in line.covers
                        if (asked_use.role, asked_use.cylinder, asked_use.number)
                        == (use.role, use.cylinder, use.number)
                    }
                    assert meets(part.quality, quality)
    wants: dict[tuple[int, str, int | None, str], Fraction] = defaultdict(Fraction)
    for asker, orders in enumerate(wanted):
        for use in (use for order in orders for line in order.lines for use in line.covers):
            wants[asker, use.role, use.cylinder, use.number] += use.quantity
    assert has == wants


def test_buy_together_gives_each_quote_what_it_asked_for_at_no_more_than_merged_orders() -> None:
    market, found = asked()
    cheaper = 0
    for seed in range(12):
        chance = random.Random(seed)
        wanted = [chance.choice(found) for _ in range(chance.randint(1, 12))]

        basket = buy_together(market, wanted, [None] * len(wanted), days(market))

        verify(wanted, basket)
        assert basket.is_least
        merged = landed(join_orders(market.catalogue, market.shop, wanted))
        assert landed(basket.orders) <= merged
        cheaper += landed(basket.orders) < merged
    assert cheaper > 3


def test_buy_together_waits_as_long_as_a_quote_can() -> None:
    items = everything(starter(), "10.00")
    soon = supplier("SOON", *items, lead_days=1)
    later = [structs.replace(each, sku=f"L-{each.item}", cost=figure("9.00")) for each in items]
    slow = supplier("LATER", *later, lead_days=4, freight=figure("40.00"))
    catalogue = stocked(with_suppliers(starter(), soon, slow))
    market = market_of(catalogue)
    wanted = [quote(catalogue, jobs=BOTH_HEADS).repair.orders for _ in range(3)]
    first, last = date(2027, 3, 2), date(2027, 3, 5)
    assert {order.promised for order in wanted[0]} == {first}

    for needed, used in ((None, "SOON"), (last - timedelta(days=1), "SOON"), (last, "LATER")):
        basket = buy_together(market, wanted, [needed] * 3, days(market))
        assert [one.order.supplier.id for one in basket.orders] == [used], needed


def test_buy_together_opens_packs_for_several_quotes() -> None:
    bolts = offer("V68-G-110", "10.00", pack=4)
    rest = [each for each in everything(starter(), "1.00") if each.item != bolts.item]
    catalogue = stocked(with_suppliers(starter(), supplier("ONE", *rest, bolts)))
    market = market_of(catalogue)
    alone = quote(catalogue, jobs=(job("J-ROCKER-COVER", 1),)).repair.orders

    basket = buy_together(market, [alone] * 3, [None] * 3, days(market))

    verify([alone] * 3, basket)
    (joint,) = basket.orders
    (place,) = (
        place for place, line in enumerate(joint.order.lines, 1) if line.source.item == bolts.item
    )
    assert joint.order.lines[place - 1].packs == 1
    # three pieces of four, paid alike: 3.34, 3.33 and 3.33 of 10.00
    parts = [each for own in joint.allotments for each in own.portions if each.line == place]
    assert [part.packs for part in parts] == [Fraction(1, 4)] * 3
    assert [part.net.minor for part in parts] == [3_34, 3_33, 3_33]


def test_buy_together_gives_whole_packs_where_there_are_enough_for_all() -> None:
    bolts = offer("V68-G-110", "10.00", pack=4, multiple=3)
    rest = [each for each in everything(starter(), "1.00") if each.item != bolts.item]
    catalogue = stocked(with_suppliers(starter(), supplier("ONE", *rest, bolts)))
    market = market_of(catalogue)
    alone = quote(catalogue, jobs=(job("J-ROCKER-COVER", 1),)).repair.orders

    basket = buy_together(market, [alone] * 2, [None] * 2, days(market))

    verify([alone] * 2, basket)
    packs = [
        part.packs
        for joint in basket.orders
        for own in joint.allotments
        for part in own.portions
        if joint.order.lines[part.line - 1].source.item == bolts.item
    ]
    assert packs == [2, 1]


def test_buy_together_splits_what_one_supplier_has_too_few_of() -> None:
    items = everything(starter(), "5.00")
    few = [structs.replace(each, stock=3) for each in items if each.item == "V68-G-103"]
    others = [structs.replace(each, sku=f"O-{each.item}", cost=figure("9.00")) for each in items]
    catalogue = stocked(
        with_suppliers(starter(), supplier("FEW", *few), supplier("OTHER", *others))
    )
    market = market_of(catalogue)
    wanted = [quote(catalogue, jobs=BOTH_HEADS).repair.orders for _ in range(3)]

    basket = buy_together(market, wanted, [None] * len(wanted), days(market))

    verify(wanted, basket)
    packs = {
        joint.order.supplier.id: sum(
            line.packs for line in joint.order.lines if line.source.item == "V68-G-103"
        )
        for joint in basket.orders
    }
    assert packs == {"FEW": 3, "OTHER": 3}


def test_buy_together_reaches_free_freight_by_moving_goods() -> None:
    items = everything(starter(), "10.00")
    near = supplier("NEAR", *items, freight=figure("30.00"), free_freight_from=figure("300.00"))
    cheap = supplier(
        "CHEAP",
        *(structs.replace(each, cost=figure("9.00"), sku=f"C-{each.item}") for each in items[::2]),
        freight=figure("5.00"),
    )
    catalogue = stocked(with_suppliers(starter(), near, cheap))
    market = market_of(catalogue)
    wanted = [quote(catalogue, jobs=jobs).repair.orders for jobs in (BOTH_HEADS, (HEAD,))]

    basket = buy_together(market, wanted, [None] * len(wanted), days(market))

    verify(wanted, basket)
    # merged, 210.00 and freight from NEAR, 207.00 and freight from CHEAP: nine pieces for 1.00 more
    # each end the freight of 30.00, and both quotes share a pack of each of five consumables
    assert landed(join_orders(market.catalogue, market.shop, wanted)) == 452_00
    assert [(one.order.supplier.id, one.order.net.minor) for one in basket.orders] == [
        ("CHEAP", 86_00),
        ("NEAR", 300_00),
    ]


def test_buy_together_leaves_a_special_order_with_its_supplier() -> None:
    items = everything(starter(), "5.00")
    special = [structs.replace(each, cost=figure("4.00"), is_special=True) for each in items]
    dear = [structs.replace(each, sku=f"D-{each.item}") for each in items]
    catalogue = stocked(with_suppliers(starter(), supplier("MADE", *special)))
    wanted = [quote(catalogue, jobs=(HEAD,)).repair.orders] * 2
    both = with_suppliers(catalogue, supplier("MADE", *special), supplier("OTHER", *dear))

    market = market_of(both)

    basket = buy_together(market, wanted, [None] * len(wanted), days(market))

    (joint,) = basket.orders
    assert joint.order.supplier.id == "MADE"
    verify(wanted, basket)


def test_buy_together_orders_what_there_is_too_little_of_where_it_was_asked_for() -> None:
    items = everything(starter(), "5.00")
    few = [structs.replace(each, stock=2) if each.item == "V68-G-103" else each for each in items]
    catalogue = stocked(with_suppliers(starter(), supplier("ONE", *few)))
    market = market_of(catalogue)
    wanted = [quote(catalogue, jobs=(HEAD,)).repair.orders] * 3

    basket = buy_together(market, wanted, [None] * len(wanted), days(market))

    verify(wanted, basket, is_short=True)
    (joint,) = basket.orders
    assert {line.packs for line in joint.order.lines if line.source.item == "V68-G-103"} == {3}


def test_buy_together_of_nothing_is_no_order() -> None:
    market, _ = asked()

    assert buy_together(market, [(), ()], [None, None], {}).orders == ()


def test_buy_together_prices_fractions_of_a_minor_unit_by_the_line() -> None:
    items = [structs.replace(each, cost=figure("1.125")) for each in everything(starter(), "1.00")]
    catalogue = stocked(with_suppliers(starter(), supplier("ONE", *items)))
    wanted = [quote(catalogue, jobs=jobs).repair.orders for jobs in JOBS]

    market = market_of(catalogue)

    basket = buy_together(market, wanted, [None] * len(wanted), days(market))

    assert basket.is_least
    for joint in basket.orders:
        for line in joint.order.lines:
            assert line.net == line.source.line_cost(line.packs)
            assert line.source.quality in Quality


def test_buy_together_counts_what_a_further_parcel_costs_the_shop() -> None:
    items = everything(starter(), "5.00")
    cheap = [
        structs.replace(each, sku=f"C-{each.item}", cost=figure("4.90"))
        for each in items
        if each.item == "V68-G-103"
    ]
    plain = with_suppliers(starter(), supplier("MAIN", *items), supplier("CHEAP", *cheap))
    wanted = [quote(stocked(plain), jobs=BOTH_HEADS).repair.orders] * 3

    def suppliers(parcel: str) -> set[str]:
        catalogue = with_shop(stocked(plain), purchasing=Purchasing(parcel_cost=figure(parcel)))
        market = market_of(catalogue)
        basket = buy_together(market, wanted, [None] * 3, days(market))
        assert basket.is_least
        assert landed_of(market.shop, basket.orders).minor == landed(basket.orders) + (
            (len(basket.orders) - 1) * int(figure(parcel) * 100)
        )
        return {str(one.order.supplier.id) for one in basket.orders}

    # six gaskets, each 0.10 cheaper
    assert suppliers("0") == {"MAIN", "CHEAP"}
    assert suppliers("0.59") == {"MAIN", "CHEAP"}
    assert suppliers("0.61") == {"MAIN"}


def test_buy_together_avoids_the_fee_for_hazardous_goods_where_that_costs_less() -> None:
    items = everything(starter(), "5.00")
    near = supplier("NEAR", *items, hazmat_fee=figure("20.00"))
    dearer = [structs.replace(each, sku=f"O-{each.item}", cost=figure("5.50")) for each in items]
    wanted = [
        quote(stocked(with_suppliers(starter(), near)), jobs=(job("J-SHORT-BLOCK"),)).repair.orders
    ] * 2
    market = market_of(stocked(with_suppliers(starter(), near, supplier("OTHER", *dearer))))

    basket = buy_together(market, wanted, [None] * len(wanted), days(market))

    verify(wanted, basket)
    kinds = {
        joint.order.supplier.id: {
            is_hazardous(market.catalogue, line.source.item) for line in joint.order.lines
        }
        for joint in basket.orders
    }
    assert kinds == {"NEAR": {False}, "OTHER": {True}}
