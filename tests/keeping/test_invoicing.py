"""Invoices and credit notes: what they say, that they reconcile, and how they are numbered."""

import asyncio
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.documents.billing import (
    BILLING,
    SELLER,
    SELLING,
    Ledger,
    a_customer,
    a_vat,
    drawn_statements,
)
from tests.documents.ubl_reader import case
from tests.store.small import NOON, STAMP, TODAY, an_issued_revision

from kitwright.catalogue.model import Contact, Seller
from kitwright.keeping import paying
from kitwright.keeping.accounts import Account, account_of
from kitwright.keeping.bill_gaps import missing_of
from kitwright.keeping.bill_parties import InvoiceNeeds, Selling, seller_of
from kitwright.keeping.crediting import NotCreditable
from kitwright.keeping.generation import Generation
from kitwright.keeping.invoicing import AlreadyInvoiced
from kitwright.keeping.last_numbers import (
    LastNumberFixed,
    LastNumberLower,
    LastNumberMissing,
    LastNumberUnlikely,
    correct_last,
)
from kitwright.keeping.paying import PaidTooMuch
from kitwright.keeping.record import Billing, KeptBill, Payment
from kitwright.keeping.release import release, report
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Reckoning, written_reckoning
from kitwright.money import Money
from kitwright.quote import Bill, Statement, amount_of, encode_quote, read_bill

STATEMENTS = tuple(drawn_statements(range(4)))


def an_invoice(selling: Selling = SELLING, statement: Statement = STATEMENTS[0]) -> Bill:
    ledger = Ledger()
    return read_bill(ledger.invoice(ledger.close(statement), selling).body)


@pytest.mark.parametrize("field", Seller.__struct_fields__)
def test_invoice_says_everything_of_the_seller(field: str) -> None:
    before = an_invoice()
    value = 30 if field == "due_days" else "AT" if field == "country" else "Other"

    changed = an_invoice(structs.replace(SELLING, seller=structs.replace(SELLER, **{field: value})))

    assert changed != before


def test_invoice_has_its_buyer_terms_and_days() -> None:
    made = an_invoice()

    assert (made.buyer.name, made.buyer.vat_id) == ("Maud Ferrier & Daughters", "ATU99999999")
    assert made.order_reference == BILLING.order_reference
    assert (made.issued_on, made.supplied_on) == (TODAY, STATEMENTS[0].supplied_on)
    assert made.due_on == TODAY + timedelta(days=14)


def test_seller_without_an_address_has_the_lines_of_its_contact() -> None:
    contact = Contact(address=("Cartway 9", "Upper Yard", "Tollimoor"))
    selling = Selling(name="Cartway", seller=Seller(), contact=contact, is_vat=False)

    placed = structs.replace(selling, seller=Seller(city="Brenhollow"))

    assert (seller_of(selling).street, seller_of(selling).more) == (
        "Cartway 9",
        "Upper Yard, Tollimoor",
    )
    assert (seller_of(placed).street, seller_of(placed).city) == (None, "Brenhollow")


def test_what_an_invoice_needs_is_asked_for_by_name() -> None:
    ledger = Ledger()
    quote = ledger.close(STATEMENTS[0])
    bare = Selling(name="Mill Lane", seller=Seller(country="XX"), contact=Contact(), is_vat=True)

    with pytest.raises(InvoiceNeeds) as refused:
        ledger.invoice(quote, bare, a_customer(billing=None))

    assert refused.value.members == (
        "seller.city",
        "seller.country",
        "seller.vat_id",
        "customer.billing.city",
        "customer.billing.country",
    )
    # a tax that EN 16931 does not know needs less
    made = read_bill(ledger.invoice(quote, structs.replace(bare, is_vat=False)).body)
    assert (made.profile, len(made.unmet)) == (None, 1)


def sums(bills: list[Bill]) -> tuple[Decimal, Decimal, Decimal]:
    return (
        sum((Decimal(one.net.amount) for one in bills), Decimal(0)),
        sum((Decimal(one.tax.amount) for one in bills), Decimal(0)),
        sum((Decimal(one.gross.amount) for one in bills), Decimal(0)),
    )


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(STATEMENTS), st.integers(0, 2**32))
def test_statement_payments_invoices_and_credit_notes_reconcile(
    statement: Statement, seed: int
) -> None:
    random, ledger = Random(seed), Ledger()
    quote = ledger.close(statement)
    kept = ledger.invoice(quote)
    invoice = read_bill(kept.body)

    assert invoice.gross == statement.gross
    assert sum(Decimal(one.net.amount) for one in invoice.lines) == Decimal(statement.net.amount)
    lines = Decimal(invoice.lines_net.amount) - Decimal(invoice.allowances.amount)
    assert lines + Decimal(invoice.charges.amount) == Decimal(invoice.net.amount)
    for tax in invoice.taxes:
        parts = [one for line in invoice.lines for one in line.taxes]
        own = [Decimal(one.amount.amount) for one in parts if one.component == tax.component]
        assert sum(own) == Decimal(tax.amount.amount)

    credited: list[Bill] = []
    places = [line.line for line in invoice.lines]
    random.shuffle(places)
    while places:
        some = [places.pop() for _ in range(random.randint(1, len(places)))]
        try:
            credited.append(read_bill(ledger.credit(quote, kept, *some).body))
        except NotCreditable:
            # lines that come to less than nothing: with the rest, they do not
            credited.append(read_bill(ledger.credit(quote, kept).body))
            break
    assert sums(credited) == sums([invoice])
    with pytest.raises(NotCreditable):
        ledger.credit(quote, kept)
    account = ledger.store.read(lambda records: account_of(records, quote))
    assert account.due == Money(0, account.due.currency)
    again = read_bill(ledger.invoice(quote).body)
    assert again == structs.replace(invoice, number=again.number)


def paid(ledger: Ledger, quote_number: int, amount: int, currency: str) -> None:
    payment = Payment(
        quote=quote_number,
        number=0,
        at=NOON,
        day=TODAY,
        amount=Money(amount, currency),
        rounding=Money(0, currency),
        means="card",
        reference=None,
        who="R. Example",
    )

    def work(records: Records) -> None:
        quote = records.quotes.get(quote_number)
        assert quote is not None
        paying.pay(records, STAMP, quote, payment)

    asyncio.run(ledger.store.write(work))


def test_what_was_paid_is_deducted_once() -> None:
    statement = next(one for one in STATEMENTS if one.gross.money.minor > 500)
    ledger = Ledger()
    quote = ledger.close(statement)
    currency = quote.net.currency
    before = ledger.store.read(lambda records: account_of(records, quote)).balance
    paid(ledger, quote.number, before.minor - 100, currency)
    with pytest.raises(PaidTooMuch):
        paid(ledger, quote.number, 101, currency)

    made = read_bill(ledger.invoice(quote).body)

    assert made.payable.money == Money(100, currency)
    paid(ledger, quote.number, 100, currency)
    after = ledger.store.read(lambda records: account_of(records, quote))
    assert after.balance == Money(0, currency)
    # a credit note on all of it leaves everything that was paid to be paid back
    ledger.credit(quote, ledger.store.read(lambda records: records.bills.of_quote(1)[0]))
    paid(ledger, quote.number, -after.paid.minor, currency)


def test_statement_has_one_open_invoice() -> None:
    ledger = Ledger()
    quote = ledger.close(STATEMENTS[0])
    invoice = ledger.invoice(quote)

    with pytest.raises(AlreadyInvoiced):
        ledger.invoice(quote)
    note = ledger.credit(quote, invoice)
    with pytest.raises(NotCreditable, match="it is a credit note"):
        ledger.credit(quote, note)


def restored(ledger: Ledger, epoch: str) -> None:
    begun = Generation(
        number=0, epoch=epoch, after=0, begun_at=NOON, taken_at=NOON, known_until=NOON
    )
    asyncio.run(ledger.store.write(lambda records: records.generations.begin(begun, 5)))


def numbers(ledger: Ledger, count: int) -> list[str]:
    made: list[KeptBill] = []
    for statement in STATEMENTS[:count]:
        quote = ledger.close(statement)
        invoice = ledger.invoice(quote)
        made += invoice, ledger.credit(quote, invoice)
    return [one.name for one in made]


def test_every_generation_has_series_of_its_own_without_gaps() -> None:
    ledger = Ledger()
    first = numbers(ledger, 2)
    restored(ledger, "5d0a000001")
    second = numbers(ledger, 2)
    restored(ledger, "77aa000002")

    assert first == ["I1-00001", "C1-00001", "I1-00002", "C1-00002"]
    assert second == ["I2-5D0A-00001", "C2-5D0A-00001", "I2-5D0A-00002", "C2-5D0A-00002"]
    assert numbers(ledger, 1) == ["I3-77AA-00001", "C3-77AA-00001"]


def test_release_asks_for_the_last_numbers_that_were_handed_out() -> None:
    ledger = Ledger()
    numbers(ledger, 2)
    restored(ledger, "5d0a000001")

    def let_go(*last: str) -> Generation:
        return asyncio.run(
            ledger.store.write(
                lambda records: release(
                    records,
                    STAMP,
                    mail=None,
                    webhooks=None,
                    is_confirmed=True,
                    last_numbers=last,
                )
            )
        )

    assert ledger.store.read(report).last_numbers == ("I1-00002", "C1-00002")
    with pytest.raises(LastNumberMissing, match="I1-00002"):
        let_go()
    with pytest.raises(LastNumberMissing, match="C1-00002"):
        let_go("I1-00002")
    with pytest.raises(LastNumberLower):
        let_go("I1-00001", "C1-00002")
    with pytest.raises(LastNumberUnlikely, match="200 documents a day"):
        let_go("I1-99999999999", "C1-00002")
    with pytest.raises(LastNumberUnlikely):
        let_go("I1-00002", "C1-99999")
    let_go("I1-00007", "C1-00002")
    told = [
        one.facts.get("last_numbers")
        for one in ledger.store.read(lambda records: records.events.after(0, 99))
        if one.kind == "records.released"
    ]
    assert told == ["I1-00007, C1-00002"]


def test_last_numbers_that_were_told_wrongly_are_corrected_until_the_next_series_begins() -> None:
    ledger = Ledger()
    numbers(ledger, 2)
    restored(ledger, "5d0a000001")

    def write(work: Callable[[Records], object]) -> None:
        asyncio.run(ledger.store.write(work))

    def correct(*last: str) -> None:
        write(lambda records: correct_last(records, STAMP, last))

    with pytest.raises(LastNumberFixed, match="none was told"):
        correct("I1-00003")
    last = ("I1-00009", "C1-00002")
    write(
        lambda records: release(
            records, STAMP, mail=None, webhooks=None, is_confirmed=True, last_numbers=last
        )
    )

    correct("I1-00004")

    assert ledger.store.read(missing_of) == ("I1-00003 to I1-00004",)
    for wrong, refusal in (
        ("I1-00001", LastNumberLower),
        ("I1-99999", LastNumberUnlikely),
        ("I7-00002", LastNumberFixed),
    ):
        with pytest.raises(refusal):
            correct(wrong)
    ledger.invoice(ledger.close(STATEMENTS[0]))
    with pytest.raises(LastNumberFixed, match="I2-5D0A-00001 was made since"):
        correct("I1-00005")
    # no credit note was made yet
    correct("C1-00003")
    assert ledger.store.read(missing_of) == ("I1-00003 to I1-00004", "C1-00003")


def test_due_day_is_counted_from_the_day_of_the_invoice() -> None:
    assert an_invoice().due_on - an_invoice().issued_on == timedelta(days=SELLER.due_days)
    assert isinstance(an_invoice().due_on, date)


@pytest.mark.parametrize(
    ("means", "paid_minor", "rounding", "balance"),
    [
        ("cash", 2345, -2, 0),
        ("cash", 2340, 0, 7),
        ("card", 2347, 0, 0),
        ("card", 2345, 0, 2),
    ],
)
def test_cash_of_the_balance_in_the_smallest_coin_settles_it(
    means: str, paid_minor: int, rounding: int, balance: int
) -> None:
    statement = structs.replace(
        next(one for one in STATEMENTS if one.gross.currency == "USD"),
        gross=amount_of(Money(2347, "USD")),
        prepaid=amount_of(Money(0, "USD")),
    )
    ledger = Ledger()
    quote = ledger.close(statement)
    reckoning = Reckoning(
        area=a_vat(Random(1), "USD"), on=TODAY, exempt=(), cash_step=Decimal("0.05")
    )
    answer = encode_quote(case("h27-generator-discounts"))
    payment = Payment(
        quote=quote.number,
        number=0,
        at=NOON,
        day=TODAY,
        amount=Money(paid_minor, "USD"),
        rounding=Money(0, "USD"),
        means=means,
        reference=None,
        who="R. Example",
    )

    def work(records: Records) -> Account:
        records.revisions.add(
            an_issued_revision(
                quote.number, 1, answer=answer, reckoning=written_reckoning(reckoning)
            )
        )
        paying.pay(records, STAMP, quote, payment)
        return account_of(records, quote)

    account = asyncio.run(ledger.store.write(work))

    assert (account.rounded.minor, account.balance.minor) == (rounding, balance)


PLAIN = "Orchard Row 7\n\n 00042 Brenhollow \nUpland"


def test_plain_address_is_used_where_no_structured_one_is_given() -> None:
    ledger = Ledger()
    quote = ledger.close(STATEMENTS[0])
    plain = structs.replace(a_customer(billing=None), address=PLAIN)

    with pytest.raises(InvoiceNeeds) as refused:
        ledger.invoice(quote, customer=plain)

    # the one member that EN 16931 needs of an address
    assert refused.value.members == ("customer.billing.country",)
    billed = structs.replace(plain, billing=Billing(country="AT"))
    made = read_bill(ledger.invoice(quote, customer=billed).body)
    assert (made.buyer.street, made.buyer.more) == ("Orchard Row 7", "00042 Brenhollow, Upland")
    assert made.buyer.country == "AT"
    assert made.profile is not None


@pytest.mark.parametrize("billing", [BILLING, Billing(city="Brenhollow", country="AT")])
def test_structured_address_goes_before_a_plain_one(billing: Billing) -> None:
    ledger = Ledger()
    customer = structs.replace(a_customer(billing=billing), address=PLAIN)
    made = read_bill(ledger.invoice(ledger.close(STATEMENTS[0]), customer=customer).body)

    assert (made.buyer.street, made.buyer.more) == (billing.street, billing.more)


def test_invoice_outside_the_rules_has_a_plain_address_too() -> None:
    ledger = Ledger()
    customer = structs.replace(a_customer(billing=None), address=PLAIN)
    selling = structs.replace(SELLING, is_vat=False)
    made = read_bill(ledger.invoice(ledger.close(STATEMENTS[0]), selling, customer).body)

    assert made.buyer.street == "Orchard Row 7"
