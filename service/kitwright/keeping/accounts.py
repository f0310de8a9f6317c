"""Accounts: the statement of finished work, what is owed on it, and the machine's collection.

The statement never changes. What is owed is its total, or once an invoice is made from it, that of
all invoices, those of advances too, less what credit notes give back.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from typing import TYPE_CHECKING

from msgspec import Struct, structs

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.record import (
    BillKind,
    Handover,
    KeptBill,
    KeptQuote,
    KeptStatement,
    QuoteState,
    Stamp,
)
from kitwright.keeping.store import Records
from kitwright.keeping.waiting import waits_since
from kitwright.money import Money, total
from kitwright.quote import (
    STORAGE,
    Amount,
    Statement,
    StatementLine,
    Tax,
    amount_of,
    encode_billing,
    read_bill,
    read_statement,
)

if TYPE_CHECKING:
    from kitwright.keeping.consent import Limit


class NoStatement(ActRefused):
    """A quote without a statement: its work is not finished, or was before there were any."""

    code = "no-statement"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__(
            f"this quote has no statement (it is {quote.state.value}): `finish` makes it, or "
            "`stop` if the work ends before, or if no more than the diagnosis is owed"
        )
        self.quote = quote.number


class BillOverLimit(ActRefused):
    """A bill of more than the customer authorised."""

    code = "bill-over-limit"

    def __init__(self, limit: Limit, bill: Money) -> None:
        over = bill - limit.authorised
        terms = "including" if limit.includes_tax else "before"
        super().__init__(
            f"the bill is {bill.amount_text} {bill.currency} {terms} tax, {over.amount_text} more "
            f"than the {limit.authorised.amount_text} that the customer authorised: first get the "
            f"customer's consent to {bill.amount_text} (revise the quote with what was found, "
            "issue it, have it accepted), or bill less"
        )
        self.over_by = over
        self.consent_up_to = bill


class AlreadyCollected(ActRefused):
    """A machine that was collected before."""

    code = "already-collected"

    def __init__(self, handover: Handover) -> None:
        super().__init__(f"the machine was collected on {handover.day.isoformat()}")
        self.day = handover.day


class StorageUnclear(ActRefused):
    """Storage that is owed and neither billed nor waived, or the other way round."""

    code = "storage-unclear"


class NotTagged(ActRefused):
    """A machine that may hurt somebody and is not tagged as unsafe."""

    code = "not-tagged"

    def __init__(self) -> None:
        super().__init__(
            "the machine is not safe to use: tag it, and have the collector sign that it is "
            "(`tagged_and_signed`), before it is handed over"
        )


class Account(Struct, frozen=True, kw_only=True):
    """What was billed for a quote, paid and owed; owed = due - paid. A negative balance is paid
    back. `rounded` is what the smallest coin took off or added.
    """

    due: Money
    paid: Money
    rounded: Money
    balance: Money


def check_limit(limit: Limit, statement: Statement) -> None:
    """Raise BillOverLimit if a statement is above the limit of the authorisation in force."""
    bill = (statement.gross if limit.includes_tax else statement.net).money
    if bill > limit.authorised:
        raise BillOverLimit(limit, bill)


def keep_statement(
    records: Records, stamp: Stamp, quote: KeptQuote, statement: Statement, who: str | None
) -> KeptStatement:
    """Keep the statement of a quote whose work is finished in this transaction."""
    body = encode_billing(statement)
    return records.statements.add(
        KeptStatement(
            quote=quote.number,
            at=stamp.at,
            day=stamp.today,
            net=statement.net.money,
            gross=statement.gross.money,
            who=who,
            sha256=sha256(body).hexdigest(),
            body=body,
        )
    )


def statement_of(records: Records, quote: KeptQuote) -> KeptStatement:
    """Return the statement of a quote. Raises: NoStatement."""
    found = records.statements.get(quote.number)
    if found is None:
        raise NoStatement(quote)
    return found


def account_of(records: Records, quote: KeptQuote) -> Account:
    """Return what is owed for a quote. Raises: NoStatement."""
    kept = statement_of(records, quote)
    currency = kept.gross.currency
    handover = records.handovers.get(quote.number)
    due = sum_due(due_of(kept, records.bills.of_quote(quote.number), handover, currency))
    payments = records.payments.of_quote(quote.number)
    before = read_statement(kept.body).prepaid.money
    paid = total((before, *(one.amount for one in payments)), currency)
    rounded = total((one.rounding for one in payments), currency)
    return Account(due=due, paid=paid, rounded=rounded, balance=due + rounded - paid)


class Due(Struct, frozen=True):
    """What is owed by invoices less credit notes, and by what no invoice is made of yet."""

    invoiced: Money
    uninvoiced: Money


def sum_due(due: Due) -> Money:
    """Return all that is owed."""
    return due.invoiced + due.uninvoiced


def due_of(
    kept: KeptStatement | None,
    bills: Sequence[KeptBill],
    handover: Handover | None,
    currency: str,
) -> Due:
    """Return what is owed for a quote with these invoices and credit notes; it may have no
    statement. Invoices of advances alone are not of it.
    """
    nothing = Money(0, currency)
    made = [one for one in bills if one.kind is BillKind.invoice]
    invoiced = total((one.billed for one in bills), currency) if made else nothing
    stored = storage_line(handover)
    is_work_billed = any(made) if stored is None else any(map(bills_work, made))
    uninvoiced = nothing if kept is None or is_work_billed else kept.gross
    if stored is not None and not any(map(bills_storage, made)):
        uninvoiced += stored.gross.money
    return Due(invoiced, uninvoiced)


def storage_line(handover: Handover | None) -> StatementLine | None:
    """Return the line of storage that a machine was collected with, None if there is none."""
    return None if handover is None or handover.storage is None else handover.storage.line


def bills_storage(bill: KeptBill) -> bool:
    """Return whether a document bills storage."""
    return any(line.code == STORAGE for line in read_bill(bill.body).lines)


def bills_work(bill: KeptBill) -> bool:
    """Return whether a document bills anything but storage."""
    return any(line.code != STORAGE for line in read_bill(bill.body).lines)


def with_storage(statement: Statement, handover: Handover | None) -> Statement:
    """Return a statement with the line of storage that the machine was collected with, in its sums;
    as it is if there is none.
    """
    line = storage_line(handover)
    if line is None or handover is None or handover.storage is None:
        return statement

    def added(name: str) -> Amount:
        return amount_of(getattr(statement, name).money + getattr(line, name).money)

    return structs.replace(
        statement,
        lines=(*statement.lines, line),
        taxes=_together(statement.taxes, handover.storage.taxes),
        net=added("net"),
        tax=added("tax"),
        gross=added("gross"),
    )


def _together(taxes: Sequence[Tax], more: Sequence[Tax]) -> tuple[Tax, ...]:
    """Return the taxes of two parts of a document as one; a rate that changed stays apart."""
    summed = {(one.component, one.rate): one for one in taxes}
    for one in more:
        before = summed.get((one.component, one.rate))
        summed[one.component, one.rate] = (
            one
            if before is None
            else structs.replace(
                before,
                base=amount_of(before.base.money + one.base.money),
                amount=amount_of(before.amount.money + one.amount.money),
            )
        )
    return tuple(summed.values())


def collect(
    records: Records, stamp: Stamp, quote: KeptQuote, handover: Handover, *, is_tagged: bool
) -> KeptQuote:
    """Return a quote whose machine was collected. Raises: NoStatement, AlreadyCollected, NotTagged,
    StorageUnclear.
    """
    is_undone = quote.state is not QuoteState.done
    stored = storage_line(handover)
    if is_undone and waits_since(records, quote) is not None:
        # after a no there is no statement, and nothing is owed by one
        balance = Money(0, quote.net.currency)
        if stored is not None:
            raise StorageUnclear(
                "storage is billed with a statement, and there is none: `stop` makes it first"
            )
    else:
        balance = account_of(records, quote).balance
        if stored is not None and not any(map(bills_storage, records.bills.of_quote(quote.number))):
            balance += stored.gross.money
    before = records.handovers.get(quote.number)
    if before is not None:
        raise AlreadyCollected(before)
    if handover.is_unsafe and not is_tagged:
        raise NotTagged
    records.handovers.add(
        structs.replace(handover, quote=quote.number, at=stamp.at, day=stamp.today, balance=balance)
    )
    facts: Facts = {"balance": balance.amount_text, "unsafe": int(handover.is_unsafe)}
    if handover.storage is not None:
        facts = {**facts, "storage": "waived" if stored is None else stored.gross.amount}
    return keep_change(records, stamp, "quote.collected", quote, facts)
