"""Invoices of advances: the final invoice bills what is left, at each rate, and all add up."""

from decimal import Decimal
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.documents.advances import AdvanceLedger, Visit, drawn_visits

from kitwright.keeping.accounts import account_of
from kitwright.keeping.bill_sums import CHARGED
from kitwright.keeping.crediting import NotCreditable
from kitwright.keeping.invoicing import NothingToInvoice
from kitwright.keeping.paying import AdvanceInvoiced, AdvanceTooLarge, PaidTooMuch, is_payable
from kitwright.keeping.record import BillKind, KeptQuote, QuoteState
from kitwright.money import Money, digits
from kitwright.quote import Bill, Statement, read_bill

VISITS = tuple(drawn_visits(range(5)))
LARGE = max(VISITS, key=lambda visit: len(visit.statement.taxes))


def documents(ledger: AdvanceLedger, quote: KeptQuote) -> list[Bill]:
    return [read_bill(one.body) for one in ledger.bills(quote)]


def summed(bills: list[Bill]) -> dict[str, Decimal]:
    """Return the sums of documents, and the tax at each rate."""
    sums: dict[str, Decimal] = {"net": Decimal(0), "tax": Decimal(0), "gross": Decimal(0)}
    for one in bills:
        sign = -1 if one.kind == "credit_note" else 1
        for name in ("net", "tax", "gross"):
            sums[name] += sign * Decimal(getattr(one, name).amount)
        for tax in one.taxes:
            sums[tax.component] = sums.get(tax.component, Decimal(0)) + sign * Decimal(
                tax.amount.amount
            )
    return {name: value for name, value in sums.items() if value}


def of_statement(statement: Statement) -> dict[str, Decimal]:
    sums = {name: Decimal(getattr(statement, name).amount) for name in ("net", "tax", "gross")}
    sums |= {tax.component: Decimal(tax.amount.amount) for tax in statement.taxes}
    return {name: value for name, value in sums.items() if value}


def check_sums(bill: Bill) -> None:
    """Check that a document is the sum of its lines, and its taxes are those of its lines."""
    assert Decimal(bill.net.amount) + Decimal(bill.tax.amount) == Decimal(bill.gross.amount)
    assert sum(Decimal(line.net.amount) for line in bill.lines) == Decimal(bill.net.amount)
    assert sum(Decimal(line.tax.amount) for line in bill.lines) == Decimal(bill.tax.amount)
    assert sum(Decimal(tax.amount.amount) for tax in bill.taxes) == Decimal(bill.tax.amount)


def check_taxes(advance: Bill) -> None:
    """Check that each line of an advance contains its taxes, at their rates of its net, to the cent
    of each, and that lines are numbered from 1.
    """
    assert [line.line for line in advance.lines] == [*range(1, len(advance.lines) + 1)]
    for line in advance.lines:
        cent = Decimal(1).scaleb(-digits(line.net.currency))
        for tax in line.taxes:
            exact = Decimal(line.net.amount) * Decimal(tax.rate) / 100
            expected = exact if tax.category in CHARGED else Decimal(0)
            assert abs(Decimal(tax.amount.amount) - expected) <= cent


@settings(max_examples=120, deadline=None)
@given(st.sampled_from(VISITS), st.integers(0, 2**32))
def test_all_documents_of_a_visit_add_up_to_its_statement(visit: Visit, seed: int) -> None:
    random, ledger = Random(seed), AdvanceLedger()
    quote = ledger.agree(visit)
    assert quote.gross is not None
    left = quote.gross.minor
    advances = []
    for _ in range(random.randint(1, 3)):
        minor = random.randint(1, left) if left else 0
        if minor:
            quote, kept = ledger.advance(quote, visit, minor)
            left -= minor
            advances.append(kept)
            assert kept.gross.minor == minor, "an advance is invoiced to the cent"
            check_taxes(read_bill(kept.body))
    if random.random() < 0.3:
        ledger.credit(quote, random.choice(advances))

    quote = ledger.finish(quote, visit.statement)
    for one in documents(ledger, quote):
        check_sums(one)
    assert quote.gross is not None
    paid = quote.gross.minor - left
    before = ledger.store.read(lambda records: account_of(records, quote))
    assert before.due == visit.statement.gross.money
    try:
        final = read_bill(ledger.invoice(quote).body)
    except NothingToInvoice:
        assert summed(documents(ledger, quote)) == {}
        return

    check_sums(final)
    assert summed(documents(ledger, quote)) == of_statement(visit.statement)
    account = ledger.store.read(lambda records: account_of(records, quote))
    assert account.due == visit.statement.gross.money
    assert account.paid.minor == paid
    assert final.payable.money == account.balance
    for line in final.lines:
        assert line.role != "item" or Decimal(line.unit_price) >= 0
    # of no rate is more deducted than was supplied
    for tax in final.taxes:
        assert Decimal(tax.base.amount) >= 0
    if random.random() < 0.5:
        whole = next(one for one in ledger.bills(quote) if one.kind is BillKind.invoice)
        ledger.credit(quote, whole)
        again = read_bill(ledger.invoice(quote).body)
        assert again.lines == final.lines
        assert summed(documents(ledger, quote)) == of_statement(visit.statement)


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(VISITS), st.integers(1, 100))
def test_withdrawn_visit_gives_its_advances_back(visit: Visit, percent: int) -> None:
    ledger = AdvanceLedger()
    quote = ledger.agree(visit)
    assert quote.gross is not None
    minor = max(1, quote.gross.minor * percent // 100)
    quote, _ = ledger.advance(quote, visit, minor)
    with pytest.raises(AdvanceInvoiced):
        ledger.pay(quote, -1)

    quote = ledger.finish(quote, None)

    assert summed(documents(ledger, quote)) == {}
    with pytest.raises(PaidTooMuch, match="only"):
        ledger.pay(quote, -minor - 1)
    assert ledger.store.read(lambda records: is_payable(records, quote))
    quote = ledger.pay(quote, -minor)
    assert not ledger.store.read(lambda records: is_payable(records, quote))


def test_advance_that_an_invoice_deducts_is_not_credited_before_it() -> None:
    ledger = AdvanceLedger()
    quote = ledger.agree(LARGE)
    quote, advance = ledger.advance(quote, LARGE, 500)
    quote = ledger.finish(quote, LARGE.statement)
    final = ledger.invoice(quote)
    made = read_bill(final.body)
    assert [one.number for one in made.deducts] == [advance.name]

    with pytest.raises(NotCreditable, match=f"invoice {final.name} deducts it"):
        ledger.credit(quote, advance)

    ledger.credit(quote, final)
    ledger.credit(quote, advance)
    again = read_bill(ledger.invoice(quote).body)
    assert again.deducts == ()
    assert again.gross == LARGE.statement.gross
    assert again.prepaid.money == Money(500, quote.net.currency)


def test_advance_is_never_more_than_the_price() -> None:
    ledger = AdvanceLedger()
    quote = ledger.agree(LARGE)
    assert quote.gross is not None

    with pytest.raises(AdvanceTooLarge):
        ledger.advance(quote, LARGE, quote.gross.minor + 1)

    quote, kept = ledger.advance(quote, LARGE, quote.gross.minor)
    assert kept.place == 1
    assert not ledger.store.read(lambda records: is_payable(records, quote))
    assert quote.state is QuoteState.accepted


def test_invoice_of_an_advance_says_when_it_was_paid_and_that_nothing_is_left() -> None:
    ledger = AdvanceLedger()
    quote = ledger.agree(LARGE)
    quote, kept = ledger.advance(quote, LARGE, 1234)
    made = read_bill(kept.body)

    assert (made.kind, made.supplied_on, made.paid_on) == ("advance", None, kept.day)
    assert made.payable.money.minor == 0
    assert kept.series == "I1"
