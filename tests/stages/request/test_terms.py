"""What the counter may change about a quote, what each change does, and how it is refused."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    HEAD,
    HIRE_YARD,
    MONDAY,
    ORCHARD,
    figure,
    job,
    quote,
    starter,
    with_shop,
)

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    ItemId,
    JobId,
    LabourClass,
    Quality,
    RoleId,
    ShopId,
)
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind, PricedLine
from kitwright.stages.request import (
    CustomerPart,
    Discount,
    Exempt,
    FloorChange,
    FreeLine,
    LineRef,
    MinutesOverride,
    PriceOverride,
    RequestRefused,
    Terms,
)
from kitwright.stages.why import Why

SUPPLIES = LineRef(code="shop-supplies")
GASKET = ItemId("V68-G-103")


def off(
    percent: str | None = None, amount: str | None = None, on: LineRef | None = None
) -> Discount:
    return Discount(
        reason="Regular customer",
        by="Ida",
        line=on,
        percent=None if percent is None else figure(percent),
        amount=None if amount is None else figure(amount),
    )


def priced(unit_price: str, on: LineRef) -> PriceOverride:
    return PriceOverride(line=on, unit_price=figure(unit_price), reason="Agreed", by="Ida")


def minutes(name: str, cylinder: int | None, count: int = 60) -> MinutesOverride:
    return MinutesOverride(
        job=JobId(name), cylinder=cylinder, minutes=count, reason="Agreed", by="Ida"
    )


def free(unit_price: str, quantity: str = "1", kind: ChargeKind = ChargeKind.part) -> FreeLine:
    return FreeLine(
        description="By hand",
        kind=kind,
        quantity=figure(quantity),
        unit="piece",
        unit_price=figure(unit_price),
        reason="Asked for",
        by="Ida",
    )


def floor(role: str) -> FloorChange:
    return FloorChange(role=RoleId(role), quality=Quality.alternate, reason="Old", by="Ida")


def shown(until: date) -> Exempt:
    return Exempt(certificate_number="C-17", valid_until=until)


def brings(item: str, quantity: int | None = None) -> CustomerPart:
    return CustomerPart(item=ItemId(item), quantity=quantity)


def asked(**terms: Any) -> Outcome:
    return quote(starter(), jobs=BOTH_HEADS, diagnostic_done=True, terms=Terms(**terms))


def line_of(told: Outcome, code: str, kind: LineKind | None = None) -> PricedLine:
    (found,) = [
        line for line in told.repair.lines if line.code == code and kind in (None, line.kind)
    ]
    return found


def discounts(told: Outcome) -> list[tuple[str, str]]:
    return [
        (line.tax_kind.value, line.amount.amount_text)
        for line in told.repair.lines
        if line.kind is LineKind.discount
    ]


REFUSED = [
    ({"discounts": (off(),)}, "discount-unclear", ("discounts", 0)),
    ({"discounts": (off("5", "5.00"),)}, "discount-unclear", ("discounts", 0)),
    ({"discounts": (off("5"), off("0"))}, "discount-unclear", ("discounts", 1)),
    ({"discounts": (off("100.01"),)}, "discount-unclear", ("discounts", 0)),
    ({"discounts": (off("-5"),)}, "discount-unclear", ("discounts", 0)),
    ({"discounts": (off(amount="0.00"),)}, "discount-unclear", ("discounts", 0)),
    ({"discounts": (off(amount="-1.00"),)}, "discount-unclear", ("discounts", 0)),
    (
        {"discounts": (off(amount="24.57", on=SUPPLIES),)},
        "discount-too-large",
        ("discounts", 0, "amount"),
    ),
    (
        {"discounts": (off("100"), off(amount="0.01"))},
        "discount-too-large",
        ("discounts", 1, "amount"),
    ),
    (
        {"discounts": (off(amount="1.00", on=LineRef(code="diagnostic-credit")),)},
        "discount-too-large",
        ("discounts", 0, "amount"),
    ),
    (
        {"discounts": (off("5", on=LineRef(code="NOPE")),)},
        "line-not-found",
        ("discounts", 0, "line"),
    ),
    (
        {"discounts": (off("5", on=LineRef(code="J-HEAD-GASKET", cylinder=1)),)},
        "line-not-found",
        ("discounts", 0, "line"),
    ),
    (
        {"overrides": (priced("1", LineRef(code="NOPE")),)},
        "line-not-found",
        ("overrides", 0, "line"),
    ),
    (
        {"overrides": (priced("1", LineRef(code="shop-supplies", kind="part")),)},
        "line-not-found",
        ("overrides", 0, "line"),
    ),
    ({"overrides": (priced("-0.01", SUPPLIES),)}, "below-zero", ("overrides", 0, "unit_price")),
    ({"overrides": (minutes("J-NOPE", 1),)}, "unknown-job", ("overrides", 0, "job")),
    (
        {"overrides": (minutes("J-HEAD-GASKET", None),)},
        "cylinder-missing",
        ("overrides", 0, "cylinder"),
    ),
    (
        {"overrides": (minutes("J-HEAD-GASKET", 3),)},
        "cylinder-out-of-range",
        ("overrides", 0, "cylinder"),
    ),
    ({"overrides": (minutes("J-OIL", 1),)}, "cylinder-not-wanted", ("overrides", 0, "cylinder")),
    ({"overrides": (minutes("J-OIL", None),)}, "not-in-quote", ("overrides", 0, "job")),
    (
        {"overrides": (minutes("J-HEAD-GASKET", 1), minutes("J-HEAD-GASKET", 1))},
        "named-twice",
        ("overrides", 1),
    ),
    ({"free_lines": (free("1", "-1"),)}, "below-zero", ("free_lines", 0, "quantity")),
    ({"free_lines": (free("1"), free("-1"))}, "below-zero", ("free_lines", 1, "unit_price")),
    ({"prepaid": figure("-0.01")}, "below-zero", ("prepaid",)),
    ({"floors": (floor("head_gasket"), floor("nope"))}, "unknown-role", ("floors", 1, "role")),
    ({"customer_parts": (brings("V68-A-001"),)}, "part-not-needed", ("customer_parts", 0, "item")),
    ({"customer_parts": (brings("CS-OIL"),)}, "part-not-needed", ("customer_parts", 0, "item")),
    (
        {"customer_parts": (brings(GASKET, 3),)},
        "part-not-needed",
        ("customer_parts", 0, "quantity"),
    ),
    (
        {"customer_parts": (brings(GASKET), brings(GASKET))},
        "part-not-needed",
        ("customer_parts", 1, "quantity"),
    ),
    (
        {"exemption": shown(date(2027, 2, 28))},
        "exemption-expired",
        ("exemption", "valid_until"),
    ),
]


@pytest.mark.parametrize(("terms", "code", "path"), REFUSED)
def test_quote_repair_refuses_a_change_by_its_code_and_place(
    terms: dict[str, Any], code: str, path: tuple[str | int, ...]
) -> None:
    with pytest.raises(RequestRefused) as refused:
        asked(**terms)

    assert [(fault.code, fault.path) for fault in refused.value.faults] == [(code, path)]


@pytest.mark.parametrize("area", [None, AreaId("example-vat")])
def test_read_request_refuses_an_exemption_where_no_area_knows_one(area: AreaId | None) -> None:
    with pytest.raises(RequestRefused) as refused:
        quote(
            starter(),
            ORCHARD,
            jobs=(HEAD,),
            tax_area=area,
            terms=Terms(exemption=shown(MONDAY)),
        )

    (fault,) = refused.value.faults
    assert (fault.code, fault.path) == ("no-exemption", ("exemption",))


def test_quote_repair_names_every_wrong_change_of_a_stage_at_once() -> None:
    with pytest.raises(RequestRefused) as refused:
        asked(
            discounts=(off(), off("101")),
            free_lines=(free("-1", "-1"),),
            prepaid=figure("-1"),
            overrides=(minutes("J-NOPE", 1),),
        )

    assert [fault.path for fault in refused.value.faults] == [
        ("discounts", 0),
        ("discounts", 1),
        ("overrides", 0, "job"),
        ("free_lines", 0, "quantity"),
        ("free_lines", 0, "unit_price"),
        ("prepaid",),
    ]


def test_adjust_lines_names_every_change_that_fits_no_line() -> None:
    nowhere = LineRef(code="NOPE")
    with pytest.raises(RequestRefused) as refused:
        asked(
            overrides=(priced("1", nowhere), priced("-1", SUPPLIES)),
            discounts=(off("5", on=nowhere), off(amount="9999")),
        )

    assert [fault.path for fault in refused.value.faults] == [
        ("overrides", 0, "line"),
        ("overrides", 1, "unit_price"),
        ("discounts", 0, "line"),
        ("discounts", 1, "amount"),
    ]


def test_adjust_lines_says_how_often_an_unclear_line_is_there() -> None:
    with pytest.raises(RequestRefused) as refused:
        asked(overrides=(priced("1", LineRef(code="J-HEAD-GASKET")),))

    # three classes on the first cylinder, two on the other: the fins are cleaned once
    (fault,) = refused.value.faults
    hint = "add kind, cylinder or labour_class to tell them apart"
    assert f"5 lines match J-HEAD-GASKET: {hint}; the quote has " in str(fault)
    assert fault.found == 5  # type: ignore[attr-defined]


def test_adjust_lines_tells_labour_lines_apart_by_cylinder_and_class() -> None:
    wanted = LineRef(code="J-HEAD-GASKET", cylinder=2, labour_class=LabourClass("senior"))
    told = asked(overrides=(priced("100", wanted),))

    (changed,) = [line for line in told.repair.lines if line.computed is not None]
    assert (changed.operation, changed.labour_class) == (("J-HEAD-GASKET", 2), "senior")
    # 30 minutes at 115.00 an hour, and at 100.00
    assert changed.computed is not None
    assert changed.computed.amount.amount_text == "57.50"
    assert changed.amount.amount_text == "50.00"


CREDIT = LineRef(code="diagnostic-credit")


@pytest.mark.parametrize("unit_price", ["-85.00", "-42.50", "0"])
def test_adjust_lines_lowers_a_credit_as_far_as_nothing(unit_price: str) -> None:
    told = asked(overrides=(priced(unit_price, CREDIT),))

    assert line_of(told, "diagnostic-credit").amount.amount == Decimal(unit_price)


@pytest.mark.parametrize("unit_price", ["-85.01", "0.01"])
def test_adjust_lines_neither_raises_a_credit_nor_makes_a_charge_of_it(unit_price: str) -> None:
    with pytest.raises(RequestRefused) as refused:
        asked(overrides=(priced(unit_price, CREDIT),))

    (fault,) = refused.value.faults
    assert (fault.code, fault.path) == ("credit-out-of-range", ("overrides", 0, "unit_price"))
    assert "between -85.00 and 0" in str(fault)
    assert fault.computed == Decimal("-85.00")  # type: ignore[attr-defined]


def test_adjust_lines_puts_a_price_on_a_line_of_zero_and_none_below_it() -> None:
    # fitting what the customer brought may have its price
    brought = LineRef(code=GASKET, kind="customer_part")
    told = asked(customer_parts=(brings(GASKET),), overrides=(priced("4.50", brought),))

    line = line_of(told, GASKET, LineKind.brought)
    assert line.unit_price == Decimal("4.50")
    assert line.amount.minor == 450 * line.quantity
    with pytest.raises(RequestRefused) as refused:
        asked(customer_parts=(brings(GASKET),), overrides=(priced("-4.50", brought),))
    assert [fault.code for fault in refused.value.faults] == ["below-zero"]


def test_adjust_lines_keeps_the_computed_price_and_the_reason_beside_an_overridden_one() -> None:
    told = asked(overrides=(priced("10.00", SUPPLIES),))

    line = line_of(told, "shop-supplies")
    assert (line.unit_price, line.amount.amount_text) == (Decimal("10.00"), "10.00")
    assert line.computed is not None
    assert (line.computed.unit_price, line.computed.base_quantity) == (Decimal("24.56"), Decimal(1))
    assert line.computed.amount.amount_text == "24.56"
    assert line.why[0].code == "supplies-of-labour"
    assert line.why[-1] == Why(
        "price-overridden", {"reason": "Agreed", "by": "Ida", "computed": line.computed.amount}
    )


def test_adjust_lines_takes_the_whole_of_a_line_off_and_no_more() -> None:
    told = asked(discounts=(off(amount="24.56", on=SUPPLIES),))

    assert discounts(told) == [("fee", "-24.56")]


def test_adjust_lines_takes_nothing_off_where_a_share_is_less_than_half_a_cent() -> None:
    # 0.02 % of 24.56 is 0.0049
    assert discounts(asked(discounts=(off("0.02", on=SUPPLIES),))) == [("fee", "0.00")]


def test_adjust_lines_takes_nothing_off_a_credit_by_the_per_cent() -> None:
    assert discounts(asked(discounts=(off("10", on=CREDIT),))) == [("fee", "0.00")]


def test_adjust_lines_counts_no_discount_that_it_refuses() -> None:
    # the second takes all there is, and is not blamed for the first
    with pytest.raises(RequestRefused) as refused:
        asked(discounts=(off(amount="24.57", on=SUPPLIES), off(amount="24.56", on=SUPPLIES)))

    (fault,) = refused.value.faults
    assert fault.path == ("discounts", 0, "amount")
    assert (fault.asked.amount_text, fault.most.amount_text) == (  # type: ignore[attr-defined]
        "24.57",
        "24.56",
    )
    assert "24.57" in str(fault)
    assert "24.56" in str(fault)


@pytest.mark.parametrize(
    ("discount", "code", "of", "percent"),
    [
        (off("10", on=SUPPLIES), "percent-of-line", "shop-supplies", Decimal(10)),
        (off(amount="1.00", on=SUPPLIES), "discount-of-line", "shop-supplies", None),
        (off("10"), "percent-of-quote", None, Decimal(10)),
        (off(amount="1.00"), "discount-of-quote", None, None),
    ],
)
def test_adjust_lines_says_who_gave_a_discount_of_what_and_why(
    discount: Discount, code: str, of: str | None, percent: Decimal | None
) -> None:
    told = asked(discounts=(discount,))

    found = [line for line in told.repair.lines if line.kind is LineKind.discount]
    facts: dict[str, Any] = {
        "reason": "Regular customer",
        "by": "Ida",
        "code": of,
        "percent": percent,
    }
    assert found
    assert [line.why for line in found] == [(Why(code, facts),)] * len(found)


def test_adjust_lines_prints_a_discount_as_one_piece_at_its_amount() -> None:
    told = asked(discounts=(off(amount="1.00", on=SUPPLIES),))

    line = line_of(told, "discount")
    assert (line.quantity, line.unit, line.unit_price, line.base_quantity) == (
        Decimal(1),
        "piece",
        Decimal("-1.00"),
        Decimal(1),
    )


def test_adjust_lines_names_the_lines_of_the_quote_where_none_matches() -> None:
    wanted = LineRef(code="J-HEAD-GASKET", kind="labour", cylinder=2)
    with pytest.raises(RequestRefused) as refused:
        quote(starter(), jobs=(job("J-OIL"),), terms=Terms(overrides=(priced("1", wanted),)))

    (fault,) = refused.value.faults
    assert str(fault) == (
        "no line matches labour J-HEAD-GASKET 2; the quote has "
        "V68-F-801, CS-OIL, J-OIL, shop-supplies, waste-oil"
    )
    assert (fault.line, fault.found) == (wanted, 0)  # type: ignore[attr-defined]


def test_adjust_lines_takes_per_cent_of_a_line_rounded_half_up() -> None:
    # 10 % of 24.56 is 2.456
    told = asked(discounts=(off("10", on=SUPPLIES),))

    assert discounts(told) == [("fee", "-2.46")]


def test_adjust_lines_takes_a_second_discount_of_a_line_off_what_is_left() -> None:
    # 24.56 - 12.28 = 12.28, half of which is 6.14
    told = asked(discounts=(off("50", on=SUPPLIES), off("50", on=SUPPLIES)))

    assert discounts(told) == [("fee", "-12.28"), ("fee", "-6.14")]


def test_adjust_lines_takes_discounts_off_overridden_prices() -> None:
    told = asked(overrides=(priced("10.00", SUPPLIES),), discounts=(off("50", on=SUPPLIES),))

    assert discounts(told) == [("fee", "-5.00")]


def test_adjust_lines_gives_a_lines_discount_the_kind_of_its_line() -> None:
    told = asked(discounts=(off("50", on=LineRef(code=GASKET)),))

    # two gaskets at 14.80 each
    assert discounts(told) == [("part", "-14.80")]


def test_adjust_lines_splits_a_discount_of_the_quote_over_kinds_by_largest_remainder() -> None:
    plain = asked()
    kinds = ("part", "consumable", "labour", "fee", "freight")
    sums = {
        kind: sum(line.amount.minor for line in plain.repair.lines if line.tax_kind == kind)
        for kind in kinds
    }
    # 83.20 of parts, 23.64 of consumables, 491.00 of labour, 25.32 of fees, 14.50 of freight:
    # of 100.00 that is 13.0477, 3.7073, 77.0003, 3.9708 and 2.2739, and two cents are left
    assert sums == {
        "part": 8320,
        "consumable": 2364,
        "labour": 49100,
        "fee": 2532,
        "freight": 1450,
    }
    told = asked(discounts=(off(amount="100.00"),))

    assert discounts(told) == [
        ("part", "-13.05"),
        ("consumable", "-3.71"),
        ("labour", "-77.00"),
        ("fee", "-3.97"),
        ("freight", "-2.27"),
    ]


def test_adjust_lines_takes_the_quotes_discount_after_those_of_lines() -> None:
    # listed first, and still taken of what the line's leaves: 637.66 - 24.56 = 613.10
    told = asked(discounts=(off("10"), off("100", on=SUPPLIES)))

    found = discounts(told)
    assert found[0] == ("fee", "-24.56")
    assert sum(Decimal(amount) for _, amount in found[1:]) == Decimal("-61.31")


def test_adjust_lines_leaves_deposits_for_old_parts_out_of_the_quotes_discount() -> None:
    told = quote(
        starter(),
        family="QM-D74",
        jobs=(job("J-SHORT-BLOCK"),),
        terms=Terms(discounts=(off("100"),)),
    )

    assert line_of(told, "D74-A-001", LineKind.core).amount.amount_text == "80.00"
    assert told.repair.totals.net is not None
    assert told.repair.totals.net.amount_text == "80.00"


@pytest.mark.parametrize(
    ("unit", "quantity", "unit_price", "left"),
    [
        # the shop asks for 30 minutes; a plug alone takes 6
        ("minute", "10", "1.00", 14),
        ("hour", "0.25", "95.00", 9),
        ("hour", "0.4", "95.00", None),
        # 19.00 pay 12 minutes at 95.00 an hour
        ("piece", "1", "19.00", 12),
    ],
)
def test_quote_repair_counts_labour_by_hand_towards_the_bench_minimum(
    unit: str, quantity: str, unit_price: str, left: int | None
) -> None:
    work = job("J-PLUG", 1)
    written = structs.replace(free(unit_price, quantity, ChargeKind.labour), unit=unit)
    plain = quote(starter(), jobs=(work,))
    told = quote(starter(), jobs=(work,), terms=Terms(free_lines=(written,)))

    (before,) = [line for line in plain.repair.lines if line.code == "bench-minimum"]
    assert before.quantity == 24
    after = [line.quantity for line in told.repair.lines if line.code == "bench-minimum"]
    assert after == ([] if left is None else [left])
    assert sum(each.minutes_here for each in told.operated) == 6 + (left or 0)


def test_quote_repair_counts_no_other_line_by_hand_towards_the_bench_minimum() -> None:
    told = quote(starter(), jobs=(job("J-PLUG", 1),), terms=Terms(free_lines=(free("80.00"),)))

    assert line_of(told, "bench-minimum").quantity == 24


def test_price_lines_takes_supplies_of_labour_by_hand_as_well() -> None:
    plain = quote(starter(), jobs=(HEAD,))
    told = quote(
        starter(),
        jobs=(HEAD,),
        terms=Terms(free_lines=(free("50.00", kind=ChargeKind.labour),)),
    )

    more = line_of(told, "shop-supplies").amount - line_of(plain, "shop-supplies").amount
    # 6 % of 50.00
    assert more.amount_text == "3.00"


def test_adjust_lines_discounts_a_free_line_and_taxes_it_by_its_kind() -> None:
    told = asked(
        free_lines=(free("9.999", "1.5"),),
        discounts=(off("50", on=LineRef(code="free-1")),),
    )

    line = line_of(told, "free-1")
    # 1.5 x 9.999 = 14.9985
    assert line.amount.amount_text == "15.00"
    assert (line.kind, line.unit, line.description) == (LineKind.free, "piece", "By hand")
    assert line.why == (Why("free-line", {"reason": "Asked for", "by": "Ida"}),)
    assert discounts(told) == [("part", "-7.50")]
    plain = asked().repair.totals.tax
    changed = told.repair.totals.tax
    assert plain is not None
    assert changed is not None
    # 8 % of 15.00 less 8 % of 7.50
    assert (changed - plain).amount_text == "0.60"


def test_adjust_lines_prints_a_free_line_of_no_quantity_at_nothing() -> None:
    told = asked(free_lines=(free("9.99", "0"),))

    assert line_of(told, "free-1").amount.minor == 0
    assert told.repair.totals.gross == asked().repair.totals.gross


def test_adjust_lines_keeps_the_first_computed_price_of_a_line_priced_twice() -> None:
    told = asked(overrides=(priced("1.00", SUPPLIES), priced("2.00", SUPPLIES)))

    line = line_of(told, "shop-supplies")
    assert line.amount.amount_text == "2.00"
    assert line.computed is not None
    assert line.computed.amount.amount_text == "24.56"


def test_quote_repair_lists_a_customers_part_at_nothing_and_buys_none() -> None:
    told = asked(customer_parts=(brings(GASKET),))

    line = line_of(told, GASKET)
    assert line.kind is LineKind.brought
    assert line.quantity == 2
    assert line.amount.minor == 0
    assert line.why[0].code == "customer-brings"
    bought = {each.source.item for each in told.repair.kit.bought}
    assert GASKET not in bought
    assert {left.item for left in told.repair.kit.left_over}.isdisjoint({GASKET})


def test_quote_repair_sells_what_the_customer_does_not_bring() -> None:
    told = asked(customer_parts=(brings(GASKET, 1),))

    assert line_of(told, GASKET, LineKind.brought).quantity == 1
    # the other is the last of the older number, off the shelf
    assert line_of(told, "V68-G-102", LineKind.part).quantity == 1


def test_quote_repair_counts_a_customers_parts_for_each_machine() -> None:
    told = asked(customer_parts=(brings(GASKET, 1),), machines=3)

    assert line_of(told, GASKET, LineKind.brought).quantity == 3
    # of the three others, a set of gaskets has two
    assert line_of(told, GASKET, LineKind.part).quantity == 1
    needed = [each for each in told.repair.kit.needs if each.role == "head_gasket"]
    assert {each.item for each in needed} == {GASKET}


def test_quote_repair_takes_the_very_set_that_it_would_buy() -> None:
    plain = quote(starter(), family="QM-D74", jobs=BOTH_HEADS)
    (bought,) = {each.source.item for each in plain.repair.kit.bought} & starter().sets.keys()

    own = Terms(customer_parts=(brings(bought),))
    told = quote(starter(), family="QM-D74", jobs=BOTH_HEADS, terms=own)

    line = line_of(told, bought)
    (brought,) = told.repair.kit.brought
    assert (line.kind, line.unit, line.amount.minor) == (LineKind.brought, "set", 0)
    assert line.why[0].code == "customer-brings"
    assert brought.quantity == line.quantity
    filled = {(cover.need.role, cover.need.cylinder) for cover in brought.covers}
    assert {("head_gasket", 1), ("head_gasket", 2)} <= filled
    covers = [each.covers for each in told.repair.kit.bought]
    covers += [each.covers for each in told.repair.kit.from_stock]
    assert filled.isdisjoint((one.need.role, one.need.cylinder) for each in covers for one in each)
    charged = {line.code for line in told.repair.lines if line.kind is LineKind.part}
    assert charged.isdisjoint(cover.need.item for cover in brought.covers)


@pytest.mark.parametrize("family", ["TB-S50", "QM-H27", "QM-D74", "TB-V68"])
@pytest.mark.parametrize("shop", [HIRE_YARD, ORCHARD])
def test_quote_repair_takes_everything_that_the_kit_would_buy(family: str, shop: ShopId) -> None:
    plain = quote(starter(), shop, family=family, jobs=(HEAD,))
    kit = plain.repair.kit
    items = {each.source.item for each in kit.bought} | {each.item for each in kit.from_stock}
    items -= starter().consumables.keys()

    own = Terms(customer_parts=tuple(brings(item) for item in sorted(items)))
    told = quote(starter(), shop, family=family, jobs=(HEAD,), terms=own)

    assert {each.item for each in told.repair.kit.brought} == items
    assert {each.source.item for each in told.repair.kit.bought} <= starter().consumables.keys()
    assert not [line for line in told.repair.lines if line.kind is LineKind.part]


def test_quote_repair_keeps_nothing_of_a_customers_set() -> None:
    told = quote(starter(), jobs=(HEAD,), terms=Terms(customer_parts=(brings("V68-K-011"),)))

    (brought,) = told.repair.kit.brought
    needed = {(need.role, need.cylinder) for need in told.repair.kit.needs}
    assert {(one.need.role, one.need.cylinder) for one in brought.covers} <= needed
    left = {each.item for each in told.repair.kit.left_over}
    assert left.isdisjoint(starter().sets[ItemId("V68-K-011")].contents)


def test_quote_repair_counts_a_customers_sets_for_each_machine() -> None:
    terms = Terms(customer_parts=(brings("V68-K-011", 1),), machines=3)
    told = quote(starter(), jobs=(HEAD,), terms=terms)

    assert line_of(told, "V68-K-011").quantity == 3


@pytest.mark.parametrize(
    ("item", "why"),
    [
        ("V68-A-001", "does not need it"),
        ("H27-K-011", "does not need it"),
        ("CS-OIL", "the shop supplies consumables itself"),
        ("NONE", "the catalogue has no part or set of that number"),
        ("V68-G-103", "this repair can use at most 2"),
    ],
)
def test_quote_repair_says_why_it_takes_no_customers_part(item: str, why: str) -> None:
    with pytest.raises(RequestRefused, match=re.escape(why)):
        asked(customer_parts=(brings(item, 3),))


def test_quote_repair_names_what_a_superseded_part_no_longer_stands_in_for() -> None:
    with pytest.raises(RequestRefused, match="superseded, and only V68-G-103 fits"):
        asked(customer_parts=(brings("V68-G-101"),))


def test_quote_repair_charges_no_deposit_for_the_old_part_of_one_that_is_brought() -> None:
    told = quote(
        starter(),
        family="QM-D74",
        jobs=(job("J-SHORT-BLOCK"),),
        terms=Terms(customer_parts=(brings("D74-A-001"),)),
    )

    assert [line for line in told.repair.lines if line.kind is LineKind.core] == []


def test_quote_repair_lowers_a_floor_for_this_quote_only() -> None:
    catalogue = with_shop(starter(), quality_floor={RoleId("rocker_cover_gasket"): Quality.maker})
    strict = quote(catalogue, jobs=BOTH_HEADS)
    lowered = quote(catalogue, jobs=BOTH_HEADS, terms=Terms(floors=(floor("rocker_cover_gasket"),)))
    again = quote(catalogue, jobs=BOTH_HEADS)

    def on_shelf(told: Outcome) -> set[str]:
        return {taken.item for taken in told.repair.kit.from_stock}

    # three of another make lie on the shelf, one of them promised
    assert "V68-G-110" not in on_shelf(strict)
    assert "V68-G-110" in on_shelf(lowered)
    assert on_shelf(again) == on_shelf(strict)


@pytest.mark.parametrize(
    ("terms", "work", "lines", "totals"),
    [
        (Terms(), False, False, False),
        (Terms(machines=3, floors=(floor("head_gasket"),)), False, False, False),
        (Terms(exemption=shown(MONDAY)), False, False, False),
        (Terms(customer_parts=(brings(GASKET),)), True, False, False),
        (Terms(overrides=(minutes("J-OIL", None),)), True, True, False),
        (Terms(overrides=(priced("1", SUPPLIES),)), False, True, False),
        (Terms(discounts=(off("5"),)), False, True, False),
        (Terms(free_lines=(free("1"),)), False, True, False),
        (Terms(prepaid=figure("1")), False, False, True),
        (Terms(pays_cash=True), False, False, True),
    ],
)
def test_terms_claims_what_has_to_be_worked_out_again(
    terms: Terms, work: bool, lines: bool, totals: bool
) -> None:
    assert (terms.changes_work, terms.changes_lines, terms.changes_totals) == (work, lines, totals)


def test_untouched_keeps_what_holds_before_any_line_is_known() -> None:
    terms = Terms(
        exemption=shown(MONDAY),
        discounts=(off("5"),),
        free_lines=(free("1"),),
        overrides=(priced("1", SUPPLIES),),
        customer_parts=(brings(GASKET),),
        floors=(floor("head_gasket"),),
        machines=2,
        prepaid=figure("1"),
        pays_cash=True,
    )

    assert terms.untouched() == Terms(exemption=terms.exemption, floors=terms.floors, machines=2)
    assert structs.asdict(terms.untouched())["discounts"] == ()


def test_adjust_lines_refuses_a_credit_above_the_computed_one() -> None:
    # 5000.00 taken back of a fee of 85.00
    credit = LineRef(code="diagnostic-credit")
    with pytest.raises(RequestRefused):
        asked(overrides=(priced("-5000.00", credit),))


@pytest.mark.parametrize(
    "terms",
    [
        {"overrides": (priced("0", LineRef(code="diagnostic-fee")),)},
        {"discounts": (off("100", on=LineRef(code="diagnostic-fee")),)},
    ],
    ids=["overridden to nothing", "discounted to nothing"],
)
def test_quote_repair_takes_back_no_more_of_the_diagnosis_than_is_charged(
    terms: dict[str, Any],
) -> None:
    # a fee that was waived is not credited on top
    told = asked(**terms)

    of_diagnosis = [
        line.amount.minor
        for line in told.repair.lines
        if line.code.startswith("diagnostic")
        or (line.kind is LineKind.discount and line.why[0].facts["code"] == "diagnostic-fee")
    ]
    assert sum(of_diagnosis) >= 0


@pytest.mark.parametrize(
    ("terms", "credit", "is_lowered"),
    [
        ({}, "-85.00", False),
        ({"overrides": (priced("85.00", LineRef(code="diagnostic-fee")),)}, "-85.00", False),
        ({"overrides": (priced("30.00", LineRef(code="diagnostic-fee")),)}, "-30.00", True),
        ({"discounts": (off("50", on=LineRef(code="diagnostic-fee")),)}, "-42.50", True),
        # for two machines: twice 30.00
        (
            {"overrides": (priced("30.00", LineRef(code="diagnostic-fee")),), "machines": 2},
            "-60.00",
            True,
        ),
        # what was left of the credit is less than the fee already
        (
            {
                "overrides": (
                    priced("-20.00", CREDIT),
                    priced("30.00", LineRef(code="diagnostic-fee")),
                )
            },
            "-20.00",
            False,
        ),
    ],
)
def test_adjust_lines_lowers_the_credit_to_the_fee_that_is_still_charged(
    terms: dict[str, Any], credit: str, is_lowered: bool
) -> None:
    line = line_of(asked(**terms), "diagnostic-credit")

    assert line.amount.amount_text == credit
    assert line.amount.amount == line.quantity * line.unit_price / line.base_quantity
    assert (line.why[-1] == Why("credit-follows-fee")) is is_lowered
    if is_lowered:
        assert line.why[0].code == "diagnostic-credited"
        assert line.computed is not None
        assert line.computed.unit_price == Decimal("-85.00")


def test_adjust_lines_discounts_the_quote_by_the_credit_that_is_left() -> None:
    # the fee is halved, and so is its credit: of fees, 24.56 and 0.76 are left
    halved = off("50", on=LineRef(code="diagnostic-fee"))
    told = asked(discounts=(halved, off("100")))

    fees = [amount for kind, amount in discounts(told) if kind == "fee"]
    assert fees == ["-42.50", "-25.32"]


def test_quote_repair_refuses_two_floors_for_one_role() -> None:
    strict = structs.replace(floor("head_gasket"), quality=Quality.maker)
    with pytest.raises(RequestRefused) as refused:
        asked(floors=(floor("head_gasket"), strict))

    (fault,) = refused.value.faults
    assert (fault.code, fault.path) == ("named-twice", ("floors", 1))
