"""Tax, totals, deposit, cash and cautions of a quote, computed by hand."""

from __future__ import annotations

from datetime import date, timedelta
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
    everything,
    figure,
    job,
    listed,
    offer,
    on_shelf,
    quote,
    starter,
    stocked,
    supplier,
    with_part,
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import (
    AreaId,
    Catalogue,
    ChargeKind,
    Deposit,
    Exemption,
    FamilyId,
    HazardId,
    ItemId,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    TaxArea,
    TaxComponent,
)
from kitwright.money import Money
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind, Totals
from kitwright.stages.request import (
    AskedJob,
    CustomerPart,
    Discount,
    Exempt,
    FreeLine,
    LineRef,
    RequestRefused,
    Terms,
)

COUNTY = AreaId("example-county")
VAT = AreaId("example-vat")
KINDS = tuple(kind for kind in ChargeKind if kind is not ChargeKind.discount)
CHANGE = date(2027, 3, 1)


def with_area(catalogue: Catalogue, name: AreaId = COUNTY, /, **changes: Any) -> Catalogue:
    changed: TaxArea = structs.replace(catalogue.tax_areas[name], **changes)
    return structs.replace(catalogue, tax_areas={**catalogue.tax_areas, name: changed})


def tax(name: str, percent: str, *kinds: ChargeKind, later: str | None = None) -> TaxComponent:
    """Return a tax on some kinds, all where none is named; `later` is its rate from `CHANGE` on."""
    rates = [Rate(valid_from=date(2020, 1, 1), percent=figure(percent))]
    if later is not None:
        rates.append(Rate(valid_from=CHANGE, percent=figure(later)))
    return TaxComponent(id=name, name=name, rates=tuple(rates), applies_to=kinds or KINDS)


def taxed(*components: TaxComponent, **changes: Any) -> Catalogue:
    """Return the catalogue with these taxes alone in the hire yard's area."""
    kinds = {kind for each in components for kind in each.applies_to}
    untaxed = tuple(kind for kind in KINDS if kind not in kinds)
    return with_area(starter(), components=components, untaxed=untaxed, exemption=None, **changes)


def totals(told: Outcome) -> dict[str, str | None]:
    return {
        name: None if value is None else value.amount_text
        for name in Totals.__struct_fields__
        for value in [getattr(told.repair.totals, name)]
    }


def off(percent: str) -> Discount:
    return Discount(reason="r", by="b", percent=figure(percent))


def by_hand(unit_price: str, kind: ChargeKind = ChargeKind.part) -> FreeLine:
    return FreeLine(
        description="By hand",
        kind=kind,
        quantity=figure("1"),
        unit="piece",
        unit_price=figure(unit_price),
        reason="r",
        by="b",
    )


# Dated rates


@pytest.mark.parametrize(
    ("on", "percent"),
    [(date(2027, 2, 28), "8"), (date(2027, 3, 1), "9.5"), (date(2027, 3, 2), "9.5")],
)
def test_tax_lines_uses_the_rate_of_the_quotes_day(on: date, percent: str) -> None:
    told = quote(taxed(tax("sales", "8", later="9.5")), jobs=(HEAD,), on=on)

    (component,) = told.repair.taxes
    assert component.percent == Decimal(percent)


def test_tax_lines_changes_only_the_component_whose_rate_changes() -> None:
    catalogue = taxed(tax("state", "6", later="7"), tax("city", "2"))
    before = quote(catalogue, jobs=(HEAD,), on=date(2027, 2, 28))
    after = quote(catalogue, jobs=(HEAD,), on=CHANGE)

    assert [each.percent for each in before.repair.taxes] == [6, 2]
    assert [each.percent for each in after.repair.taxes] == [7, 2]


def test_read_request_refuses_a_day_before_the_first_rate() -> None:
    with pytest.raises(RequestRefused) as refused:
        quote(starter(), jobs=(HEAD,), on=date(2019, 12, 31))

    (fault,) = refused.value.faults
    assert (fault.code, fault.path) == ("before-tax", ("on",))


# Kinds


def test_tax_lines_taxes_only_the_kinds_of_a_component() -> None:
    # labour of 357.50 at 5 %, rounded a line: 13.00, 69.00 and 275.50 are 0.65, 3.45 and 13.78
    told = quote(taxed(tax("work", "5", ChargeKind.labour)), jobs=(HEAD,))

    (component,) = told.repair.taxes
    assert component.base.amount_text == "357.50"
    assert component.amount.amount_text == "17.88"


def test_tax_lines_charges_a_compounding_tax_on_the_printed_one_before_it() -> None:
    # 100.00 at 5 % is 5.00, and 105.00 at 9.975 % is 10.47375
    first = tax("first", "5", ChargeKind.core)
    second = structs.replace(tax("second", "9.975", ChargeKind.core), compounds=True)
    told = quote(
        taxed(first, second),
        jobs=(HEAD,),
        terms=Terms(free_lines=(by_hand("100.00", ChargeKind.core),)),
    )

    assert [(each.base.amount_text, each.amount.amount_text) for each in told.repair.taxes] == [
        ("100.00", "5.00"),
        ("105.00", "10.47"),
    ]


@pytest.mark.parametrize(
    ("mode", "expected"),
    [(RoundMode.half_up, "0.13"), (RoundMode.half_even, "0.12"), (RoundMode.down, "0.12")],
)
@pytest.mark.parametrize("by", [*RoundBy])
def test_tax_lines_rounds_as_the_area_says(mode: RoundMode, by: RoundBy, expected: str) -> None:
    # 1.25 at 10 % is 0.125
    told = quote(
        taxed(tax("t", "10", ChargeKind.core), rounding=Rounding(by=by, mode=mode)),
        jobs=(HEAD,),
        terms=Terms(free_lines=(by_hand("1.25", ChargeKind.core),)),
    )

    assert totals(told)["tax"] == expected


@pytest.mark.parametrize(("by", "expected"), [(RoundBy.line, "0.04"), (RoundBy.component, "0.02")])
def test_tax_lines_rounds_four_small_lines_by_line_or_together(by: RoundBy, expected: str) -> None:
    # 0.06 at 10 % is 0.006 a line, 0.024 together
    told = quote(
        taxed(
            tax("t", "10", ChargeKind.core),
            rounding=Rounding(by=by, mode=RoundMode.half_up),
        ),
        jobs=(HEAD,),
        terms=Terms(free_lines=(by_hand("0.06", ChargeKind.core),) * 4),
    )

    assert totals(told)["tax"] == expected


# Unknown tax


def test_tax_lines_tells_unknown_tax_from_none() -> None:
    told = quote(starter(), jobs=(HEAD,), tax_area=None)

    found = totals(told)
    assert (found["tax"], found["gross"], found["payable"]) == (None, None, None)
    assert found["net"] == found["lines"] == "479.82"
    assert told.repair.line_taxes is None
    assert told.repair.taxes == ()


def test_tax_lines_knows_no_net_where_unknown_tax_is_in_the_prices() -> None:
    told = quote(starter(), ORCHARD, jobs=(HEAD,), tax_area=None)

    assert totals(told)["net"] is None


def test_tax_lines_knows_a_rate_of_nothing() -> None:
    told = quote(taxed(tax("sales", "0")), jobs=(HEAD,))

    assert totals(told)["tax"] == "0.00"
    assert totals(told)["gross"] == totals(told)["net"]
    assert [each.component for each in told.repair.taxes] == ["sales"]


# Exemption

SHOWN = Exempt(certificate_number="C-17", valid_until=MONDAY)


def test_tax_lines_frees_only_the_kinds_of_an_exemption() -> None:
    freed = Exemption(kinds=(ChargeKind.part,))
    catalogue = with_area(taxed(tax("sales", "10")), exemption=freed)
    told = quote(catalogue, jobs=(HEAD,), terms=Terms(exemption=SHOWN))

    assert told.repair.line_taxes is not None
    for line, each in zip(told.repair.lines, told.repair.line_taxes, strict=True):
        is_free = line.tax_kind is ChargeKind.part
        assert each.tax == (
            Money(0, "USD") if is_free else Money.of(line.amount.amount / 10, "USD")
        )


def test_tax_lines_frees_the_discount_of_what_is_exempt() -> None:
    told = quote(starter(), jobs=(HEAD,), terms=Terms(exemption=SHOWN, discounts=(off("10"),)))

    # the county taxes parts and consumables alone, and frees both
    assert totals(told)["tax"] == "0.00"


def test_tax_lines_takes_an_exemption_on_its_last_day() -> None:
    told = quote(starter(), jobs=(HEAD,), terms=Terms(exemption=SHOWN))

    assert totals(told)["tax"] == "0.00"


def test_tax_lines_takes_the_tax_out_of_prices_including_it_for_an_exempt_customer() -> None:
    freed = Exemption(kinds=KINDS)
    catalogue = with_area(starter(), VAT, exemption=freed)
    plain = quote(catalogue, ORCHARD, jobs=(HEAD,))
    told = quote(catalogue, ORCHARD, jobs=(HEAD,), terms=Terms(exemption=SHOWN))

    assert totals(told)["gross"] == totals(told)["net"] == totals(plain)["net"]
    assert told.repair.price < plain.repair.price
    assert told.repair.totals.payable == told.repair.totals.gross
    # lines stay as they are printed; what is spared is said once
    assert totals(told)["lines"] == totals(plain)["lines"]
    assert told.repair.freed == plain.repair.taxes
    deposits = told.repair.totals.deposit.minor, plain.repair.totals.deposit.minor
    assert abs(deposits[0] * Decimal("1.2") - deposits[1]) <= 2


def test_tax_lines_asks_an_exempt_customer_the_freight_that_the_shop_pays() -> None:
    freed = Exemption(kinds=KINDS)
    fees = starter().shops[ORCHARD].fees
    passed_on = structs.replace(fees.freight, cap=figure("999.00"))
    catalogue = with_shop(
        with_area(starter(), VAT, exemption=freed),
        ORCHARD,
        fees=structs.replace(fees, freight=passed_on),
    )
    told = quote(catalogue, ORCHARD, jobs=(HEAD,), terms=Terms(exemption=SHOWN))

    charged = sum(order.charges.minor for order in told.repair.orders)
    assert told.repair.line_taxes is not None
    (net,) = [
        each.net.minor
        for line, each in zip(told.repair.lines, told.repair.line_taxes, strict=True)
        if line.kind is LineKind.freight
    ]
    # grossed up for the price, and the tax taken off again
    assert abs(net - charged) <= 1


# Rates that change


def changing(first_day: date, percent: str = "22") -> Catalogue:
    """Return the catalogue with another rate of the value added tax from a day on."""
    (vat,) = starter().tax_areas[VAT].components
    new = Rate(valid_from=first_day, percent=figure(percent))
    return with_area(starter(), VAT, components=(structs.replace(vat, rates=(*vat.rates, new)),))


@pytest.mark.parametrize(("days", "is_said"), [(0, False), (1, True), (30, True), (31, False)])
def test_make_quote_notes_a_rate_that_changes_while_the_quote_stands(
    days: int, is_said: bool
) -> None:
    # the orchard's quotes stand for thirty days, and everything is there before
    first = MONDAY + timedelta(days=days)
    told = quote(changing(first), ORCHARD, jobs=(HEAD,))

    facts = {"tax": "VAT", "rate": Decimal(20), "new_rate": Decimal(22), "first_day": first}
    assert told.valid_until == MONDAY + timedelta(days=30)
    assert [(note.code, note.facts) for note in told.notes] == (
        [("tax-rate-changes", facts)] if is_said else []
    )


def test_make_quote_notes_a_rate_that_changes_before_the_parts_are_there() -> None:
    late = with_shop(
        changing(MONDAY + timedelta(days=2)),
        ORCHARD,
        quote=structs.replace(starter().shops[ORCHARD].quote, valid_days=1),
    )
    told = quote(late, ORCHARD, jobs=(HEAD,))

    assert told.parts_by is not None
    assert told.valid_until < MONDAY + timedelta(days=2) <= told.parts_by
    assert [note.code for note in told.notes] == ["tax-rate-changes"]


def test_make_quote_notes_no_rate_that_its_customer_does_not_pay() -> None:
    freed = Exemption(kinds=KINDS)
    catalogue = with_area(changing(MONDAY + timedelta(days=2)), VAT, exemption=freed)

    assert quote(catalogue, ORCHARD, jobs=(HEAD,)).notes
    assert not quote(catalogue, ORCHARD, jobs=(HEAD,), terms=Terms(exemption=SHOWN)).notes
    same = changing(MONDAY + timedelta(days=5), "20")
    assert not quote(same, ORCHARD, jobs=(HEAD,)).notes


# Prepaid and cash


@pytest.mark.parametrize(
    ("prepaid", "rounding", "payable"),
    [
        ("0.02", "-0.01", "486.45"),
        ("0.03", "0.00", "486.45"),
        ("0.04", "0.01", "486.45"),
        ("0.05", "0.02", "486.45"),
        ("0.06", "-0.02", "486.40"),
        ("0.08", "0.00", "486.40"),
        ("486.48", "0.00", "0.00"),
        ("486.50", "0.02", "0.00"),
        ("486.51", "-0.02", "-0.05"),
    ],
)
def test_tax_lines_rounds_what_is_left_to_pay_to_the_nearest_five_cents(
    prepaid: str, rounding: str, payable: str
) -> None:
    """Common practice where there is no smaller coin: the total after tax, never a line."""
    catalogue = with_shop(starter(), cash_step=figure("0.05"))
    told = quote(catalogue, jobs=(HEAD,), terms=Terms(prepaid=figure(prepaid), pays_cash=True))

    found = totals(told)
    assert found["gross"] == "486.48"
    assert (found["cash_rounding"], found["payable"]) == (rounding, payable)


@pytest.mark.parametrize(
    ("step", "is_cash"), [("0.05", False), (None, True)], ids=["by card", "no step"]
)
def test_tax_lines_rounds_only_cash_and_only_where_the_shop_does(
    step: str | None, is_cash: bool
) -> None:
    catalogue = with_shop(starter(), cash_step=None if step is None else figure(step))
    told = quote(catalogue, jobs=(HEAD,), terms=Terms(pays_cash=is_cash))

    assert totals(told)["cash_rounding"] == "0.00"
    assert totals(told)["payable"] == "486.48"


def test_tax_lines_rounds_a_half_step_up() -> None:
    # 486.48 to tens of cents, less 0.03: 486.45
    catalogue = with_shop(starter(), cash_step=figure("0.10"))
    told = quote(catalogue, jobs=(HEAD,), terms=Terms(prepaid=figure("0.03"), pays_cash=True))

    assert totals(told)["payable"] == "486.50"


def test_tax_lines_takes_a_hundred_times_the_price_as_prepaid_and_not_a_cent_more() -> None:
    most = Terms(prepaid=figure("48648.00"))
    assert totals(quote(starter(), jobs=(HEAD,), terms=most))["payable"] == "-48161.52"

    with pytest.raises(RequestRefused) as refused:
        quote(starter(), jobs=(HEAD,), terms=Terms(prepaid=figure("48648.01")))

    (fault,) = refused.value.faults
    assert (fault.code, fault.path) == ("prepaid-too-large", ("prepaid",))
    assert "48648.01 is more than 100 times the price of this quote, 486.48 USD" in str(fault)


@pytest.mark.parametrize("tax_area", [COUNTY, None], ids=["taxed", "tax not known"])
def test_tax_lines_pays_back_what_was_prepaid_for_work_that_is_free(
    tax_area: AreaId | None,
) -> None:
    dearest = max(starter().shops[HIRE_YARD].labour.rates.values())
    for prepaid, is_taken in ((100 * dearest, True), (100 * dearest + figure("0.01"), False)):
        terms = Terms(prepaid=prepaid, discounts=(off("100"),))
        if is_taken:
            told = quote(starter(), jobs=(HEAD,), terms=terms, tax_area=tax_area)
            assert told.repair.totals.price.minor == 0
        else:
            with pytest.raises(RequestRefused):
                quote(starter(), jobs=(HEAD,), terms=terms, tax_area=tax_area)


# Deposit


def test_tax_lines_asks_half_of_what_is_ordered_in_advance() -> None:
    # with 8 % each: 11.23 exhaust gaskets, 8.64 nuts, 1.30 clips, 9.94 intake gaskets, 3.67 air box
    assert totals(quote(starter(), jobs=(HEAD,)))["deposit"] == "17.40"


def test_tax_lines_asks_a_deposit_before_tax_where_tax_is_unknown() -> None:
    # 10.40 + 8.00 + 1.20 + 9.20 + 3.40 = 32.20
    assert totals(quote(starter(), jobs=(HEAD,), tax_area=None))["deposit"] == "16.10"


def test_tax_lines_asks_no_deposit_for_what_lies_on_the_shelf() -> None:
    catalogue = with_shop(
        starter(),
        quote=structs.replace(
            starter().shops[HIRE_YARD].quote,
            deposit=Deposit(
                special_order_percent=figure("100"), whole_engine_percent=figure("100")
            ),
        ),
    )
    plugs = (job("J-PLUG", 1), job("J-PLUG", 2))

    # six plugs lie there
    assert totals(quote(catalogue, jobs=plugs))["deposit"] == "0.00"
    assert totals(quote(stocked(catalogue), jobs=plugs))["deposit"] != "0.00"


def test_tax_lines_asks_the_share_of_a_line_that_is_ordered() -> None:
    # two plugs are wanted at 3.90 each: one lies there, so half of the line is ordered
    catalogue = with_part(starter(), "V68-E-901", list_price=listed("3.90"))
    plugs = (job("J-PLUG", 1), job("J-PLUG", 2))
    shelf = next(row for row in starter().shops[HIRE_YARD].stock if row.item == ItemId("V68-E-901"))
    one = stocked(catalogue, structs.replace(shelf, on_hand=1, promised=0))
    (line,) = [line for line in quote(one, jobs=plugs).repair.lines if line.kind is LineKind.part]
    gross = line.amount.amount * Decimal("1.08")

    found = quote(one, jobs=plugs).repair.totals.deposit
    none = quote(stocked(catalogue), jobs=plugs).repair.totals.deposit
    # half of the half, and half of all
    assert found == Money.of(round(gross, 2) / 4, "USD")
    assert none == Money.of(round(gross, 2) / 2, "USD")


def test_tax_lines_asks_for_a_whole_engine_by_its_own_share() -> None:
    terms = starter().shops[HIRE_YARD].quote
    deposit = Deposit(special_order_percent=figure("0"), whole_engine_percent=figure("40"))
    catalogue = with_shop(starter(), quote=structs.replace(terms, deposit=deposit))
    told = quote(catalogue, family=FamilyId("QM-H27"), jobs=(job("J-ENGINE"),))

    (engine,) = [line for line in told.repair.lines if line.code == "H27-A-000"]
    assert told.repair.line_taxes is not None
    gross = told.repair.line_taxes[told.repair.lines.index(engine)].gross
    assert told.repair.totals.deposit == Money.of(gross.amount * Decimal("0.4"), "USD")


def test_tax_lines_asks_no_deposit_for_a_part_that_is_brought() -> None:
    brought = CustomerPart(item=ItemId("V68-G-140"))
    told = quote(starter(), jobs=(HEAD,), terms=Terms(customer_parts=(brought,)))

    # 16.96 less half of the exhaust gaskets' 11.23: 22.69 halved
    assert totals(told)["deposit"] == "11.35"


def test_tax_lines_asks_no_more_in_advance_than_the_quote_comes_to() -> None:
    # everything is waived: there is nothing to ask a part of
    told = quote(starter(), jobs=BOTH_HEADS, terms=Terms(discounts=(off("100"),)))

    assert told.repair.totals.gross is not None
    assert told.repair.totals.deposit <= told.repair.totals.gross


def test_tax_lines_asks_no_deposit_on_what_is_taken_off_a_part() -> None:
    # the exhaust gaskets are given away: 16.96 less half of their 11.23
    gift = Discount(reason="r", by="b", percent=figure("100"), line=LineRef(code="V68-G-140"))
    told = quote(starter(), jobs=(HEAD,), terms=Terms(discounts=(gift,)))

    assert totals(told)["deposit"] in ("11.34", "11.35")


SET = "V68-K-011"


def two_sets() -> Outcome:
    """Return a quote of two machines that takes one set off the shelf and buys another."""
    cheap = supplier("ONE", *everything(starter(), "9.00"), offer(SET, "12.00"))
    catalogue = stocked(with_suppliers(starter(), cheap), on_shelf(SET, 1))
    seals = (job("J-STEM-SEAL", 1), job("J-STEM-SEAL", 2))
    return quote(catalogue, jobs=(*BOTH_HEADS, *seals), terms=Terms(machines=2))


def test_tax_lines_asks_no_deposit_for_a_set_on_the_shelf_beside_one_that_is_bought() -> None:
    told = two_sets()

    kit = told.repair.kit
    assert [each.packs for each in kit.bought if each.source.item == SET] == [1]
    assert [each.packs for each in kit.from_stock if each.item == SET] == [1]
    assert told.repair.line_taxes is not None
    asked = Decimal(0)
    for line, each in zip(told.repair.lines, told.repair.line_taxes, strict=True):
        if line.kind is LineKind.part:
            asked += each.gross.amount / 2
        elif line.code == SET:
            # one of the two comes from the shelf
            asked += each.gross.amount / 2 / 2
    assert told.repair.totals.deposit == Money.of(asked, "USD")


def test_price_goods_prints_no_two_lines_that_cannot_be_told_apart() -> None:
    # a change names a line by code, kind, cylinder and class: both sets have all of them alike
    lines = [
        (line.code, line.kind, line.operation, line.labour_class)
        for line in two_sets().repair.lines
    ]

    assert len(lines) == len(set(lines))


@pytest.mark.parametrize(
    ("family", "asked"),
    [
        pytest.param("TB-V68", HEAD, id="a cent is left"),
        pytest.param("QM-H27", job("J-EXHAUST-GASKET"), id="a cent is owed to the customer"),
    ],
)
def test_tax_lines_finds_no_tax_in_a_quote_that_is_waived(family: str, asked: AskedJob) -> None:
    # the taxes of the lines, each rounded, against those of one discount a kind
    told = quote(
        starter(), family=FamilyId(family), jobs=(asked,), terms=Terms(discounts=(off("100"),))
    )

    assert totals(told)["net"] == "0.00"
    assert (totals(told)["tax"], totals(told)["gross"]) == ("0.00", "0.00")


@pytest.mark.parametrize("percent", ["33.3", "50", "100"])
def test_tax_lines_keeps_net_and_tax_to_gross_whatever_is_taken_off(percent: str) -> None:
    told = quote(starter(), jobs=BOTH_HEADS, terms=Terms(discounts=(off(percent),)))

    found = told.repair.totals
    assert found.net is not None
    assert found.tax is not None
    assert found.net + found.tax == found.gross
    assert found.lines + found.discount == found.net


# Cautions


def test_find_cautions_names_each_hazard_once_in_the_catalogues_order() -> None:
    told = quote(starter(), jobs=BOTH_HEADS)

    codes = [each.hazard.id for each in told.cautions]
    assert codes == [code for code in starter().hazards if code in codes]
    assert len(codes) == len(set(codes))
    assert all(each.steps for each in told.cautions)


def test_find_cautions_names_the_steps_and_the_items_that_bring_a_hazard() -> None:
    told = quote(starter(), jobs=(HEAD,))

    steps = {each.hazard.id: each.steps for each in told.cautions}
    # the fuel line alone of this engine's access; the aerosol that the faces are cleaned with
    assert "fuel_line" in steps[HazardId("HZ-FUEL")]
    assert steps[HazardId("HZ-CHEM")] == ("CS-CLEANER",)


def test_find_cautions_leaves_out_what_this_visit_does_not_bring() -> None:
    told = quote(starter(), jobs=(job("J-PLUG", 1),))

    assert "HZ-FUEL" not in {each.hazard.id for each in told.cautions}


# Dates


def test_make_quote_stands_for_the_shops_days() -> None:
    # fourteen days in the hire yard, thirty in the orchard
    assert quote(starter(), jobs=(HEAD,)).valid_until == date(2027, 3, 15)
    assert quote(starter(), ORCHARD, jobs=(HEAD,)).valid_until == date(2027, 3, 31)


def test_make_quote_waits_for_the_later_of_parts_and_work_that_is_sent_out() -> None:
    # the slowest order comes in two working days, the head in three
    parts = quote(starter(), jobs=(HEAD,))
    both = quote(starter(), jobs=(HEAD, job("J-RESURFACE", 1)))

    assert parts.parts_by == date(2027, 3, 3)
    assert both.parts_by == date(2027, 3, 4)


def test_make_quote_waits_for_nothing_where_nothing_comes() -> None:
    told = quote(starter(), jobs=(job("J-LEAKDOWN"),))

    assert told.repair.orders == ()
    assert told.parts_by is None
