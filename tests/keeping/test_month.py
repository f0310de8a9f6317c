"""A bookkeeper's month: its sums are those of invoices, credit notes, payments and accounts."""

from __future__ import annotations

import asyncio
import csv
from collections.abc import Callable
from contextlib import suppress
from datetime import date, timedelta
from decimal import Decimal
from functools import partial
from io import StringIO
from itertools import pairwise
from random import Random
from typing import Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.documents.billing import Ledger, a_customer, drawn_statements
from tests.store.small import NOON, STAMP, a_payment, a_quote

from kitwright.documents.month_csv import COLUMNS, month_csv
from kitwright.keeping.accounts import account_of
from kitwright.keeping.bill_lines import Portion
from kitwright.keeping.crediting import NotCreditable
from kitwright.keeping.invoicing import NothingToInvoice
from kitwright.keeping.month import Folio, Month, folio_of, last_day, sum_up
from kitwright.keeping.record import BillKind, KeptQuote, Payment, QuoteState
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.money import Money, total
from kitwright.quote import Statement, amount_of, read_bill, read_statement

FIRST = date(2027, 1, 1)
MONTHS = (date(2027, 1, 1), date(2027, 2, 1), date(2027, 3, 1), date(2027, 4, 1))
STATEMENTS = tuple(drawn_statements(range(4)))
CURRENCY = STATEMENTS[0].gross.currency
OWN = tuple(one for one in STATEMENTS if one.gross.currency == CURRENCY)


def an_advance(quote: int, day: date, amount: Money) -> Payment:
    nothing = Money(0, amount.currency)
    return a_payment(quote, day=day, amount=amount, rounding=nothing, is_advance=True)


class Books:
    """A shop's books over three months, in which anything may happen on any later day."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.ledger = Ledger()

    def on(self, day: int) -> None:
        """Let what follows happen on a day from the first of January on."""
        self.ledger.stamp = structs.replace(STAMP, today=FIRST + timedelta(days=min(day, 88)))

    def write(self, work: Callable[[Records], object]) -> None:
        asyncio.run(self.ledger.store.write(work))

    def later(self, day: int) -> int:
        return day + self.random.randint(0, 40)

    def money(self) -> Money:
        return Money(self.random.randint(-20_000, 90_000) or 1, CURRENCY)

    def live(self, statement: Statement) -> None:
        """Let a quote be closed, paid, invoiced and credited, or not."""
        day = self.random.randint(0, 60)
        self.on(day)
        prepaid = self.random.choice((0, 0, 2_500))
        paid = structs.replace(statement, prepaid=amount_of(Money(prepaid, CURRENCY)))
        quote = self.ledger.close(paid)
        if self.random.random() < 0.4:
            self.pay_before(quote, self.random.randint(0, day))
        day = self.later(day)
        if self.random.random() < 0.8:
            self.on(day)
            with suppress(NothingToInvoice):
                self.bill(quote, day)
        for _ in range(self.random.randint(0, 2)):
            self.pay(quote, self.later(day))

    def bill(self, quote: KeptQuote, day: int) -> None:
        invoice = self.ledger.invoice(quote)
        if self.random.random() < 0.4:
            self.on(self.later(day))
            lines = read_bill(invoice.body).lines
            places = [line.line for line in lines][: self.random.randint(0, len(lines))]
            with suppress(NotCreditable):
                self.ledger.credit(quote, invoice, *places)
            # a part of a line may be given back too, unless it was given back already
            portion = Portion(line=lines[-1].line, net=Money(7, CURRENCY))
            with suppress(NotCreditable):
                self.ledger.credit(quote, invoice, portions=[portion])

    def pay(self, quote: KeptQuote, day: int) -> None:
        self.on(day)
        payment = Payment(
            quote=quote.number,
            number=0,
            at=NOON,
            day=self.ledger.stamp.today,
            amount=self.money(),
            rounding=Money(self.random.choice((0, 0, -2, 1)), CURRENCY),
            means="cash",
            reference=None,
            who="Till",
        )
        self.write(lambda records: records.payments.add(payment))

    def pay_before(self, quote: KeptQuote, day: int) -> None:
        self.on(day)
        advance = an_advance(quote.number, self.ledger.stamp.today, self.money())
        self.write(lambda records: records.payments.add(advance))

    def order(self) -> None:
        """Let an advance be paid on a quote whose work is not finished."""

        def agree(records: Records) -> None:
            quote = records.quotes.add(a_quote(state=QuoteState.accepted, agreed=1))
            records.payments.add(
                an_advance(quote.number, date(2027, 2, 10), Money(4_000, CURRENCY))
            )

        self.write(agree)

    def folios(self) -> list[Folio]:
        return self.ledger.store.read(
            lambda records: [
                folio_of(records, one) for one in records.quotes.find(QuoteFilter(most=1_000))
            ]
        )

    def read(self, work: Callable[[Records], Any]) -> Any:
        return self.ledger.store.read(work)

    def months(self) -> list[Month]:
        folios = self.folios()
        return [sum_up(folios, first, CURRENCY) for first in MONTHS]


def drawn(seed: int, count: int = 6) -> Books:
    books = Books(seed)
    for _ in range(count):
        books.live(books.random.choice(OWN))
    if books.random.random() < 0.5:
        books.order()
    return books


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32))
def test_documents_of_a_month_are_its_invoices_less_credit_notes(seed: int) -> None:
    books = drawn(seed)
    bills = [bill for folio in books.folios() for bill in folio.bills]
    found = 0

    for month in books.months():
        own = [one for one in bills if month.first <= one.day <= month.last]
        found += len(own)
        made = [(read_bill(one.body), one.kind is BillKind.credit_note) for one in own]
        for member in ("net", "tax", "gross"):
            signed = [
                -getattr(bill, member).money if is_credit else getattr(bill, member).money
                for bill, is_credit in made
            ]
            wanted = total(signed, CURRENCY)
            assert total((getattr(one, member) for one in month.parts), CURRENCY) == wanted
            assert total((getattr(one, member) for one in month.codes), CURRENCY) == wanted
        assert {part.number for part in month.parts} == {one.name for one in own}
    assert found == len(bills)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32))
def test_months_follow_each_other_and_end_at_the_accounts(seed: int) -> None:
    books = drawn(seed)
    months = books.months()

    for month in months:
        assert month.opening + month.billed + month.rounding - month.received == month.closing
        assert total((one.balance for one in month.items), CURRENCY) == month.closing
    for before, after in pairwise(months):
        assert before.closing == after.opening
    assert months[0].opening == Money(0, CURRENCY)

    def balances(records: Records) -> dict[int, Money]:
        return {
            quote.number: account_of(records, quote).balance
            for quote in records.quotes.find(QuoteFilter(most=1_000))
            if records.statements.get(quote.number) is not None
        }

    kept = {number: one for number, one in books.read(balances).items() if one.minor}
    shown = {one.quote: one.balance for one in months[-1].items if one.since is not None}
    assert shown == kept


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32))
def test_receipts_of_all_months_are_all_that_was_paid(seed: int) -> None:
    books = drawn(seed)
    receipts = [one for month in books.months() for one in month.receipts]
    payments = [one for folio in books.folios() for one in folio.payments]

    for kind, wanted in (
        ("advance", [one.amount for one in payments if one.is_advance]),
        ("payment", [one.amount for one in payments if not one.is_advance]),
        (
            "prepaid",
            [
                read_statement(folio.statement.body).prepaid.money
                for folio in books.folios()
                if folio.statement is not None
            ],
        ),
    ):
        found = [one.amount for one in receipts if one.kind == kind]
        assert total(found, CURRENCY) == total(wanted, CURRENCY)


@pytest.mark.parametrize(
    ("first", "last"),
    [
        (date(2027, 1, 1), date(2027, 1, 31)),
        (date(2027, 2, 1), date(2027, 2, 28)),
        (date(2028, 2, 1), date(2028, 2, 29)),
        (date(2027, 12, 1), date(2027, 12, 31)),
    ],
)
def test_last_day_of_a_month(first: date, last: date) -> None:
    assert last_day(first) == last


def test_an_advance_before_the_statement_is_a_negative_open_item() -> None:
    books = Books(0)
    books.order()

    _, february, march, _ = books.months()

    (item,) = february.items
    assert (item.since, item.balance) == (None, Money(-4_000, CURRENCY))
    assert march.items == february.items
    assert (february.received, march.received) == (Money(4_000, CURRENCY), Money(0, CURRENCY))


def rows_of(books: Books, month: int) -> list[dict[str, str]]:
    body = month_csv(books.months()[month], Money(12_345, CURRENCY)).decode()
    lines = body.split("\r\n")
    assert lines[0] == ",".join(COLUMNS)
    assert lines[-1] == ""
    return list(csv.DictReader(StringIO(body)))


Column = Literal["net", "tax", "gross", "paid", "rounding", "balance"]


def summed(rows: list[dict[str, str]], column: Column, *records: str) -> Decimal:
    return sum((Decimal(row[column]) for row in rows if row["record"] in records), Decimal(0))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32), st.integers(0, 3))
def test_sums_of_the_table_are_those_of_its_rows(seed: int, month: int) -> None:
    rows = rows_of(drawn(seed), month)

    for column in ("net", "tax", "gross"):
        of_rows = summed(rows, column, "invoice", "credit_note")
        assert of_rows == summed(rows, column, "code")
    paid = summed(rows, "paid", "advance", "payment", "prepaid")
    assert paid == summed(rows, "paid", "received")
    closing = summed(rows, "balance", "closing")
    assert summed(rows, "balance", "open") == closing
    opened = summed(rows, "balance", "opening") + summed(rows, "gross", "billed")
    assert opened + summed(rows, "rounding", "rounding") - paid == closing
    assert summed(rows, "balance", "stock") == Money(12_345, CURRENCY).amount


@pytest.mark.parametrize("name", ["=1+1", "@SUM(A1)", "+4930", "-2+3", "\t=1", " =1", "\uff1d1"])
def test_names_in_the_table_are_no_formulas(name: str) -> None:
    books = Books(1)
    quote = books.ledger.close(OWN[0])
    books.ledger.invoice(quote, customer=structs.replace(a_customer(), name=name))

    rows = [row for row in rows_of(books, 2) if row["record"] == "invoice"]

    assert rows
    assert {row["buyer"][0] for row in rows} == {"'"}


def test_finished_work_without_an_invoice_is_told_apart() -> None:
    books = Books(1)
    statement = next(one for one in OWN if one.gross.money.minor > 0)
    books.on(3)
    quote = books.ledger.close(statement)
    books.ledger.close(statement)
    books.on(40)
    books.ledger.invoice(quote)
    gross, nothing = statement.gross.money, Money(0, CURRENCY)

    january, february = (books.ledger.store.read(partial(_month, first)) for first in MONTHS[:2])

    assert (january.invoiced, january.uninvoiced) == (nothing, gross + gross)
    assert (february.invoiced, february.uninvoiced, february.billed) == (gross, -gross, nothing)
    assert "\nuninvoiced,2027-02-28" in month_csv(february, nothing).decode().replace("\r", "")


def _month(first: date, records: Records) -> Month:
    quotes = records.quotes.find(QuoteFilter(most=1_000))
    return sum_up([folio_of(records, one) for one in quotes], first, CURRENCY)
