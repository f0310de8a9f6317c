"""Invoices entered again from their copies after a restore: only what was handed out is taken."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from hashlib import sha256
from typing import Any, TypeVar

import msgspec
import pytest
from msgspec import structs
from tests.documents.billing import Ledger, drawn_statements
from tests.documents.billing import a_customer as a_buyer
from tests.store.small import NOON, STAMP, TODAY, a_customer, a_quote

from kitwright.keeping.accounts import keep_statement
from kitwright.keeping.bill_gaps import missing, missing_of
from kitwright.keeping.bill_seal import is_genuine
from kitwright.keeping.entering import (
    CopyUnsound,
    CreditsUnknown,
    NumberNotMissing,
    enter_bill,
    read_copy,
)
from kitwright.keeping.generation import Generation
from kitwright.keeping.invoicing import AlreadyInvoiced
from kitwright.keeping.month import folio_of, sum_up
from kitwright.keeping.reconciling import BilledAlready, CopyDiffers
from kitwright.keeping.record import Customer, KeptBill, KeptQuote, QuoteState
from kitwright.keeping.release import release, report
from kitwright.keeping.store import Records
from kitwright.quote import Statement

T = TypeVar("T")
STATEMENT = next(one for one in drawn_statements(range(2)) if one.gross.money.minor > 500)
CURRENCY = STATEMENT.gross.currency


def _add_quote(quote: KeptQuote, records: Records) -> KeptQuote:
    return records.quotes.add(quote)


class Restored:
    """A shop that made invoices and a credit note, and was restored from a backup before them."""

    def __init__(self) -> None:
        before = Ledger()
        quotes = [before.close(structs.replace(STATEMENT, quote=f"Q{n}")) for n in (1, 2, 3)]
        made = [before.invoice(one) for one in quotes]
        made.append(before.credit(quotes[1], made[1]))
        self.copies = {one.name: one.body.decode() for one in made}
        self.ledger = Ledger()
        for _ in quotes:
            lost = a_quote(state=QuoteState.accepted, agreed=1, net=STATEMENT.net.money)
            self.write(partial(_add_quote, lost))
        # the first invoice was in the backup
        self.write(lambda records: records.bills.add(structs.replace(made[0], number=0)))
        begun = Generation(number=0, epoch="5d0a17c2e9", after=0, begun_at=NOON, taken_at=NOON)
        self.write(lambda records: records.generations.begin(begun, 1000))

    def remake(self, number: int, statement: Statement) -> KeptQuote:
        """Finish the work of a quote again."""

        def work(records: Records) -> KeptQuote:
            quote = records.quotes.get(number)
            assert quote is not None
            quote = structs.replace(quote, state=QuoteState.done)
            records.quotes.put(quote)
            keep_statement(records, STAMP, quote, statement, None)
            return quote

        return self.write(work)

    def write(self, work: Callable[[Records], T]) -> T:
        return asyncio.run(self.ledger.store.write(work))

    def release(self, *last: str) -> None:
        def work(records: Records) -> None:
            release(records, STAMP, mail=None, webhooks=None, is_confirmed=True, last_numbers=last)

        self.write(work)

    def missing(self) -> tuple[str, ...]:
        return self.ledger.store.read(missing_of)

    def enter(self, text: str, digest: str | None = None, quote: int = 2) -> KeptBill:
        def work(records: Records) -> KeptBill:
            bill = read_copy(text, digest, CURRENCY, STAMP)
            whose = records.quotes.get(quote)
            assert whose is not None
            return enter_bill(records, STAMP, whose, bill, text)[1]

        return self.write(work)


@pytest.fixture
def restored() -> Restored:
    return Restored()


def test_missing_invoices_are_told_and_entered_in_any_order(restored: Restored) -> None:
    assert restored.ledger.store.read(report).last_numbers == ("I1-00001",)
    restored.release("I1-00003")
    assert restored.missing() == ("I1-00002 to I1-00003",)
    with pytest.raises(CreditsUnknown, match="I1-00002"):
        restored.enter(restored.copies["C1-00001"])

    last = restored.enter(restored.copies["I1-00003"], quote=3)
    assert restored.missing() == ("I1-00002",)
    text = restored.copies["I1-00002"]
    first = restored.enter(text, sha256(text.encode()).hexdigest())
    note = restored.enter(restored.copies["C1-00001"])

    assert restored.missing() == ()
    assert (first.name, last.name, note.credited) == ("I1-00002", "I1-00003", "I1-00002")
    assert first.sha256 == sha256(text.encode()).hexdigest()
    # today's series goes on by itself
    quote = restored.ledger.close(STATEMENT)
    assert restored.ledger.invoice(quote).name == "I2-5D0A-00001"
    for again in (restored.copies["I1-00003"], restored.copies["I1-00001"]):
        with pytest.raises(NumberNotMissing, match="it is here"):
            restored.enter(again)


def test_month_and_open_items_hold_what_was_entered(restored: Restored) -> None:
    for number, quote in (("I1-00002", 2), ("I1-00003", 3), ("C1-00001", 2)):
        restored.enter(restored.copies[number], quote=quote)

    def folios(records: Records) -> list[Any]:
        quotes = (records.quotes.get(number) for number in (1, 2, 3))
        return [folio_of(records, one) for one in quotes if one is not None]

    month = sum_up(restored.ledger.store.read(folios), TODAY.replace(day=1), CURRENCY)

    gross = STATEMENT.gross.money
    assert month.billed == gross + gross
    assert [(one.quote, one.balance) for one in month.items] == [(1, gross), (3, gross)]
    assert sum(one.gross.minor for one in month.codes) == 2 * gross.minor


def changed(text: str, **members: Any) -> str:
    return msgspec.json.encode({**msgspec.json.decode(text), **members}).decode()


@pytest.mark.parametrize(
    ("change", "refusal"),
    [
        (lambda text: text[:-1], CopyUnsound),
        (lambda text: changed(text, gross={"amount": "1.00", "currency": CURRENCY}), CopyUnsound),
        (lambda text: changed(text, net={"amount": "x", "currency": CURRENCY}), CopyUnsound),
        (lambda text: changed(text, lines=[]), CopyUnsound),
        (lambda text: changed(text, taxes=[]), CopyUnsound),
        (lambda text: changed(text, credits="I1-00001"), CopyUnsound),
        (lambda text: changed(text, issued_on=str(TODAY + timedelta(days=1))), CopyUnsound),
        (lambda text: changed(text, number="I1-2"), NumberNotMissing),
        (lambda text: changed(text, number="C1-00002"), NumberNotMissing),
        (lambda text: changed(text, number="I9-00002"), NumberNotMissing),
        (lambda text: changed(text, number="I2-5D0A-00002"), NumberNotMissing),
    ],
)
def test_what_was_never_handed_out_is_refused(
    restored: Restored, change: Callable[[str], str], refusal: type[Exception]
) -> None:
    text = change(restored.copies["I1-00002"])

    with pytest.raises(refusal):
        restored.enter(text)

    assert restored.ledger.store.read(lambda records: records.bills.last("I1")) == 1


def test_what_is_billed_again_is_not_billed_by_its_copy_too(restored: Restored) -> None:
    quote = restored.remake(2, structs.replace(STATEMENT, quote="Q2"))
    again = restored.ledger.invoice(quote)

    with pytest.raises(BilledAlready, match=f"{again.name} bills Q2 already.*credit {again.name}"):
        restored.enter(restored.copies["I1-00002"])

    restored.ledger.credit(quote, again)
    assert restored.enter(restored.copies["I1-00002"]).name == "I1-00002"
    with pytest.raises(AlreadyInvoiced, match="I1-00002"):
        restored.ledger.invoice(quote)


def test_renumbered_copy_is_refused(restored: Restored) -> None:
    restored.enter(restored.copies["I1-00002"])
    with pytest.raises(BilledAlready, match="I1-00002"):
        restored.enter(changed(restored.copies["I1-00002"], number="I1-00003"))

    restored.release("I1-00002")
    with pytest.raises(NumberNotMissing, match="I1-00002 was the last"):
        restored.enter(changed(restored.copies["I1-00003"], number="I1-00099"), quote=3)
    # the one after it leaves no gap, and was forgotten
    assert restored.enter(restored.copies["I1-00003"], quote=3).name == "I1-00003"


def test_copy_belongs_to_the_quote_that_it_names(restored: Restored) -> None:
    with pytest.raises(CopyDiffers, match="it names Q3, which is here"):
        restored.enter(restored.copies["I1-00003"], quote=2)


def test_copy_bills_what_the_statement_does(restored: Restored) -> None:
    statements = (structs.replace(one, quote="Q2") for one in drawn_statements(range(8)))
    other = next(one for one in statements if one.gross != STATEMENT.gross)
    restored.remake(2, other)

    with pytest.raises(CopyDiffers, match="the statement to"):
        restored.enter(restored.copies["I1-00002"])


def test_copy_is_for_the_customer_of_the_quote(restored: Restored) -> None:
    def work(records: Records) -> None:
        customer = records.customers.add(a_customer(name="Somebody Else"))
        quote = records.quotes.get(2)
        assert quote is not None
        records.quotes.put(structs.replace(quote, customer=customer.number))

    restored.write(work)

    with pytest.raises(CopyDiffers, match="buyer"):
        restored.enter(restored.copies["I1-00002"])


def test_credit_note_has_lines_of_its_invoice(restored: Restored) -> None:
    restored.enter(restored.copies["I1-00002"])
    note = msgspec.json.decode(restored.copies["C1-00001"])
    lines = [{**one, "code": "other"} for one in note["lines"]]

    with pytest.raises(CopyUnsound, match="is not one that I1-00002 has left"):
        restored.enter(changed(restored.copies["C1-00001"], lines=lines))


def test_copy_has_to_be_the_one_that_was_hashed(restored: Restored) -> None:
    text = restored.copies["I1-00002"]

    with pytest.raises(CopyUnsound, match="SHA-256"):
        restored.enter(text + " ", sha256(text.encode()).hexdigest())


def test_no_more_is_given_back_than_the_invoice_came_to(restored: Restored) -> None:
    restored.enter(restored.copies["I1-00002"])
    note = restored.copies["C1-00001"]
    restored.enter(note)

    with pytest.raises(CopyUnsound, match="more than I1-00002 came to"):
        restored.enter(changed(note, number="C1-00002"))


def test_gaps_are_told_as_ranges() -> None:
    assert [*missing({"I1": (1, 2, 5), "C1": ()}, ["I1-00007", "C1-00001", "junk"])] == [
        "I1-00003 to I1-00004",
        "I1-00006 to I1-00007",
        "C1-00001",
    ]
    assert [*missing({"I1": (1, 2)}, ["I1-00001"])] == []


def test_copy_is_of_the_only_customer_who_is_named_as_its_buyer(restored: Restored) -> None:
    buyer = structs.replace(a_buyer(), number=0)
    namesake = a_customer(name=buyer.name)

    def add(customer: Customer) -> int:
        return restored.write(lambda records: records.customers.add(customer)).number

    number = add(buyer)
    add(namesake)

    assert restored.enter(restored.copies["I1-00002"]).buyer == number
    # another who would be named the same: nobody knows whose it is
    add(buyer)
    assert restored.enter(restored.copies["I1-00003"], quote=3).buyer is None


def test_seal_tells_a_true_copy_from_a_typed_one(restored: Restored) -> None:
    true = restored.copies["I1-00002"]
    spaced = msgspec.json.format(true, indent=4)
    typed = changed(true, order_reference="PO 7")
    old = changed(true, seal=None)

    def held(text: str) -> bool | None:
        return restored.ledger.store.read(lambda records: is_genuine(records, text.encode()))

    assert [*map(held, (true, spaced, typed, old))] == [True, True, False, None]
    seal = msgspec.json.decode(true)["seal"]
    assert held(changed(true, seal=seal[:-1])) is False
    assert restored.enter(typed).is_sealed is False
    other = changed(restored.copies["I1-00003"], seal=None)
    assert restored.enter(other, quote=3).is_sealed is None
    assert restored.enter(restored.copies["C1-00001"]).is_sealed is True
