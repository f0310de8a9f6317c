"""What is billed, line by line, against what was agreed."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    LabourBasis,
    Rate,
    RoundBy,
    Rounding,
    TaxArea,
    TaxComponent,
)
from kitwright.money import Money, RoundMode, line_amount
from kitwright.stages.billing import AgreedLine, Clocked, CoreBack, Dealt, Used, Why, bill
from kitwright.stages.request import RequestRefused
from kitwright.tax import Charge, tax_charges
from kitwright.units import Figure

DAY = date(2026, 6, 1)
KINDS = tuple(kind for kind in ChargeKind if kind is not ChargeKind.discount)


def area(*, includes_tax: bool = False, by: RoundBy = RoundBy.document) -> TaxArea:
    rate = Rate(valid_from=date(2020, 1, 1), percent=Figure("19"))
    tax = TaxComponent(id="vat", name="VAT", rates=(rate,), applies_to=KINDS)
    return TaxArea(
        id=AreaId("made-up"),
        name="Made up",
        note="",
        currency="EUR",
        prices_include_tax=includes_tax,
        rounding=Rounding(by=by, mode=RoundMode.half_up),
        components=(tax,),
        untaxed=(),
    )


def line(kind: str, quantity: str, price: str, base: str = "1", **said: object) -> AgreedLine:
    amount = line_amount(Decimal(quantity), Decimal(price), Decimal(base), currency="EUR")
    plain = AgreedLine(
        kind=kind,
        code=f"{kind}-1",
        tax_kind=kind,
        quantity=Decimal(quantity),
        unit="MIN" if kind == "labour" else "C62",
        unit_price=Decimal(price),
        base_quantity=Decimal(base),
        amount=amount,
    )
    return structs.replace(plain, **said)


LABOUR = line("labour", "90", "60.00", "60")
PARTS = line("part", "4", "12.50")
CORE = line("core", "1", "40.00")


def billed(lines: list[AgreedLine], used: Used, basis: LabourBasis = LabourBasis.flat) -> list[str]:
    found = bill(lines, used, basis=basis, area=area(), on=DAY)
    return [one.amount.amount_text for one in found.lines]


@pytest.mark.parametrize(
    ("basis", "minutes", "amount", "why"),
    [
        (LabourBasis.flat, "60", "90.00", Why.agreed),
        (LabourBasis.actual, "60", "60.00", Why.clocked),
        (LabourBasis.actual, "100", "100.00", Why.clocked),
        (LabourBasis.actual_capped_by_quote, "60", "60.00", Why.clocked),
        (LabourBasis.actual_capped_by_quote, "100", "90.00", Why.capped),
    ],
)
def test_labour_is_billed_by_the_shops_basis(
    basis: LabourBasis, minutes: str, amount: str, why: Why
) -> None:
    used = Used(clocked=(Clocked(line=1, minutes=Decimal(minutes)),))

    found = bill([LABOUR], used, basis=basis, area=area(), on=DAY).lines[0]

    assert (found.amount.amount_text, found.why) == (amount, why)
    assert found.clocked == Decimal(minutes)


def test_goods_are_billed_as_used() -> None:
    used = Used(goods=(Dealt(line=1, used=Decimal(3), to_shelf=Decimal(1)),))

    assert billed([PARTS], used) == ["37.50"]
    assert billed([PARTS], Used(goods=(Dealt(line=1, used=Decimal(5)),))) == ["62.50"]


def test_deposit_for_old_parts_is_refunded_as_a_line() -> None:
    used = Used(cores=(CoreBack(line=1, quantity=Decimal(1)),))

    assert billed([CORE], used) == ["40.00", "-40.00"]


def test_discount_in_per_cent_follows_what_it_reduces() -> None:
    off = line("discount", "1", "-5.00", tax_kind="part", percent=Decimal(10))
    used = Used(goods=(Dealt(line=1, used=Decimal(2), to_supplier=Decimal(2)),))

    assert billed([PARTS, off], used) == ["25.00", "-2.50"]


def test_discount_of_an_amount_is_never_more_than_what_it_reduces() -> None:
    off = line("discount", "1", "-30.00", tax_kind="part")
    used = Used(goods=(Dealt(line=1, used=Decimal(1), to_shelf=Decimal(3)),))

    assert billed([PARTS, off], used) == ["12.50", "-12.50"]
    assert billed([PARTS, off, off], used) == ["12.50", "-12.50", "0.00"]


@pytest.mark.parametrize(
    ("used", "codes"),
    [
        (Used(goods=(Dealt(line=2, used=Decimal(3)),)), ["goods-unaccounted"]),
        (Used(goods=(Dealt(line=1, used=Decimal(3)),)), ["no-such-line"]),
        (Used(clocked=(Clocked(line=9, minutes=Decimal(3)),)), ["no-such-line"]),
        (Used(clocked=(Clocked(line=1, minutes=Decimal(3)),) * 2), ["line-twice"]),
        (Used(cores=(CoreBack(line=3, quantity=Decimal(2)),)), ["core-too-many"]),
    ],
)
def test_use_that_fits_no_line_is_refused(used: Used, codes: list[str]) -> None:
    with pytest.raises(RequestRefused) as refused:
        billed([LABOUR, PARTS, CORE], used)

    assert [fault.code for fault in refused.value.faults] == codes


LINES = st.lists(
    st.builds(
        line,
        st.sampled_from(["part", "labour", "fee"]),
        st.integers(1, 300).map(str),
        st.integers(0, 99_999).map(lambda minor: f"{minor / 100:.2f}"),
        st.just("60"),
    ),
    min_size=1,
    max_size=8,
)


@given(LINES, st.booleans(), st.sampled_from(RoundBy), st.sampled_from(LabourBasis))
def test_bill_without_a_use_is_what_was_agreed(
    lines: list[AgreedLine], includes_tax: bool, by: RoundBy, basis: LabourBasis
) -> None:
    rules = area(includes_tax=includes_tax, by=by)

    found = bill(lines, Used(), basis=basis, area=rules, on=DAY)

    agreed = tax_charges(rules, [Charge(one.tax_kind, one.amount) for one in lines], on=DAY)
    assert found.taxed == agreed
    assert [one.amount for one in found.lines] == [one.amount for one in lines]


@given(LINES, st.booleans(), st.sampled_from(RoundBy), st.data())
def test_bill_adds_up(
    lines: list[AgreedLine], includes_tax: bool, by: RoundBy, data: st.DataObject
) -> None:
    timed = [place for place, one in enumerate(lines, start=1) if one.kind == "labour"]
    clocked = tuple(
        Clocked(line=place, minutes=Decimal(data.draw(st.integers(0, 600)))) for place in timed
    )
    rules = area(includes_tax=includes_tax, by=by)

    found = bill(lines, Used(clocked=clocked), basis=LabourBasis.actual, area=rules, on=DAY)

    taxes = [one.tax for one in found.lines if one.tax is not None]
    assert sum(tax.net.minor for tax in taxes) == found.taxed.net.minor
    assert sum(tax.gross.minor for tax in taxes) == found.taxed.gross.minor
    assert found.taxed.net + found.taxed.tax == found.taxed.gross
    capped = bill(
        lines,
        Used(clocked=clocked),
        basis=LabourBasis.actual_capped_by_quote,
        area=rules,
        on=DAY,
    )
    assert (
        capped.taxed.gross
        <= bill(lines, Used(), basis=LabourBasis.flat, area=rules, on=DAY).taxed.gross
    )


def freight_billed(charged: str | None, *amounts: str) -> list[tuple[str, Why]]:
    lines = [line("part", "1", "10.00"), *(line("freight", "1", amount) for amount in amounts)]
    told = None if charged is None else Money.of(Decimal(charged), "EUR")
    found = bill(lines, Used(), basis=LabourBasis.flat, area=area(), on=DAY, charged=told)
    assert found.lines[0].why is Why.agreed
    return [(one.amount.amount_text, one.why) for one in found.lines[1:]]


def test_freight_is_billed_at_most_as_it_was_charged() -> None:
    assert freight_billed(None, "9.95") == [("9.95", Why.agreed)]
    assert freight_billed("12.00", "9.95") == [("9.95", Why.agreed)]
    assert freight_billed("9.95", "9.95") == [("9.95", Why.agreed)]
    assert freight_billed("3.20", "9.95") == [("3.20", Why.charged)]
    assert freight_billed("0.00", "9.95") == [("0.00", Why.charged)]
    # all lines together
    assert freight_billed("6.00", "5.00", "4.00") == [("5.00", Why.agreed), ("1.00", Why.charged)]


def test_discount_on_freight_follows_what_is_billed_of_it() -> None:
    freight = line("freight", "1", "10.00")
    off = line(
        "discount", "1", "-1.00", tax_kind="freight", percent=Decimal(10), reduces="freight-1"
    )

    found = bill(
        [freight, off],
        Used(),
        basis=LabourBasis.flat,
        area=area(),
        on=DAY,
        charged=Money(4_00, "EUR"),
    )

    assert [one.amount.minor for one in found.lines] == [4_00, -40]
