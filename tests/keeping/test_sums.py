"""What a revision comes to with what was added: sums of printed lines, taxed by its own area."""

from decimal import Decimal

import pytest
from msgspec import structs
from tests.small_quote import small_quote
from tests.store.small import AREA, RECKONING, TODAY, a_revision

from kitwright.catalogue.model import ChargeKind, RoundBy, Rounding, RoundMode, TaxComponent
from kitwright.keeping.record import Revision
from kitwright.keeping.sums import Reckoning, largest_price, read_agreed, written_reckoning
from kitwright.money import Money
from kitwright.quote import encode_quote
from kitwright.tax.charges import Charge, tax_charges
from kitwright.units import Figure

PRICES = ((ChargeKind.part, 10017), (ChargeKind.labour, 4001), (ChargeKind.part, -333))


def money(minor: int) -> Money:
    return Money(minor, "USD")


def revision(
    by: RoundBy,
    *,
    includes_tax: bool,
    prepaid: str = "0.00",
    cash_step: str | None = None,
    exempt: tuple[str, ...] = (),
) -> Revision:
    """Return a revision of a few lines, taxed as an area of some rounding does."""
    second = TaxComponent(
        id="second",
        name="Second tax",
        rates=(structs.replace(AREA.components[0].rates[0], percent=Figure("2.5")),),
        applies_to=(ChargeKind.part, ChargeKind.labour),
    )
    area = structs.replace(
        AREA,
        prices_include_tax=includes_tax,
        rounding=Rounding(by=by, mode=RoundMode.half_up),
        components=(*AREA.components, second),
        untaxed=tuple(one for one in AREA.untaxed if one is not ChargeKind.labour),
    )
    charges = [Charge(kind, money(minor)) for kind, minor in PRICES]
    taxed = tax_charges(area, charges, on=TODAY, exempt=frozenset(exempt))
    reckoning = Reckoning(
        area=area,
        on=TODAY,
        exempt=exempt,
        cash_step=None if cash_step is None else Decimal(cash_step),
    )
    return a_revision(
        1,
        net=taxed.net,
        gross=taxed.gross,
        answer=encode_quote(
            small_quote(area, charges, TODAY, exempt=frozenset(exempt), prepaid=prepaid)
        ),
        reckoning=written_reckoning(reckoning),
    )


@pytest.mark.parametrize("by", RoundBy)
@pytest.mark.parametrize("includes_tax", [False, True])
def test_revision_without_additions_comes_to_what_it_said(by: RoundBy, includes_tax: bool) -> None:
    kept = revision(by, includes_tax=includes_tax)

    sums = read_agreed(kept).with_added([])

    assert (sums.net, sums.gross) == (kept.net, kept.gross)


@pytest.mark.parametrize("by", RoundBy)
@pytest.mark.parametrize("includes_tax", [False, True])
@pytest.mark.parametrize("price", [1, 7, 831, 4000])
def test_additions_come_to_what_one_document_of_all_lines_would(
    by: RoundBy, includes_tax: bool, price: int
) -> None:
    agreed = read_agreed(revision(by, includes_tax=includes_tax))
    added = [Charge(ChargeKind.part, money(price)), Charge(ChargeKind.fee, money(55))]

    sums = agreed.with_added(added)

    charges = [*(Charge(kind, money(minor)) for kind, minor in PRICES), *added]
    whole = tax_charges(agreed.reckoning.area, charges, on=TODAY)
    assert (sums.net, sums.tax, sums.gross) == (whole.net, whole.tax, whole.gross)
    assert sums.taxes == whole.taxes
    assert sums.lines == whole.lines
    assert sums.net + sums.tax == sums.gross
    assert sum(one.amount.minor for one in sums.taxes) == sums.tax.minor
    for line, charge in zip(sums.lines, charges, strict=True):
        assert (line.gross if includes_tax else line.net) == charge.amount


def test_exemption_of_the_revision_frees_an_addition() -> None:
    agreed = read_agreed(revision(RoundBy.line, includes_tax=False, exempt=("part",)))

    sums = agreed.with_added([Charge(ChargeKind.part, money(1000))])

    assert sums.lines[-1].tax == money(0)


@pytest.mark.parametrize("by", RoundBy)
def test_exemption_takes_the_tax_of_an_addition_off_prices_that_include_it(by: RoundBy) -> None:
    agreed = read_agreed(revision(by, includes_tax=True, exempt=("part",)))
    added = [Charge(ChargeKind.part, money(1000)), Charge(ChargeKind.labour, money(777))]

    sums = agreed.with_added(added)

    charges = [*(Charge(kind, money(minor)) for kind, minor in PRICES), *added]
    area = agreed.reckoning.area
    whole = tax_charges(area, charges, on=TODAY, exempt=frozenset({ChargeKind.part}))
    assert (sums.taxes, sums.freed, sums.gross) == (whole.taxes, whole.freed, whole.gross)
    # printed lines less what is spared are what is asked
    printed = sum(charge.amount.minor for charge in charges)
    assert printed - sum(one.amount.minor for one in sums.freed) == sums.gross.minor


def test_what_is_left_is_less_what_was_paid_and_in_coins() -> None:
    kept = revision(RoundBy.line, includes_tax=False, prepaid="100.00", cash_step="0.05")

    sums = read_agreed(kept).with_added([Charge(ChargeKind.fee, money(3))])

    left = sums.gross - money(10000)
    assert sums.payable == left + sums.cash_rounding
    assert sums.payable.minor % 5 == 0
    assert abs(sums.cash_rounding.minor) <= 2


def test_more_paid_than_it_comes_to_is_below_zero() -> None:
    kept = revision(RoundBy.line, includes_tax=False, prepaid="900.00")

    assert read_agreed(kept).with_added([]).payable.minor < 0


def test_reckoning_is_read_as_it_was_written() -> None:
    agreed = read_agreed(a_revision(1))

    assert agreed.reckoning.area == AREA
    assert written_reckoning(agreed.reckoning) == RECKONING


@pytest.mark.parametrize("wanted", range(1, 400))
@pytest.mark.parametrize("factor", [100, 108, 50])
def test_largest_price_comes_to_no_more_and_the_next_does(wanted: int, factor: int) -> None:
    def comes_to(price: Money) -> Money:
        return money((price.minor * factor + 50) // 100)

    price = largest_price(money(wanted), comes_to)

    assert comes_to(price) <= money(wanted) < comes_to(price + money(1))
