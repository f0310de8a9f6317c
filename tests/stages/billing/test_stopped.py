"""The bill for stopped work: only what is due, and never more than may be billed."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st
from tests.stages.billing.test_bill import DAY, area, line

from kitwright.catalogue.model import RoundBy
from kitwright.money import Money, total
from kitwright.stages.billing import AgreedLine, Minutes, Most, StoppedBill, Why, bill_stopped

LINES = (
    line("part", "2", "30"),
    line("labour", "90", "60", "60", labour_class="tech"),
    line("fee", "1", "50"),
    line("discount", "1", "-20", tax_kind="labour"),
)


def minutes(count: int) -> tuple[Minutes, ...]:
    return (Minutes(labour_class="tech", minutes=count, rate=Decimal(60)),)


def stopped(
    due: dict[int, Decimal],
    count: int,
    most: Most | None = None,
    lines: tuple[AgreedLine, ...] = LINES,
) -> StoppedBill:
    return bill_stopped(lines, due, minutes(count), most=most, area=area(), on=DAY)


def test_only_what_is_due_is_billed() -> None:
    bill = stopped({1: Decimal(1), 3: Decimal(1)}, 40)

    told = [(one.why, int(one.quantity), one.amount.minor) for one in bill.billed.lines]
    assert told == [
        (Why.used, 1, 3_000),
        (Why.not_done, 0, 0),
        (Why.agreed, 1, 5_000),
        (Why.not_done, 0, 0),
        (Why.stopped, 40, 4_000),
    ]
    (labour,) = bill.lines
    assert (labour.labour_class, labour.unit) == ("tech", "MIN")
    assert bill.billed.taxed.net == Money(12_000, "EUR")


def test_nothing_is_due_of_nothing() -> None:
    bill = stopped({}, 0)

    assert bill.lines == ()
    assert bill.billed.taxed.gross == Money(0, "EUR")


def test_labour_is_reduced_first_to_the_most_that_may_be_billed() -> None:
    bill = stopped({1: Decimal(2)}, 90, Most(Money(10_000, "EUR"), includes_tax=False))

    (_, cut) = bill.lines
    assert (cut.tax_kind, cut.amount) == ("labour", Money(-5_000, "EUR"))
    assert bill.billed.lines[-1].why is Why.limited
    assert bill.billed.taxed.net == Money(10_000, "EUR")


def test_other_kinds_are_reduced_once_labour_is_not_enough() -> None:
    bill = stopped({1: Decimal(2)}, 10, Most(Money(4_000, "EUR"), includes_tax=False))

    assert [(one.tax_kind, one.amount.minor) for one in bill.lines[1:]] == [
        ("labour", -1_000),
        ("part", -2_000),
    ]
    assert bill.billed.taxed.net == Money(4_000, "EUR")


@given(
    quantity=st.integers(0, 2_000_000),
    count=st.integers(0, 600),
    most=st.integers(0, 100_000),
    includes_tax=st.booleans(),
    by=st.sampled_from(RoundBy),
    gross_prices=st.booleans(),
)
def test_bill_is_within_its_most_and_adds_up(
    quantity: int, count: int, most: int, includes_tax: bool, by: RoundBy, gross_prices: bool
) -> None:
    due = {1: Decimal(quantity).scaleb(-6), 3: Decimal(1)}
    allowed = Money(most, "EUR")

    bill = bill_stopped(
        LINES,
        due,
        minutes(count),
        most=Most(allowed, includes_tax),
        area=area(includes_tax=gross_prices, by=by),
        on=DAY,
    )

    taxed = bill.billed.taxed
    assert (taxed.gross if includes_tax else taxed.net) <= allowed
    assert total((one.tax.gross for one in bill.billed.lines if one.tax), "EUR") == taxed.gross
    reduced = [one for one in bill.lines if one.kind == "discount"]
    free = bill_stopped(
        LINES, due, minutes(count), most=None, area=area(includes_tax=gross_prices, by=by), on=DAY
    ).billed.taxed
    if (free.gross if includes_tax else free.net) <= allowed:
        assert reduced == []
        assert taxed == free
    else:
        # not less than that takes: a cent per kind, and its tax
        assert allowed.minor - (taxed.gross if includes_tax else taxed.net).minor <= 4
