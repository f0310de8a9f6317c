"""Follow-up orders of invented suppliers: packs, money and surplus, worked out by hand."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    HIRE_YARD,
    MONDAY,
    figure,
    offer,
    quote,
    starter,
    stocked,
    supplier,
    with_set,
    with_suppliers,
)

from kitwright.catalogue.model import Break, Catalogue, ItemId, Quality, Supplier, SupplierId
from kitwright.stages.ordering import FollowUp, Packs, SupplierGone, Use, plan_follow_up
from kitwright.stages.supply import find_supply

GASKET = "V68-G-110"
NUT = "V68-B-205"
SEAL = "V68-S-410"
OIL = "CS-OIL"
SET = "V68-K-011"


def uses(*numbers: str, item: str | None = None, start: int = 1) -> tuple[Use, ...]:
    """Return a need of one piece each, on cylinders that count up."""
    return tuple(
        Use(
            role=f"role of {number}",
            cylinder=place,
            item=ItemId(item or number),
            number=ItemId(number),
            quantity=Fraction(1),
        )
        for place, number in enumerate(numbers, start=start)
    )


def packs(
    item: str, count: Fraction | int, covers: tuple[Use, ...], by: str = "ONE", **changes: Any
) -> Packs:
    """Return packs of single pieces at 1.00 under the SKU that `offer` gives them."""
    plain = Packs(
        supplier=SupplierId(by),
        sku=f"S-{item}",
        item=ItemId(item),
        brand="Brand",
        count=count,
        size=1,
        unit_cost=Decimal("1.00"),
        lead_days=2,
        covers=covers,
    )
    return structs.replace(plain, **changes)


def of(item: str, pieces: int, count: Fraction | int | None = None, **changes: Any) -> Packs:
    """Return packs of an item for so many pieces, by default as many packs."""
    return packs(item, pieces if count is None else count, uses(*[item] * pieces), **changes)


def plan(
    suppliers: tuple[Supplier, ...],
    wanted: list[Packs],
    before: list[Packs],
    catalogue: Catalogue | None = None,
    on: date = MONDAY,
) -> FollowUp:
    stocks = stocked(with_suppliers(catalogue or starter(), *suppliers))
    shop = stocks.shops[HIRE_YARD]
    days = dict.fromkeys(stocks.suppliers, on)
    return plan_follow_up(stocks, shop, find_supply(stocks, shop), wanted, before, days)


def bought(found: FollowUp) -> dict[tuple[str, str], int]:
    return {
        (order.supplier.id, line.source.item): line.packs
        for order in found.orders
        for line in order.lines
    }


def spare(found: FollowUp) -> dict[tuple[str, str], int]:
    return {(one.supplier, one.sku.removeprefix("S-")): one.packs for one in found.surplus}


def broken(*breaks: tuple[int, str], **changes: Any) -> Supplier:
    """Return a supplier of gaskets at 2.40 with some price breaks."""
    found = tuple(Break(packs=count, cost=figure(cost)) for count, cost in breaks)
    terms = {name: changes.pop(name) for name in ("minimum", "multiple", "pack") if name in changes}
    return supplier("ONE", offer(GASKET, "2.40", breaks=found, **terms), **changes)


def test_plan_follow_up_loses_a_break_that_the_rest_does_not_reach() -> None:
    # 10 at 1.95 were quoted; 8 were ordered at 2.40: the other 2 cost 2.40, and freight again,
    # 2 x 2.40 + 9.95 = 14.75, not 2 x 1.95 = 3.90
    terms = broken((10, "1.95"), minimum=2, multiple=2, freight=figure("9.95"))

    found = plan((terms,), [of(GASKET, 10)], [of(GASKET, 8)])

    (order,) = found.orders
    (line,) = order.lines
    assert (line.packs, line.unit_cost, line.net.amount_text) == (2, Decimal("2.40"), "4.80")
    assert (order.goods.amount_text, order.freight.amount_text) == ("4.80", "9.95")
    assert order.net.amount_text == "14.75"


def test_plan_follow_up_is_charged_fee_and_freight_again() -> None:
    # 2 x 2.21 = 4.42 of goods, below 25.00: fee 11.50, and freight 8.00, free from 100.00 on
    terms = supplier(
        "ONE",
        offer(GASKET, "2.21"),
        freight=figure("8.00"),
        free_freight_from=figure("100.00"),
        minimum_order=figure("25.00"),
        small_order_fee=figure("11.50"),
    )

    found = plan((terms,), [of(GASKET, 52)], [of(GASKET, 50)])

    (order,) = found.orders
    assert [(fee.code, fee.amount.amount_text) for fee in order.fees] == [("small-order", "11.50")]
    assert (order.goods.amount_text, order.freight.amount_text) == ("4.42", "8.00")
    assert order.net.amount_text == "23.92"


@pytest.mark.parametrize(
    ("item", "fees"),
    [
        pytest.param("CS-CLEANER", [("hazardous-goods", "12.00")], id="a flammable spray"),
        pytest.param("CS-SHOPTOWEL", [], id="a consumable that is not hazardous"),
        pytest.param(GASKET, [], id="a part"),
    ],
)
def test_plan_follow_up_is_charged_for_hazardous_goods_only(
    item: str, fees: list[tuple[str, str]]
) -> None:
    terms = supplier("ONE", offer(item, "2.00"), hazmat_fee=figure("12.00"))

    (order,) = plan((terms,), [of(item, 1)], []).orders

    assert [(fee.code, fee.amount.amount_text) for fee in order.fees] == fees


@pytest.mark.parametrize(
    ("missing", "net"),
    [
        # below the minimum order of 20.00; at it; freight is due until 30.00; free at it
        pytest.param(9, "31.00", id="18.00 + 5.00 + 8.00"),
        pytest.param(10, "28.00", id="20.00 + 8.00"),
        pytest.param(14, "36.00", id="28.00 + 8.00"),
        pytest.param(15, "30.00", id="30.00"),
    ],
)
def test_plan_follow_up_charges_by_thresholds_of_this_order(missing: int, net: str) -> None:
    terms = supplier(
        "ONE",
        offer(GASKET, "2.00"),
        freight=figure("8.00"),
        free_freight_from=figure("30.00"),
        minimum_order=figure("20.00"),
        small_order_fee=figure("5.00"),
    )

    found = plan((terms,), [of(GASKET, 40 + missing)], [of(GASKET, 40)])

    assert found.orders[0].net.amount_text == net


@pytest.mark.parametrize(
    ("missing", "ordered", "cost"),
    [
        pytest.param(1, 6, "2.40", id="the minimum of 5 in threes is 6"),
        pytest.param(6, 6, "2.40", id="exactly so many"),
        pytest.param(7, 9, "2.00", id="7 in threes are 9, which reach the break of 8"),
        pytest.param(9, 9, "2.00", id="9 reach it too"),
    ],
)
def test_plan_follow_up_brings_packs_up_to_minimum_and_multiple(
    missing: int, ordered: int, cost: str
) -> None:
    terms = broken((8, "2.00"), minimum=5, multiple=3)

    found = plan((terms,), [of(GASKET, 12 + missing)], [of(GASKET, 12)])

    (line,) = found.orders[0].lines
    assert (line.packs, line.unit_cost) == (ordered, Decimal(cost))


def test_plan_follow_up_reaches_a_break_with_exactly_so_many() -> None:
    found = plan((broken((3, "2.00")),), [of(GASKET, 8)], [of(GASKET, 5)])

    assert found.orders[0].goods.amount_text == "6.00"


def test_plan_follow_up_orders_first_what_was_quoted() -> None:
    # 9 are needed, 10 are cheaper by the break: that was quoted, and is ordered
    terms = broken((10, "1.95"))

    found = plan((terms,), [of(GASKET, 9, count=10)], [])

    assert bought(found) == {("ONE", GASKET): 10}
    assert found.orders[0].net.amount_text == "19.50"
    assert found.orders[0].lines[0].covers == uses(*[GASKET] * 9)


def test_plan_follow_up_equals_the_orders_that_were_quoted() -> None:
    catalogue = stocked(starter())
    shop = catalogue.shops[HIRE_YARD]
    quoted = quote(catalogue, jobs=BOTH_HEADS).repair.orders
    wanted = [
        Packs(
            supplier=order.supplier.id,
            sku=line.source.sku,
            item=line.source.item,
            brand=line.source.brand,
            count=line.packs,
            size=line.source.pack,
            unit_cost=line.unit_cost,
            lead_days=line.source.lead_days,
            covers=line.covers,
        )
        for order in quoted
        for line in order.lines
    ]
    supply, days = find_supply(catalogue, shop), dict.fromkeys(catalogue.suppliers, MONDAY)

    first = plan_follow_up(catalogue, shop, supply, wanted, [], days)
    again = plan_follow_up(catalogue, shop, supply, wanted, wanted, days)

    assert len(quoted) > 1
    assert first == FollowUp(orders=quoted, surplus=())
    assert again == FollowUp(orders=(), surplus=())


def test_plan_follow_up_asks_for_nothing_twice() -> None:
    found = plan((broken(),), [of(GASKET, 3)], [of(GASKET, 1), of(GASKET, 2)])

    assert found == FollowUp(orders=(), surplus=())


def test_plan_follow_up_names_what_is_needed_no_longer() -> None:
    found = plan((broken(),), [of(GASKET, 1)], [of(GASKET, 3), of(NUT, 2)])

    assert found.orders == ()
    assert spare(found) == {("ONE", GASKET): 2, ("ONE", NUT): 2}


def test_plan_follow_up_keeps_spare_packs_that_the_revision_wants() -> None:
    # 1 is needed, and only 4 are sold: 3 lie about, and none is surplus
    terms = broken(multiple=4)

    found = plan((terms,), [of(GASKET, 1, count=4)], [of(GASKET, 1, count=4)])

    assert found == FollowUp(orders=(), surplus=())


def test_plan_follow_up_names_old_packs_that_a_multiple_replaces() -> None:
    # 2 there, 3 needed, sold in fours: the 4 would do alone, now and when it is asked again
    terms, wanted, before = broken(multiple=4), [of(GASKET, 3, count=4)], [of(GASKET, 2)]

    found = plan((terms,), wanted, before)
    again = plan((terms,), wanted, [*before, of(GASKET, 3, count=4)])

    assert bought(found) == {("ONE", GASKET): 4}
    assert again.orders == ()
    assert spare(found) == spare(again) == {("ONE", GASKET): 2}


def test_plan_follow_up_counts_pieces_of_what_was_ordered_for_a_break() -> None:
    # the 10 of before had one to spare: of 11 that are needed now, 1 is missing
    terms = broken((10, "1.95"), (20, "0.90"))
    before = [of(GASKET, 9, count=10)]

    assert bought(plan((terms,), [of(GASKET, 10)], before)) == {}
    # by the break at 20, 20 were quoted for 11
    more = plan((terms,), [of(GASKET, 11, count=20)], before)
    assert bought(more) == {("ONE", GASKET): 1}
    assert more.surplus == ()


def test_plan_follow_up_uses_the_same_number_of_another_supplier() -> None:
    # ordered from ONE before; the revision buys it from TWO, where it is cheaper now
    two = supplier("TWO", offer(GASKET, "1.00"))

    found = plan((broken(), two), [of(GASKET, 3, by="TWO")], [of(GASKET, 2)])

    assert bought(found) == {("TWO", GASKET): 1}
    assert found.surplus == ()
    assert found.orders[0].lines[0].covers == uses(GASKET, start=3)


def test_plan_follow_up_counts_spare_alternates_where_alternates_will_do() -> None:
    one = supplier("ONE", offer(GASKET, "1.00", Quality.alternate))
    two = supplier("TWO", offer(GASKET, "1.00", Quality.alternate))

    found = plan((one, two), [of(GASKET, 3, by="TWO")], [of(GASKET, 2)])

    assert bought(found) == {("TWO", GASKET): 1}
    assert found.surplus == ()


def test_plan_follow_up_takes_no_lower_quality_in_place() -> None:
    one = supplier("ONE", offer(GASKET, "1.00", Quality.alternate))
    two = supplier("TWO", offer(GASKET, "2.00", Quality.maker))

    lower = plan((one, two), [of(GASKET, 1, by="TWO")], [of(GASKET, 1)])
    higher = plan((one, two), [of(GASKET, 1)], [of(GASKET, 1, by="TWO")])

    assert bought(lower) == {("TWO", GASKET): 1}
    assert spare(lower) == {("ONE", GASKET): 1}
    assert higher == FollowUp(orders=(), surplus=())


def test_plan_follow_up_leaves_maker_quality_to_what_needs_it() -> None:
    # spare: one alternate of TWO and one maker's of ABE; wanted: an alternate, then a maker's
    abe = supplier("ABE", offer(GASKET, "2.00", Quality.maker))
    two = supplier("TWO", offer(GASKET, "1.00", Quality.alternate))
    low = supplier("LOW", offer(GASKET, "1.00", Quality.alternate))
    top = supplier("TOP", offer(GASKET, "2.00", Quality.maker))
    wanted = [of(GASKET, 1, by="LOW"), of(GASKET, 1, by="TOP")]

    found = plan((abe, two, low, top), wanted, [of(GASKET, 1, by="ABE"), of(GASKET, 1, by="TWO")])

    assert found == FollowUp(orders=(), surplus=())


def test_plan_follow_up_opens_no_pack_that_another_line_wants() -> None:
    # the nut of TWO is wanted under its own SKU, below; the line above must not take it
    one, two = supplier("ONE", offer(NUT, "1.00")), supplier("TWO", offer(NUT, "1.00"))
    wanted = [of(NUT, 1), packs(NUT, 1, uses(NUT, start=7), by="TWO")]

    found = plan((one, two), wanted, [of(NUT, 1, by="TWO")])

    assert bought(found) == {("ONE", NUT): 1}
    assert found.surplus == ()


def test_plan_follow_up_opens_a_spare_pack_once() -> None:
    # 3 gaskets of ONE are spare: TWO's line takes 1, TRE's takes 1, and 1 is surplus
    one, two, tre = (supplier(name, offer(GASKET, "1.00")) for name in ("ONE", "TWO", "TRE"))
    wanted = [of(GASKET, 1, by="TWO"), of(GASKET, 1, by="TRE")]

    assert spare(plan((one, two, tre), wanted, [of(GASKET, 3)])) == {("ONE", GASKET): 1}
    # of one spare gasket, the line that comes first has the use
    assert bought(plan((one, two, tre), wanted, [of(GASKET, 1)])) == {("TRE", GASKET): 1}


def test_plan_follow_up_names_no_pack_that_is_opened_for_one_piece() -> None:
    one, two = supplier("ONE", offer(GASKET, "3.00", pack=3)), supplier("TWO", offer(GASKET, "1"))

    found = plan((one, two), [of(GASKET, 4, by="TWO")], [of(GASKET, 9, count=3, size=3)])

    assert found.orders == ()
    assert spare(found) == {("ONE", GASKET): 1}


def test_plan_follow_up_wants_what_is_sold_today() -> None:
    # 4 were quoted; since then they are sold in fives: none of the 5 is surplus
    terms = broken(multiple=5)

    found = plan((terms,), [of(GASKET, 4)], [])

    assert bought(found) == {("ONE", GASKET): 5}
    again = plan((terms,), [of(GASKET, 4)], [of(GASKET, 4, count=5)])
    assert again == FollowUp(orders=(), surplus=())


def test_plan_follow_up_knows_a_suppliers_offers_of_one_item_apart() -> None:
    cheap = offer(GASKET, "1.00", Quality.alternate, sku="CHEAP")
    own = offer(GASKET, "3.00", Quality.maker)
    one = supplier("ONE", cheap, own)

    found = plan((one,), [of(GASKET, 2)], [of(GASKET, 1, sku="CHEAP")])

    assert found.orders[0].goods.amount_text == "6.00"
    assert spare(found) == {("ONE", "CHEAP"): 1}


def test_plan_follow_up_trusts_no_quality_that_nobody_knows() -> None:
    low = supplier("LOW", offer(GASKET, "1.00", Quality.alternate))
    top = supplier("TOP", offer(GASKET, "2.00", Quality.maker))
    bare = supplier("BARE")

    # what was ordered is offered no longer; then what is wanted
    old = plan((bare, top), [of(GASKET, 1, by="TOP")], [of(GASKET, 1, by="BARE")])
    new = plan((bare, low), [of(GASKET, 1, by="BARE")], [of(GASKET, 1, by="LOW")])

    assert bought(old) == {("TOP", GASKET): 1}
    assert bought(new) == {("BARE", GASKET): 1}


def set_of(**contents: int) -> Catalogue:
    return with_set(
        starter(), SET, contents={ItemId(name.replace("_", "-")): n for name, n in contents.items()}
    )


def test_plan_follow_up_opens_a_spare_set() -> None:
    # two nuts are wanted in place of the set that was ordered: it holds both
    catalogue = set_of(**{NUT: 2, SEAL: 1})
    one = supplier("ONE", offer(SET, "9.00"), offer(NUT, "1.00"))
    before = [packs(SET, 2, uses(NUT, NUT, SEAL))]

    found = plan((one,), [of(NUT, 2)], before, catalogue)

    assert found.orders == ()
    assert spare(found) == {("ONE", SET): 1}


def test_plan_follow_up_opens_one_set_for_all_that_is_in_it() -> None:
    catalogue = set_of(**{NUT: 2, SEAL: 1})
    one = supplier("ONE", offer(SET, "18.00", pack=2), offer(NUT, "1.00"), offer(SEAL, "1.00"))
    before = [packs(SET, 2, uses(*[NUT] * 8, *[SEAL] * 4), size=2)]

    found = plan((one,), [of(NUT, 4), of(SEAL, 2)], before, catalogue)

    assert found.orders == ()
    assert spare(found) == {("ONE", SET): 1}
    # a pack holds two sets, whatever it was ordered for
    less = [packs(SET, 1, uses(NUT, SEAL), size=2)]
    assert plan((one,), [of(NUT, 4), of(SEAL, 2)], less, catalogue).orders == ()


def test_plan_follow_up_counts_what_a_set_held_when_it_was_ordered() -> None:
    # the catalogue has two nuts in it since; the set that was ordered has three
    catalogue = set_of(**{NUT: 2, SEAL: 1})
    one = supplier("ONE", offer(SET, "9.00"), offer(NUT, "1.00"))

    found = plan((one,), [of(NUT, 3)], [packs(SET, 1, uses(NUT, NUT, NUT))], catalogue)

    assert found.orders == ()


def test_plan_follow_up_does_not_trust_a_set_to_hold_what_it_was_not_ordered_for() -> None:
    # the seal was in the set when the quote was agreed, and is not in the catalogue's any more
    one = supplier("ONE", offer(SET, "9.00"))
    wanted = packs(SET, 2, uses(NUT, NUT, SEAL))

    found = plan((one,), [wanted], [packs(SET, 1, uses(NUT))], set_of(**{NUT: 2}))

    assert bought(found) == {("ONE", SET): 1}


def test_plan_follow_up_opens_pieces_before_sets() -> None:
    catalogue = set_of(**{NUT: 2, SEAL: 1})
    one = supplier("ONE", offer(SET, "9.00"), offer(NUT, "1.00"))
    two = supplier("TWO", offer(NUT, "1.00"))
    before = [packs(SET, 1, uses(NUT, NUT, SEAL)), of(NUT, 1, by="TWO")]

    found = plan((one, two), [of(NUT, 1)], before, catalogue)

    assert found.orders == ()
    assert spare(found) == {("ONE", SET): 1}


def test_plan_follow_up_leaves_pieces_alone_that_save_no_pack() -> None:
    # the set is wanted for its seal: a spare nut does not make it unnecessary, and can go back
    catalogue = set_of(**{NUT: 2, SEAL: 1})
    one = supplier("ONE", offer(SET, "9.00"), offer(NUT, "1.00"))

    found = plan((one,), [packs(SET, 1, uses(NUT, NUT, SEAL))], [of(NUT, 1)], catalogue)

    assert bought(found) == {("ONE", SET): 1}
    assert spare(found) == {("ONE", NUT): 1}
    assert found.orders[0].lines[0].covers == uses(NUT, NUT, SEAL)


def litres(quantity: str, count: int) -> Packs:
    (use,) = uses(OIL)
    return packs(OIL, count, (structs.replace(use, quantity=Fraction(quantity)),))


def test_plan_follow_up_counts_consumables_by_what_a_pack_holds() -> None:
    # 3 bottles of 0.946 L hold 2.838 L; 3.9 L take 5, of which 2 are missing, for 1.062 L
    one = supplier("ONE", offer(OIL, "5.00"))

    found = plan((one,), [litres("3.9", 5)], [litres("1.9", 3)])

    (line,) = found.orders[0].lines
    assert line.packs == 2
    assert [use.quantity for use in line.covers] == [Fraction("1.062")]


def test_plan_follow_up_says_what_the_new_packs_are_for() -> None:
    # cylinders 1 and 2 were ordered for; now it is 2 to 5: the nut of cylinder 1 serves 5
    one = supplier("ONE", offer(NUT, "1.00"))
    wanted = packs(NUT, 4, uses(NUT, NUT, NUT, NUT, start=2))

    found = plan((one,), [wanted], [packs(NUT, 2, uses(NUT, NUT))])

    (line,) = found.orders[0].lines
    assert line.packs == 2
    assert line.covers == uses(NUT, NUT, start=3)


def test_plan_follow_up_counts_a_need_that_has_become_less() -> None:
    # 2 were ordered for cylinder 1, which takes 1 now: the other serves one of the rest
    one = supplier("ONE", offer(NUT, "1.00"))
    (first,) = uses(NUT)
    before = packs(NUT, 2, (structs.replace(first, quantity=Fraction(2)),))

    found = plan((one,), [of(NUT, 3)], [before])

    (line,) = found.orders[0].lines
    assert line.packs == 1
    assert line.covers == uses(NUT, start=2)


def test_plan_follow_up_orders_no_more_of_what_is_for_nothing() -> None:
    one = supplier("ONE", offer(NUT, "1.00"))

    assert bought(plan((one,), [packs(NUT, 2, ())], [])) == {("ONE", NUT): 2}
    assert plan((one,), [packs(NUT, 2, ())], [packs(NUT, 1, ())]).orders == ()


def test_plan_follow_up_adds_up_what_two_suppliers_brought_for_one_need() -> None:
    # 1 of each supplier was for cylinder 1, which takes 2: the new ones are for cylinder 2
    one, two = supplier("ONE", offer(NUT, "1.00")), supplier("TWO", offer(NUT, "1.00"))
    first, second = (structs.replace(use, quantity=Fraction(2)) for use in uses(NUT, NUT))
    before = [of(NUT, 1), of(NUT, 1, by="TWO")]

    found = plan((one, two), [packs(NUT, 4, (first, second))], before)

    (line,) = found.orders[0].lines
    assert (line.packs, line.covers) == (2, (second,))


def test_plan_follow_up_buys_anew_for_needs_whose_packs_will_not_do() -> None:
    # of 2 nuts for cylinder 1 and 1 for cylinder 2, 1 each was ordered as an alternate
    one = supplier("ONE", offer(NUT, "1.00", Quality.alternate))
    two = supplier("TWO", offer(NUT, "2.00", Quality.maker))
    first, second = uses(NUT, NUT)
    wanted = packs(NUT, 3, (structs.replace(first, quantity=Fraction(2)), second), by="TWO")

    found = plan((one, two), [wanted], [of(NUT, 2)])

    (line,) = found.orders[0].lines
    assert (line.packs, line.covers) == (3, wanted.covers)


def test_plan_follow_up_tells_two_uses_of_one_need() -> None:
    # of 2 and 3 that one need takes in two uses, the first was ordered
    one = supplier("ONE", offer(NUT, "1.00"))
    (use,) = uses(NUT)
    two, three = (structs.replace(use, quantity=Fraction(count)) for count in (2, 3))

    found = plan((one,), [packs(NUT, 5, (two, three))], [packs(NUT, 2, (two,))])

    (line,) = found.orders[0].lines
    assert (line.packs, line.covers) == (3, (three,))


def test_plan_follow_up_names_only_what_another_set_is_for() -> None:
    # of the first set a nut is to spare: the second is for its seal
    one = supplier("ONE", offer(SET, "9.00"))
    first, both = packs(SET, 1, uses(NUT, SEAL)), packs(SET, 2, uses(NUT, SEAL, SEAL))

    found = plan((one,), [both], [first], set_of(**{NUT: 2, SEAL: 1}))

    (line,) = found.orders[0].lines
    assert line.packs == 1
    assert line.covers == uses(SEAL, start=3)


def test_plan_follow_up_never_orders_more_packs_than_the_revision() -> None:
    # nobody knows any more what a bottle holds: at least 1.9 / 3 L of before, 3.9 / 5 L now
    gone = [structs.replace(litres("3.9", 5), item=ItemId("CS-GONE"))]
    before = [structs.replace(litres("1.9", 3), item=ItemId("CS-GONE"))]

    found = plan((broken(),), gone, before)

    assert bought(found) == {("ONE", "CS-GONE"): 2}
    # both are for all of the 2 L that are missing
    assert [use.quantity for use in found.orders[0].lines[0].covers] == [2]


def test_plan_follow_up_counts_what_was_ordered_of_an_item_that_is_gone() -> None:
    # nobody can tell any more what a pack of it holds, but what it was ordered for
    gone = packs("V68-X-999", 1, uses(NUT, SEAL, SEAL))

    assert plan((broken(),), [gone], [gone]) == FollowUp(orders=(), surplus=())


def test_plan_follow_up_orders_what_is_offered_no_longer_as_it_was_quoted() -> None:
    one = supplier("ONE", freight=figure("8.00"))
    quoted = of(NUT, 3, unit_cost=Decimal("1.25"), lead_days=4)

    found = plan((one,), [quoted], [of(NUT, 1)])

    (order,) = found.orders
    (line,) = order.lines
    assert (line.packs, line.unit_cost, line.source.brand) == (2, Decimal("1.25"), "Brand")
    assert line.source.sku == f"S-{NUT}"
    # nobody knows its quality any more
    assert line.source.quality is Quality.alternate
    assert order.net.amount_text == "10.50"
    assert order.promised == MONDAY + timedelta(days=4)


def test_plan_follow_up_fits_todays_pack() -> None:
    # quoted were 4 single gaskets; today they come in threes, and 1 of them was ordered
    found = plan((broken(pack=3),), [of(GASKET, 4)], [of(GASKET, 1)])
    whole = plan((broken(pack=3),), [of(GASKET, 4)], [])

    assert bought(found) == {("ONE", GASKET): 1}
    assert bought(whole) == {("ONE", GASKET): 2}


@pytest.mark.parametrize("currency", [None, "EUR"])
def test_plan_follow_up_needs_a_supplier_for_what_is_missing_only(currency: str | None) -> None:
    left = () if currency is None else (broken(currency=currency),)

    assert plan(left, [of(GASKET, 2)], [of(GASKET, 2)]).orders == ()
    with pytest.raises(SupplierGone) as told:
        plan(left, [of(GASKET, 2)], [of(GASKET, 1)])
    assert (told.value.supplier, told.value.sku) == ("ONE", f"S-{GASKET}")
    assert str(told.value) == (
        f"can't order S-{GASKET}: the catalogue no longer has supplier ONE in the shop's currency; "
        "revise the quote, or put the supplier back into the catalogue"
    )


def test_plan_follow_up_promises_by_the_day_of_each_supplier() -> None:
    one, two = supplier("ONE", offer(NUT, "1.00")), supplier("TWO", offer(GASKET, "1.00"))
    catalogue = stocked(with_suppliers(starter(), one, two))
    shop = catalogue.shops[HIRE_YARD]
    days = {one.id: MONDAY, two.id: MONDAY + timedelta(days=1)}

    found = plan_follow_up(
        catalogue,
        shop,
        find_supply(catalogue, shop),
        [of(GASKET, 1, by="TWO"), of(NUT, 1)],
        [],
        days,
    )

    assert [(order.supplier.id, order.promised) for order in found.orders] == [
        ("ONE", date(2027, 3, 3)),
        ("TWO", date(2027, 3, 4)),
    ]


def test_plan_follow_up_counts_a_part_of_a_shared_pack_as_what_it_holds() -> None:
    terms = supplier("ONE", offer(GASKET, "8.00", pack=4))
    # one of the four gaskets of a pack that several quotes share
    shared = of(GASKET, 1, Fraction(1, 4), size=4)

    def planned(pieces: int, count: int, before: Packs) -> FollowUp:
        return plan((terms,), [of(GASKET, pieces, count, size=4)], [before])

    assert bought(planned(1, 1, shared)) == {}
    assert bought(planned(2, 1, shared)) == {("ONE", GASKET): 1}
    assert bought(planned(5, 2, shared)) == {("ONE", GASKET): 1}
    assert bought(planned(6, 2, shared)) == {("ONE", GASKET): 2}
    # a pack and a part of another one: only the pack is not needed
    more = of(GASKET, 5, Fraction(5, 4), size=4)
    assert spare(plan((terms,), [of(NUT, 1)], [shared])) == {}
    assert spare(plan((terms,), [of(NUT, 1)], [more])) == {("ONE", GASKET): 1}
