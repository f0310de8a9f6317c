"""Fees, supplies, sublet work and freight of the hire yard and the orchard, computed by hand."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    HEAD,
    HIRE_YARD,
    ORCHARD,
    everything,
    figure,
    job,
    quote,
    starter,
    stocked,
    supplier,
    with_job,
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import (
    AreaId,
    Bill,
    Catalogue,
    ChargeKind,
    DiagnosticCredit,
    Fees,
    FreightRule,
    ItemId,
    Rate,
    ServiceId,
    ShopId,
    SubletPrice,
    TaxArea,
)
from kitwright.money import Money, total
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind, PricedLine
from kitwright.stages.request import AskedJob, Terms
from kitwright.stages.why import Why

LEAKDOWN = job("J-LEAKDOWN")


def with_fees(shop: ShopId = HIRE_YARD, **changes: Any) -> Catalogue:
    fees: Fees = structs.replace(starter().shops[shop].fees, **changes)
    return with_shop(starter(), shop, fees=fees)


def with_supplies(percent: str, cap: str, *, is_itemised_off: bool = True) -> Catalogue:
    plain = starter().shops[HIRE_YARD].fees.supplies
    return with_fees(
        supplies=structs.replace(
            plain,
            percent_of_labour=figure(percent),
            cap=figure(cap),
            exclude_itemised=is_itemised_off,
        )
    )


def amounts(told: Outcome, *codes: str) -> list[str]:
    """Return the amounts of the lines of some codes, in the order of the quote."""
    return [line.amount.amount_text for line in told.repair.lines if line.code in codes]


def of_kind(lines: Iterable[PricedLine], kind: LineKind) -> Money:
    found = [line.amount for line in lines if line.kind is kind]
    return total(found, "USD")


# Reasons


def reason(told: Outcome, code: str) -> Why:
    """Return the one reason of the one line of a code."""
    (why,) = (why for line in told.repair.lines if line.code == code for why in line.why)
    return why


def test_price_lines_says_what_fees_and_freight_were_reckoned_from() -> None:
    told = quote(starter(), jobs=(HEAD, job("J-OIL")), diagnostic_done=True)

    assert reason(told, "diagnostic-fee") == Why("diagnostic-done")
    assert reason(told, "diagnostic-credit") == Why(
        "diagnostic-credited", {"percent": Decimal(100)}
    )
    # 6 % of 357.50, at most 35.00, less the lube for 1.07 and the cleaner for 1.38
    assert reason(told, "shop-supplies") == Why(
        "supplies-of-labour",
        {
            "percent": Decimal(6),
            "labour": Money(35750, "USD"),
            "cap": Money(3500, "USD"),
            "chemicals": Money(245, "USD"),
        },
    )
    assert reason(told, "waste-oil") == Why("oil-drained", {"litres": Decimal("1.9")})
    # Delloway charges none; Alder Quay charges 14.50, and 5.00 for an order below 25.00
    assert reason(told, "freight-and-order-fees") == Why(
        "freight-of-orders",
        {
            "suppliers": "Alder Quay Distribution",
            "charged": Money(1950, "USD"),
            "cap": Money(3500, "USD"),
        },
    )


def test_price_lines_says_what_labour_and_the_bench_minimum_are_for() -> None:
    told = quote(starter(), jobs=(job("J-PLUG", 1),))

    assert reason(told, "J-PLUG") == Why(
        "labour-of-job", {"job": "J-PLUG", "cylinder": 1, "class": "tech", "minutes": 6}
    )
    assert reason(told, "bench-minimum") == Why("bench-minimum", {"minutes": 24, "minimum": 30})
    oil = quote(starter(), jobs=(job("J-OIL"),))
    assert reason(oil, "J-OIL").facts["cylinder"] is None


def test_price_lines_says_which_job_is_sent_out_and_for_how_many_days() -> None:
    told = quote(starter(), jobs=(job("J-RESURFACE", 1),))

    assert reason(told, "head_resurface") == Why(
        "sublet-of-job", {"job": "J-RESURFACE", "cylinder": 1, "days": 3}
    )


# Labour


def test_price_lines_charges_hours_at_the_rate_of_the_class() -> None:
    # 12 of clean at 65.00, 36 of senior at 115.00, 174 of tech at 95.00 an hour
    told = quote(starter(), jobs=(HEAD,))

    found = {
        line.labour_class: (int(line.quantity), line.amount.amount_text)
        for line in told.repair.lines
        if line.kind is LineKind.labour
    }
    assert found == {"clean": (12, "13.00"), "senior": (36, "69.00"), "tech": (174, "275.50")}


def test_price_lines_makes_one_line_a_job_and_class() -> None:
    told = quote(starter(), jobs=BOTH_HEADS)

    places = [
        (line.operation, line.labour_class)
        for line in told.repair.lines
        if line.kind is LineKind.labour
    ]
    # the fins are cleaned once, and the first job bears that
    assert len(places) == len(set(places)) == 3 + 2


def test_price_lines_shows_the_bench_minimum_as_one_line_of_its_own() -> None:
    # a plug takes 3 minutes, billed as 6; 24 more at 95.00 an hour
    told = quote(starter(), jobs=(job("J-PLUG", 1),))

    assert amounts(told, "J-PLUG", "bench-minimum") == ["9.50", "38.00"]


# Diagnosis


@pytest.mark.parametrize(
    ("credit", "percent", "jobs", "expected"),
    [
        (DiagnosticCredit.none, None, (HEAD,), ["85.00"]),
        (DiagnosticCredit.full_if_repair_accepted, None, (HEAD,), ["85.00", "-85.00"]),
        (DiagnosticCredit.full_if_repair_accepted, None, (LEAKDOWN,), ["85.00"]),
        (DiagnosticCredit.full_if_repair_accepted, None, (LEAKDOWN, HEAD), ["85.00", "-85.00"]),
        (DiagnosticCredit.partial_percent, "50", (HEAD,), ["85.00", "-42.50"]),
        (DiagnosticCredit.partial_percent, "33.3", (HEAD,), ["85.00", "-28.31"]),
        (DiagnosticCredit.partial_percent, "0", (HEAD,), ["85.00"]),
    ],
)
def test_price_lines_credits_the_diagnosis_as_the_shop_says(
    credit: DiagnosticCredit,
    percent: str | None,
    jobs: tuple[AskedJob, ...],
    expected: list[str],
) -> None:
    catalogue = with_fees(
        diagnostic_credit=credit,
        diagnostic_credit_percent=None if percent is None else figure(percent),
    )
    told = quote(catalogue, jobs=jobs, diagnostic_done=True)

    assert amounts(told, "diagnostic-fee", "diagnostic-credit") == expected


def test_price_lines_taxes_the_credit_as_the_fee() -> None:
    told = quote(starter(), jobs=(HEAD,), diagnostic_done=True)

    kinds = {line.tax_kind for line in told.repair.lines if line.code.startswith("diagnostic")}
    assert kinds == {ChargeKind.fee}


def test_price_lines_charges_no_diagnosis_that_was_not_done() -> None:
    assert amounts(quote(starter(), jobs=(HEAD,)), "diagnostic-fee", "diagnostic-credit") == []


def test_price_lines_charges_and_credits_the_diagnosis_of_every_machine() -> None:
    told = quote(starter(), jobs=(HEAD,), diagnostic_done=True, terms=Terms(machines=3))

    assert amounts(told, "diagnostic-fee", "diagnostic-credit") == ["255.00", "-255.00"]


# Shop supplies

# One head gasket: labour of 357.50; chemicals are lube for 1.07 and cleaner for 1.38, no pads, no
# oil and no towels.


@pytest.mark.parametrize(
    ("percent", "cap", "is_itemised_off", "expected"),
    [
        pytest.param("6", "35.00", True, ["19.00"], id="21.45 less 2.45"),
        pytest.param("6", "35.00", False, ["21.45"], id="nothing is taken off"),
        pytest.param("6", "20.00", True, ["17.55"], id="the cap less 2.45"),
        pytest.param("6", "2.46", True, ["0.01"], id="a cent above the chemicals"),
        pytest.param("6", "2.45", True, [], id="the chemicals are all of it"),
        pytest.param("0.5", "35.00", True, [], id="1.79 less 2.45 is nothing, not a credit"),
        pytest.param("0", "35.00", False, [], id="no supplies"),
        pytest.param("6.001", "35.00", False, ["21.45"], id="21.453575 rounded"),
    ],
)
def test_price_lines_charges_supplies_up_to_the_cap_less_itemised_chemicals(
    percent: str, cap: str, is_itemised_off: bool, expected: list[str]
) -> None:
    catalogue = with_supplies(percent, cap, is_itemised_off=is_itemised_off)
    told = quote(catalogue, jobs=(HEAD,))

    assert of_kind(told.repair.lines, LineKind.labour).amount_text == "357.50"
    assert amounts(told, "CS-ASSYLUBE", "CS-CLEANER") == ["1.07", "1.38"]
    assert amounts(told, "shop-supplies") == expected


def test_price_lines_caps_supplies_for_each_machine() -> None:
    # three times 357.50 are 1072.50: 6 % are 64.35, the cap is 3 x 20.00; chemicals are 30 ml of
    # 120 at 12.85 and 0.6 of a can at 6.90: 3.21 and 4.14
    catalogue = with_supplies("6", "20.00")
    told = quote(catalogue, jobs=(HEAD,), terms=Terms(machines=3))

    assert amounts(told, "CS-ASSYLUBE", "CS-CLEANER") == ["3.21", "4.14"]
    assert amounts(told, "shop-supplies") == ["52.65"]


# Oil


def test_price_lines_charges_waste_oil_by_the_litre_drained() -> None:
    # 1.9 L at 0.40
    told = quote(starter(), jobs=(job("J-OIL"),))

    assert amounts(told, "waste-oil") == ["0.76"]


def test_price_lines_charges_waste_oil_of_every_machine() -> None:
    told = quote(starter(), jobs=(job("J-OIL"),), terms=Terms(machines=5))

    assert amounts(told, "waste-oil") == ["3.80"]


def test_price_lines_charges_no_waste_oil_where_none_is_drained_or_it_costs_nothing() -> None:
    dry = quote(starter(), jobs=(job("J-PLUG", 1),))
    free = quote(with_fees(waste_oil_per_litre=figure("0")), jobs=(job("J-OIL"),))

    assert amounts(dry, "waste-oil") == []
    assert amounts(free, "waste-oil") == []


# Sublet work


@pytest.mark.parametrize(
    ("cost", "percent", "machines", "expected"),
    [
        ("42.00", "20", 1, "50.40"),
        ("42.00", "0", 1, "42.00"),
        ("33.33", "7.5", 1, "35.83"),
        # rounded as it is printed, then taken twice
        ("33.33", "7.5", 2, "71.66"),
    ],
)
def test_price_lines_marks_sublet_work_up_on_its_cost(
    cost: str, percent: str, machines: int, expected: str
) -> None:
    service = ServiceId("head_resurface")
    terms = SubletPrice(cost=figure(cost), days=3, percent=figure(percent))
    catalogue = with_shop(starter(), sublet={service: terms})
    told = quote(catalogue, jobs=(job("J-RESURFACE", 1),), terms=Terms(machines=machines))

    assert amounts(told, "head_resurface") == [expected]


def test_price_lines_sends_out_each_cylinders_head_on_a_line_of_its_own() -> None:
    told = quote(starter(), jobs=(job("J-RESURFACE", 1), job("J-RESURFACE", 2)))

    found = [line for line in told.repair.lines if line.kind is LineKind.sublet]
    assert [line.operation for line in found] == [("J-RESURFACE", 1), ("J-RESURFACE", 2)]
    assert {line.tax_kind for line in found} == {ChargeKind.sublet}


# Freight


def freighted(
    freight: str, cap: str, shop: ShopId = HIRE_YARD, area: TaxArea | None = None, **asked: Any
) -> Outcome:
    """Return a quote whose one supplier charges this freight."""
    currency = starter().shops[shop].currency
    only = supplier(
        "ONE", *everything(starter(), "1.00"), freight=figure(freight), currency=currency
    )
    plain = starter().shops[shop].fees
    fees = structs.replace(plain, freight=FreightRule(cap=figure(cap)))
    catalogue = with_suppliers(with_shop(starter(), shop, fees=fees), only)
    if area is not None:
        catalogue = structs.replace(catalogue, tax_areas={**catalogue.tax_areas, area.id: area})
    return quote(stocked(catalogue, shop=shop), shop, jobs=(HEAD,), **asked)


@pytest.mark.parametrize(
    ("freight", "cap", "expected"),
    [
        ("12.34", "35.00", ["12.34"]),
        ("35.00", "35.00", ["35.00"]),
        ("35.01", "35.00", ["35.00"]),
        ("0.00", "35.00", []),
        ("12.34", "0.00", []),
    ],
)
def test_price_lines_passes_freight_on_up_to_the_cap(
    freight: str, cap: str, expected: list[str]
) -> None:
    assert amounts(freighted(freight, cap), "freight-and-order-fees") == expected


def test_price_lines_passes_fees_of_orders_on_with_their_freight() -> None:
    # ALDQ 14.50 and 5.00 for a small order: 19.50, capped at 12.00
    fees = starter().shops[HIRE_YARD].fees
    capped = structs.replace(fees, freight=structs.replace(fees.freight, cap=figure("12.00")))
    told = quote(with_shop(starter(), fees=capped), jobs=(HEAD,))

    charged = total((order.charges for order in told.repair.orders), "USD")
    assert charged.amount_text == "19.50"
    assert amounts(told, "freight-and-order-fees") == ["12.00"]


@pytest.mark.parametrize(
    ("percent", "expected"), [("20", "12.00"), ("9.975", "11.00"), ("19", "11.90"), ("0", "10.00")]
)
def test_price_lines_grosses_freight_up_by_the_areas_rate(percent: str, expected: str) -> None:
    # 10.00 x 1.09975 = 10.9975
    plain = starter().tax_areas[AreaId("example-vat")]
    (vat,) = plain.components
    area = structs.replace(
        plain,
        components=(
            structs.replace(
                vat, rates=(Rate(valid_from=vat.rates[0].valid_from, percent=figure(percent)),)
            ),
        ),
    )
    told = freighted("10.00", "29.00", ORCHARD, area)

    assert amounts(told, "freight-and-order-fees") == [expected]


def test_price_lines_grosses_freight_up_before_the_cap() -> None:
    # 25.00 x 1.2 = 30.00, and the cap of 29.00 is what the customer pays, tax included
    assert amounts(freighted("25.00", "29.00", ORCHARD), "freight-and-order-fees") == ["29.00"]


def test_price_lines_grosses_freight_up_by_the_shops_own_area_where_none_is_known() -> None:
    told = freighted("10.00", "29.00", ORCHARD, tax_area=None)

    assert amounts(told, "freight-and-order-fees") == ["12.00"]


def test_price_lines_leaves_freight_alone_where_prices_exclude_tax() -> None:
    assert amounts(freighted("10.00", "35.00"), "freight-and-order-fees") == ["10.00"]


# Deposits for old parts


def test_price_lines_lists_core_deposits_last_and_for_every_piece() -> None:
    told = quote(starter(), family="QM-D74", jobs=(job("J-SHORT-BLOCK"),), terms=Terms(machines=2))

    last = told.repair.lines[-1]
    assert (last.kind, last.code, last.quantity) == (LineKind.core, "D74-A-001", Decimal(2))
    assert last.amount.amount_text == "160.00"
    assert last.tax_kind is ChargeKind.core
    assert (last.unit, last.unit_price) == ("piece", Decimal("80.00"))
    assert last.why == (Why("core-deposit", {"item": "D74-A-001"}),)
    assert (last.places, last.sources) == ((("short_block", None),), ("ALDQ",))


# Consumables


def test_price_lines_charges_the_share_of_a_pack_that_is_used() -> None:
    # 10 ml of a bottle of 120 at 12.85: 1.0708; 1.9 L in bottles of 0.946 at 8.50: 17.0719
    told = quote(starter(), jobs=(HEAD,))

    assert amounts(told, "CS-ASSYLUBE", "CS-OIL") == ["1.07", "17.07"]


def test_price_lines_charges_complete_packs_where_the_consumable_is_billed_so() -> None:
    # 1.9 L take three bottles of 0.946; twice as much takes five
    oil = structs.replace(starter().consumables[ItemId("CS-OIL")], bill=Bill.pack)
    catalogue = structs.replace(starter(), consumables={**starter().consumables, oil.id: oil})

    for machines, bottles, amount in ((1, 3, "25.50"), (2, 5, "42.50")):
        told = quote(catalogue, jobs=(job("J-OIL"),), terms=Terms(machines=machines))
        (line,) = [line for line in told.repair.lines if line.code == "CS-OIL"]
        assert (line.quantity, line.unit, line.base_quantity) == (
            Decimal(bottles),
            "piece",
            Decimal(1),
        )
        assert line.amount.amount_text == amount


def test_price_lines_orders_goods_labour_sublet_fees_freight_and_deposits() -> None:
    shown = quote(
        with_job(starter(), "J-SHORT-BLOCK", sublet=ServiceId("head_resurface")),
        family="QM-D74",
        jobs=(job("J-SHORT-BLOCK"),),
        diagnostic_done=True,
    )

    kinds = list(dict.fromkeys(line.kind for line in shown.repair.lines))
    order = [
        LineKind.part_set,
        LineKind.part,
        LineKind.consumable,
        LineKind.labour,
        LineKind.sublet,
        LineKind.fee,
        LineKind.freight,
        LineKind.core,
    ]
    assert kinds == [kind for kind in order if kind in kinds]
    assert {LineKind.sublet, LineKind.fee, LineKind.core} <= set(kinds)
