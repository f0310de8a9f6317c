"""Month: what a bookkeeper needs of a month, put together from the records of each quote.

What a quote owes is nothing before its statement, then the statement's total, and once an invoice
is made from that, the total of all its invoices, also those of advances, less that of its credit
notes; the same of storage, from the day on which the machine was collected. What is paid is what
the statement says was paid before, and all payments, also those in advance; what the smallest coin
took off or added is owed less or more. So an advance before the statement is a negative balance.
Then, for any month:

    opening + billed + rounding - received = closing
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from fractions import Fraction
from typing import Final, Literal

from msgspec import Struct

from kitwright.keeping.accounts import due_of, sum_due
from kitwright.keeping.record import BillKind, Handover, KeptBill, KeptQuote, KeptStatement, Payment
from kitwright.keeping.store import Records
from kitwright.money import Money, round_ratio, total
from kitwright.quote import WARRANTY, BillLine, read_bill, read_statement

UNTAXED: Final = "untaxed"
"""The tax code of lines without any tax."""


class TaxedPart(Struct, frozen=True, kw_only=True):
    """The lines of an invoice or a credit note that have the same taxes; those of a credit note are
    negative. `code` names each tax with its category and rate.
    """

    day: date
    number: str
    kind: BillKind
    credits: str | None
    quote: int
    buyer: str
    code: str
    net: Money
    tax: Money

    @property
    def gross(self) -> Money:
        """Net and tax."""
        return self.net + self.tax


class CodeSum(Struct, frozen=True, kw_only=True):
    """The sums of a tax code over all documents of a month."""

    code: str
    net: Money
    tax: Money
    gross: Money


class Receipt(Struct, frozen=True, kw_only=True):
    """Money that a customer paid, or was paid back if it is negative. `kind` is `advance`,
    `payment`, or `prepaid`, which the statement of that day says was paid before.
    """

    day: date
    kind: Literal["advance", "payment", "prepaid"]
    quote: int
    amount: Money
    rounding: Money
    means: str | None
    reference: str | None


class OpenItem(Struct, frozen=True, kw_only=True):
    """A quote that is not settled at the end of a month. `since` is the day of its statement, None
    if there is none yet: then the balance is what was paid in advance. `invoices` are made of it,
    and `invoiced` is what of `due` rests on them.
    """

    quote: int
    since: date | None
    invoices: tuple[str, ...]
    due: Money
    invoiced: Money
    paid: Money
    rounding: Money

    @property
    def balance(self) -> Money:
        """What is owed, negative for what is to be paid back or was paid in advance."""
        return self.due + self.rounding - self.paid


class Month(Struct, frozen=True, kw_only=True):
    """A month's invoices by tax code, receipts, open items and sums, from `first` to `last` day.

    `billed` is what quotes owe more than before: `invoiced` by invoices less credit notes, and
    `uninvoiced` by statements of which no invoice is made yet; an invoice takes its statement from
    one to the other. `warranty_visits` are those finished in the month of which the shop bears
    something by its warranty, and `borne` what that comes to, without tax: it was never billed.
    """

    first: date
    last: date
    parts: tuple[TaxedPart, ...]
    codes: tuple[CodeSum, ...]
    receipts: tuple[Receipt, ...]
    items: tuple[OpenItem, ...]
    opening: Money
    billed: Money
    invoiced: Money
    uninvoiced: Money
    rounding: Money
    received: Money
    closing: Money
    warranty_visits: int
    borne: Money


class Folio(Struct, frozen=True, kw_only=True):
    """All that was billed and paid of one quote."""

    quote: int
    statement: KeptStatement | None
    bills: tuple[KeptBill, ...]
    payments: tuple[Payment, ...]
    handover: Handover | None = None


def folio_of(records: Records, quote: KeptQuote) -> Folio:
    """Return all that was billed and paid of a quote."""
    number = quote.number
    return Folio(
        quote=number,
        statement=records.statements.get(number),
        bills=records.bills.of_quote(number),
        payments=records.payments.of_quote(number),
        handover=records.handovers.get(number),
    )


def last_day(first: date) -> date:
    """Return the last day of the month that begins with a day."""
    return (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)


def sum_up(folios: Sequence[Folio], first: date, currency: str) -> Month:
    """Return the month that begins with a day, of all quotes."""
    last, before = last_day(first), first - timedelta(days=1)
    parts: list[TaxedPart] = []
    receipts: list[Receipt] = []
    opened: list[OpenItem] = []
    closed: list[OpenItem] = []
    for folio in folios:
        parts += (
            part for bill in folio.bills if first <= bill.day <= last for part in _parts(bill)
        )
        every = tuple(_receipts(folio))
        receipts += (one for one in every if first <= one.day <= last)
        opened.append(_item(folio, every, before, currency))
        closed.append(_item(folio, every, last, currency))
    nothing = Money(0, currency)
    borne = [
        _borne(folio.statement)
        for folio in folios
        if folio.statement is not None and first <= folio.statement.day <= last
    ]
    opening = total((one.balance for one in opened), currency)

    def more(member: str) -> Money:
        after = total((getattr(one, member) for one in closed), currency)
        return after - total((getattr(one, member) for one in opened), currency)

    billed, invoiced = more("due"), more("invoiced")
    return Month(
        first=first,
        last=last,
        parts=tuple(sorted(parts, key=lambda one: (one.day, one.number, one.code))),
        codes=tuple(_codes(parts, currency)),
        receipts=tuple(sorted(receipts, key=lambda one: (one.day, one.quote, one.kind))),
        items=tuple(one for one in closed if one.balance != nothing),
        opening=opening,
        billed=billed,
        invoiced=invoiced,
        uninvoiced=billed - invoiced,
        rounding=total((one.rounding for one in receipts), currency),
        received=total((one.amount for one in receipts), currency),
        closing=total((one.balance for one in closed), currency),
        warranty_visits=sum(one is not None for one in borne),
        borne=total((one for one in borne if one is not None), currency),
    )


def _borne(kept: KeptStatement) -> Money | None:
    """Return what a statement takes off because the shop bears it, without tax; None if there is no
    such line. What includes tax is rounded once for all lines that are taxed alike.
    """
    lines = [one for one in read_statement(kept.body).lines if one.code == WARRANTY]
    if not lines:
        return None
    net, included = Money(0, kept.net.currency), defaultdict[Fraction, int](int)
    for line in lines:
        if line.amount == line.net:
            net -= line.net.money
        else:
            rate = sum((Fraction(tax.rate) for tax in line.taxes), Fraction(0))
            included[rate] -= line.gross.money.minor
    for rate, gross in included.items():
        exact = gross * 100 / (100 + rate)
        net += Money(round_ratio(exact.numerator, exact.denominator), net.currency)
    return net


def _parts(kept: KeptBill) -> Iterator[TaxedPart]:
    """Yield the parts of an invoice or a credit note by their taxes."""
    bill = read_bill(kept.body)
    by_code: dict[str, list[BillLine]] = defaultdict(list)
    for line in bill.lines:
        by_code[_code(line)].append(line)
    for code, lines in sorted(by_code.items()):
        net = total((line.net.money for line in lines), bill.currency)
        tax = total((line.tax.money for line in lines), bill.currency)
        is_credit = kept.kind is BillKind.credit_note
        yield TaxedPart(
            day=kept.day,
            number=kept.name,
            kind=kept.kind,
            credits=bill.credits,
            quote=kept.quote,
            buyer=bill.buyer.name,
            code=code,
            net=-net if is_credit else net,
            tax=-tax if is_credit else tax,
        )


def _code(line: BillLine) -> str:
    named = (f"{tax.component} {tax.category} {tax.rate}%" for tax in line.taxes)
    return " + ".join(named) or UNTAXED


def _codes(parts: Iterable[TaxedPart], currency: str) -> Iterator[CodeSum]:
    by_code: dict[str, list[TaxedPart]] = defaultdict(list)
    for part in parts:
        by_code[part.code].append(part)
    for code, own in sorted(by_code.items()):
        net = total((part.net for part in own), currency)
        tax = total((part.tax for part in own), currency)
        yield CodeSum(code=code, net=net, tax=tax, gross=net + tax)


def _receipts(folio: Folio) -> Iterator[Receipt]:
    for payment in folio.payments:
        yield Receipt(
            day=payment.day,
            kind="advance" if payment.is_advance else "payment",
            quote=folio.quote,
            amount=payment.amount,
            rounding=payment.rounding,
            means=payment.means,
            reference=payment.reference,
        )
    if folio.statement is None:
        return
    prepaid = read_statement(folio.statement.body).prepaid.money
    if prepaid.minor:
        yield Receipt(
            day=folio.statement.day,
            kind="prepaid",
            quote=folio.quote,
            amount=prepaid,
            rounding=Money(0, prepaid.currency),
            means=None,
            reference=None,
        )


def _item(folio: Folio, receipts: Iterable[Receipt], day: date, currency: str) -> OpenItem:
    """Return how a quote stands at the end of a day."""
    bills = [one for one in folio.bills if one.day <= day]
    statement = folio.statement
    if statement is not None and statement.day > day:
        statement = None
    handover = folio.handover
    if handover is not None and handover.day > day:
        handover = None
    due = due_of(statement, bills, handover, currency)
    paid = [one for one in receipts if one.day <= day]
    return OpenItem(
        quote=folio.quote,
        since=None if statement is None else statement.day,
        invoices=tuple(one.name for one in bills),
        due=sum_due(due),
        invoiced=due.invoiced,
        paid=total((one.amount for one in paid), currency),
        rounding=total((one.rounding for one in paid), currency),
    )
