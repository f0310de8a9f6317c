"""Taxes of whole documents, each worked by hand."""

from datetime import date
from decimal import Decimal

import pytest

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    TaxArea,
    TaxComponent,
)
from kitwright.money import MixedCurrencies, Money
from kitwright.tax import Charge, KindUnassigned, Taxed, tax_charges
from kitwright.units import read_figure

KINDS = (ChargeKind.part, ChargeKind.labour, ChargeKind.fee, ChargeKind.core)
PART, LABOUR, FEE, CORE = KINDS
DAY = date(2027, 3, 1)


def area_of(
    *taxes: tuple[str, tuple[ChargeKind, ...], bool],
    by: RoundBy,
    mode: RoundMode = RoundMode.half_up,
    is_included: bool = False,
    currency: str = "USD",
) -> TaxArea:
    return TaxArea(
        id=AreaId("worked"),
        name="Worked",
        note="",
        currency=currency,
        prices_include_tax=is_included,
        rounding=Rounding(by=by, mode=mode),
        components=tuple(
            TaxComponent(
                id=f"t{place}",
                name=f"Tax {place}",
                rates=(Rate(valid_from=date(2020, 1, 1), percent=read_figure(percent)),),
                applies_to=kinds,
                compounds=compounds,
            )
            for place, (percent, kinds, compounds) in enumerate(taxes)
        ),
        untaxed=tuple(kind for kind in KINDS if not any(kind in kinds for _, kinds, _ in taxes)),
    )


def charge(kind: ChargeKind, amount: str, currency: str = "USD") -> Charge:
    return Charge(kind, Money.of(Decimal(amount), currency))


def shown(taxed: Taxed) -> list[tuple[str, str, str]]:
    return [(str(tax.percent), tax.base.amount_text, tax.amount.amount_text) for tax in taxed.taxes]


def line_taxes(taxed: Taxed) -> list[str]:
    return [line.tax.amount_text for line in taxed.lines]


def test_no_charges_give_zeros() -> None:
    taxed = tax_charges(area_of(("8", (PART,), False), by=RoundBy.line), [], on=DAY)

    zero = Money(0, "USD")
    assert taxed == Taxed(lines=(), taxes=(), freed=(), net=zero, tax=zero, gross=zero)


def test_an_exemption_takes_its_tax_off_a_price_that_includes_it() -> None:
    # 120.00 at 20 % is 100.00 and 20.00 of tax; the labour's 60.00 is 50.00 and 10.00, and stays
    here = area_of(("20", (PART, LABOUR), False), by=RoundBy.document, is_included=True)
    rows = [charge(PART, "120.00"), charge(LABOUR, "60.00")]

    taxed = tax_charges(here, rows, on=DAY, exempt={"part"})

    assert [line.gross.amount_text for line in taxed.lines] == ["100.00", "60.00"]
    assert (taxed.net.amount_text, taxed.tax.amount_text) == ("150.00", "10.00")
    (spared,) = taxed.freed
    assert (spared.base.amount_text, spared.amount.amount_text) == ("100.00", "20.00")


def test_a_tax_at_zero_per_cent_is_shown_and_an_untaxed_kind_is_not() -> None:
    here = area_of(("0", (PART,), False), ("8", (FEE,), False), by=RoundBy.line)

    taxed = tax_charges(here, [charge(PART, "12.00"), charge(LABOUR, "80.00")], on=DAY)

    assert shown(taxed) == [("0", "12.00", "0.00")]
    assert taxed.gross.amount_text == "92.00"


def test_the_odd_cent_of_a_document_goes_to_the_largest_remainder() -> None:
    here = area_of(("8", (PART,), False), by=RoundBy.document)
    # 0.7992, 0.3192 and 0.2632: 1.3816 in all, so 1.38; the floors 0.79, 0.31, 0.26 leave 0.02
    rows = [charge(PART, "9.99"), charge(PART, "3.99"), charge(PART, "3.29")]

    taxed = tax_charges(here, rows, on=DAY)

    assert line_taxes(taxed) == ["0.80", "0.32", "0.26"]
    assert shown(taxed) == [("8", "17.27", "1.38")]


def test_a_discount_with_its_lines_kind_lowers_that_lines_tax() -> None:
    here = area_of(("8", (PART,), False), by=RoundBy.line)
    rows = [charge(PART, "100.00"), charge(LABOUR, "60.00"), charge(PART, "-10.00")]

    taxed = tax_charges(here, rows, on=DAY)

    assert line_taxes(taxed) == ["8.00", "0.00", "-0.80"]
    assert (taxed.net.amount_text, taxed.gross.amount_text) == ("150.00", "157.20")


def test_a_compounding_tax_is_charged_on_the_printed_amount_before_it() -> None:
    # 5 % of 10.10 is 0.505, printed 0.51; 20 % of 10.61 is 2.122. On the exact 10.605 the same
    # would be 2.121, so the base tells the two apart.
    by_component = area_of(("5", (PART,), False), ("20", (PART,), True), by=RoundBy.component)

    taxed = tax_charges(by_component, [charge(PART, "10.10")], on=DAY)

    assert shown(taxed) == [("5", "10.10", "0.51"), ("20", "10.61", "2.12")]


def test_a_compounding_tax_takes_only_the_tax_before_it_of_its_own_kinds() -> None:
    # The first tax on 100.00 and 50.00 is 7.50, of which 5.00 is of the part.
    here = area_of(("5", (PART, LABOUR), False), ("10", (PART,), True), by=RoundBy.component)

    taxed = tax_charges(here, [charge(LABOUR, "50.00"), charge(PART, "100.00")], on=DAY)

    assert shown(taxed) == [("5", "150.00", "7.50"), ("10", "105.00", "10.50")]
    assert line_taxes(taxed) == ["2.50", "15.50"]


@pytest.mark.parametrize("kinds", [(PART, LABOUR), (LABOUR, PART)])
def test_a_tied_cent_falls_alike_in_any_order_of_the_lines(kinds: tuple[ChargeKind, ...]) -> None:
    # Half a cent of the first tax is of each line. The cent goes to the labour, whose whole rate
    # comes first in the area's order, so the second tax is charged on 0.10 and not on 0.11.
    here = area_of(("5", (PART, LABOUR), False), ("100", (PART,), True), by=RoundBy.component)

    taxed = tax_charges(here, [charge(kind, "0.10") for kind in kinds], on=DAY)

    assert shown(taxed) == [("5", "0.20", "0.01"), ("100", "0.10", "0.10")]


def test_a_whole_rate_of_a_compounding_tax_is_rounded_once_and_split() -> None:
    # 10.10 x (1.05 x 1.20 - 1) = 2.626, so 2.63; parts 0.505 and 2.121 of it
    here = area_of(("5", (PART,), False), ("20", (PART,), True), by=RoundBy.document)

    taxed = tax_charges(here, [charge(PART, "10.10")], on=DAY)

    assert shown(taxed) == [("5", "10.10", "0.51"), ("20", "10.61", "2.12")]
    assert taxed.gross.amount_text == "12.73"


@pytest.mark.parametrize(
    ("by", "nets", "tax"),
    [
        # 9.99 / 1.2 = 8.325 each; 29.97 x 0.2 / 1.2 = 4.995, so 5.00 and a net of 24.97
        (RoundBy.document, ["8.33", "8.32", "8.32"], "5.00"),
        (RoundBy.component, ["8.33", "8.32", "8.32"], "5.00"),
        # 9.99 - 8.325 = 1.665, so 1.67 each
        (RoundBy.line, ["8.32", "8.32", "8.32"], "5.01"),
    ],
)
def test_prices_including_tax_are_split_into_net_and_tax(
    by: RoundBy, nets: list[str], tax: str
) -> None:
    here = area_of(("20", (PART,), False), by=by, is_included=True, currency="EUR")

    taxed = tax_charges(here, [charge(PART, "9.99", "EUR")] * 3, on=DAY)

    assert [line.net.amount_text for line in taxed.lines] == nets
    assert (taxed.tax.amount_text, taxed.gross.amount_text) == (tax, "29.97")
    assert taxed.taxes[0].base == taxed.net


@pytest.mark.parametrize(
    ("by", "first", "second"),
    [
        # In 100.00 at 9 % + 9 %: 7.6271 each. Apart 7.63 each; at once 15.2542, so 15.25.
        (RoundBy.component, "7.63", "7.63"),
        (RoundBy.document, "7.63", "7.62"),
    ],
)
def test_two_taxes_in_a_price_are_rounded_apart_or_at_once(
    by: RoundBy, first: str, second: str
) -> None:
    here = area_of(("9", (PART,), False), ("9", (PART,), False), by=by, is_included=True)

    taxed = tax_charges(here, [charge(PART, "100.00")], on=DAY)

    assert [tax.amount.amount_text for tax in taxed.taxes] == [first, second]
    assert taxed.gross.amount_text == "100.00"


def parts_of(*amounts: str) -> list[tuple[int, ...]]:
    """Return the parts of each line's tax, in cents, of two taxes of 5 % that are rounded as one.

    The document has so much of each tax that they differ by a cent at most, the first being the
    larger. A line alone would be split alike.
    """
    here = area_of(("5", (PART,), False), ("5", (PART,), False), by=RoundBy.document)
    taxed = tax_charges(here, [charge(PART, amount) for amount in amounts], on=DAY)
    return [line.parts for line in taxed.lines]


def test_parts_of_lines_are_split_by_the_rates_where_that_gives_each_tax_its_sum() -> None:
    # 0.06 and 0.04: each has half of it
    assert parts_of("0.60", "0.40") == [(3, 3), (2, 2)]


@pytest.mark.parametrize(
    ("amounts", "parts"),
    [
        # 0.05, 0.03 and 0.01 are 0.09, so 0.05 and 0.04; split alone they give 0.06 and 0.03
        (("0.50", "0.30", "0.10"), [(2, 3), (2, 1), (1, 0)]),
        (("0.10", "0.50", "0.30"), [(1, 0), (2, 3), (2, 1)]),
        # the largest is the credit: 0.03, -0.05 and 0.01 are -0.01
        (("0.30", "-0.50", "0.10"), [(2, 1), (-4, -1), (1, 0)]),
        # four times 0.01 give 0.04 and nothing; two of them move, the first of equal ones
        (("0.10", "0.10", "0.10", "0.10"), [(0, 1), (0, 1), (1, 0), (1, 0)]),
        # 0.01 and 0.05 need one move, of the larger alone
        (("0.10", "0.50"), [(1, 0), (2, 3)]),
    ],
)
def test_parts_of_lines_move_by_single_cents_the_largest_first_until_each_tax_has_its_sum(
    amounts: tuple[str, ...], parts: list[tuple[int, ...]]
) -> None:
    assert parts_of(*amounts) == parts


@pytest.mark.parametrize(
    ("currency", "amount", "tax"), [("JPY", "1995", "200"), ("BHD", "12.345", "1.235")]
)
def test_tax_is_rounded_to_the_currencys_own_digits(currency: str, amount: str, tax: str) -> None:
    here = area_of(("10", (PART,), False), by=RoundBy.document, currency=currency)

    taxed = tax_charges(here, [charge(PART, amount, currency)], on=DAY)

    assert taxed.tax.amount_text == tax


def test_a_charge_in_another_currency_is_refused() -> None:
    here = area_of(("8", (PART,), False), by=RoundBy.line)

    with pytest.raises(MixedCurrencies):
        tax_charges(here, [charge(PART, "1.00", "CAD")], on=DAY)


def test_a_kind_without_a_place_is_refused_even_where_it_would_be_exempt() -> None:
    here = area_of(("8", (PART,), False), by=RoundBy.line)
    rows = [Charge("discount", Money(-100, "USD"))]

    with pytest.raises(KindUnassigned):
        tax_charges(here, rows, on=DAY, exempt=frozenset({"discount"}))
