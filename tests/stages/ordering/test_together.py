"""Orders for several quotes: one for each supplier, shared to the last minor unit."""

from functools import cache

from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    HEAD,
    everything,
    figure,
    job,
    quote,
    starter,
    stocked,
    supplier,
    with_suppliers,
)

from kitwright.catalogue.model import Catalogue, ItemId, Quality, ShareBy, Shop, SupplierId
from kitwright.money import Money, total
from kitwright.stages.ordering import PartsOrder, Portion, join_orders, share_charge

USD = "USD"
JOBS = (
    (HEAD,),
    BOTH_HEADS,
    (job("J-LASH", 1),),
    (job("J-SHORT-BLOCK"),),
    (job("J-PLUG", 1), job("J-PLUG", 2)),
)
CHARGES = st.integers(0, 10**7)


@cache
def asked() -> tuple[Catalogue, Shop, tuple[tuple[PartsOrder, ...], ...]]:
    """Return the orders of some quotes, each asked for alone, and what they were quoted with."""
    catalogue = stocked(starter())
    found = tuple(quote(catalogue, jobs=jobs).repair.orders for jobs in JOBS)
    shop = next(shop for shop in catalogue.shops.values() if shop.currency == USD)
    return catalogue, shop, found


def portion(line: int, packs: int, net: int) -> Portion:
    return Portion(line=line, packs=packs, quality=Quality.maker, net=Money(net, USD), covers=())


@st.composite
def shared(draw: st.DrawFn) -> list[list[Portion]]:
    """Return what up to 60 quotes have of an order of up to 6 lines."""
    return [
        [
            portion(line, draw(st.integers(1, 500)), draw(st.integers(0, 10**6)))
            for line in sorted(draw(st.sets(st.integers(1, 6), min_size=1)))
        ]
        for _ in range(draw(st.integers(1, 60)))
    ]


@given(CHARGES, st.sampled_from(ShareBy), shared(), st.sets(st.integers(1, 6), min_size=1))
def test_share_charge_adds_up_and_asks_only_those_that_cause_it(
    charge: int, by: ShareBy, portions: list[list[Portion]], lines: set[int]
) -> None:
    shares = share_charge(Money(charge, USD), by, portions, lines)

    assert sum(one.minor for one in shares) == charge
    assert len(shares) == len(portions)
    causing = [any(one.line in lines for one in own) for own in portions]
    if any(causing):
        assert all(share.minor == 0 for share, own in zip(shares, causing, strict=True) if not own)


@given(CHARGES, shared())
def test_share_charge_gives_more_to_whoever_has_more(
    charge: int, portions: list[list[Portion]]
) -> None:
    every = range(1, 7)
    by_packs = share_charge(Money(charge, USD), ShareBy.packs, portions, every)
    equal = share_charge(Money(charge, USD), ShareBy.equal, portions, every)

    packs = [sum(one.packs for one in own) for own in portions]
    for (few, less), (many, more) in zip(
        sorted(zip(packs, by_packs, strict=True), key=lambda one: (one[0], one[1].minor))[:-1],
        sorted(zip(packs, by_packs, strict=True), key=lambda one: (one[0], one[1].minor))[1:],
        strict=True,
    ):
        assert few <= many
        assert less.minor <= more.minor + 1
    assert max(one.minor for one in equal) - min(one.minor for one in equal) <= 1


@given(
    st.lists(st.sampled_from(range(len(JOBS))), min_size=1, max_size=40), st.sampled_from(ShareBy)
)
def test_join_orders_shares_every_amount_of_every_order(quotes: list[int], by: ShareBy) -> None:
    catalogue, shop, found = asked()
    buys = structs.replace(shop.purchasing, share_by=by)
    wanted = [found[place] for place in quotes]

    made = join_orders(catalogue, structs.replace(shop, purchasing=buys), wanted)

    suppliers = [one.order.supplier.id for one in made]
    assert suppliers == sorted({order.supplier.id for orders in wanted for order in orders})
    for one in made:
        order, own = one.order, one.allotments
        assert total((each.goods for each in own), USD) == order.goods
        assert total((each.freight for each in own), USD) == order.freight
        assert total((each.fees for each in own), USD) == order.charges - order.freight
        assert total((each.net for each in own), USD) == order.net
        for place, line in enumerate(order.lines, start=1):
            parts = [part for each in own for part in each.portions if part.line == place]
            assert sum(part.packs for part in parts) == line.packs
            assert total((part.net for part in parts), USD) == line.net
            assert line.net == line.source.line_cost(line.packs)
            assert [use for part in parts for use in part.covers] == [*line.covers]
        for each in own:
            alone = {
                line.source.sku: line.packs
                for one_order in wanted[each.asker]
                if one_order.supplier.id == order.supplier.id
                for line in one_order.lines
            }
            assert alone == {
                order.lines[part.line - 1].source.sku: part.packs for part in each.portions
            }


def test_join_orders_leaves_one_quote_as_it_is() -> None:
    catalogue, shop, found = asked()
    for orders in found:
        made = join_orders(catalogue, shop, [orders])

        assert tuple(one.order for one in made) == orders
        assert all(one.allotments[0].net == one.order.net for one in made)


def test_join_orders_reaches_breaks_and_free_freight_together() -> None:
    catalogue, shop, found = asked()
    alone = {order.supplier.id: order for order in found[0]}

    (joint,) = (
        one
        for one in join_orders(catalogue, shop, [found[0]] * 12)
        if one.order.supplier.id == SupplierId("ALDQ")
    )

    assert alone[SupplierId("ALDQ")].freight.amount_text == "14.50"
    assert sum(each.freight.minor for each in joint.allotments) == joint.order.freight.minor
    assert joint.order.net.minor < 12 * alone[SupplierId("ALDQ")].net.minor


def test_bulky_freight_is_borne_by_who_needs_the_bulky_part() -> None:
    gasket = ItemId("V68-G-103")
    offered = tuple(
        structs.replace(each, freight=figure("95.00") if each.item == gasket else None)
        for each in everything(starter(), "1.00")
    )
    only = supplier("ONE", *offered, freight=figure("8.00"))
    catalogue = stocked(with_suppliers(starter(), only))
    wanted = [quote(catalogue, jobs=jobs).repair.orders for jobs in (JOBS[4], (HEAD,))]
    _, shop, _ = asked()

    (joint,) = join_orders(catalogue, shop, wanted)

    plugs, head = joint.allotments
    assert (plugs.freight + head.freight).amount_text == "103.00"
    assert 0 < plugs.freight.minor < 8_00
    assert head.freight.minor > 95_00
