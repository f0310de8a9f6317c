"""Link closing: the account of a visit that is over, as its customer sees it by a link."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Final

from kitwright.documents.closing_view import BillLink, Closing
from kitwright.keeping.accounts import account_of, with_storage
from kitwright.keeping.choosing import agreed_from
from kitwright.keeping.record import BillKind, KeptBill, KeptQuote, Revision
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import read_statement
from kitwright.web.calls.ids import TICKET, read_id_or_none
from kitwright.web.calls.reckoning import asked_of
from kitwright.web.calls.shown import Out

BILLS: Final = "bills"
"""The part of a path that leads to an invoice or a credit note by a link."""


class BilledOut(Out, frozen=True, kw_only=True):
    """An invoice or a credit note, and the path by which its customer reads it."""

    number: str
    kind: BillKind
    path: str


class OfferAccountOut(Out, frozen=True, kw_only=True):
    """The account of a visit that is over; due - paid = balance, and a negative balance is paid
    back. `is_repaired` is false if the work was stopped. All amounts include tax.
    """

    finished_on: date
    is_repaired: bool
    due: Money
    paid: Money
    balance: Money
    bills: tuple[BilledOut, ...]
    collected_on: date | None


def closing_of(
    records: Records, quote: KeptQuote, revision: Revision, expires: int, here: str
) -> Closing | None:
    """Return the account of a visit that is over, None if it is not, or if the revision is not the
    one that was agreed.

    Args:
        expires: when the link to it ends, in seconds since 1970.
        here: the path of the link, relative to the page.
    """
    kept = records.statements.get(quote.number)
    if kept is None or kept.is_erased or not _is_last(records, quote, revision):
        return None
    account, handover = account_of(records, quote), records.handovers.get(quote.number)
    return Closing(
        statement=with_storage(read_statement(kept.body), handover),
        finished_on=kept.day,
        due=account.due + account.rounded,
        paid=account.paid,
        balance=account.balance,
        rounded=account.rounded,
        bills=tuple(
            BillLink(
                number=one.name,
                is_credit=one.kind is BillKind.credit_note,
                url=f"{here}/{BILLS}/{one.name}",
                gross=one.gross,
            )
            for one in records.bills.of_quote(quote.number)
        ),
        collected_on=None if handover is None else handover.day,
        collected_by=None if handover is None else handover.collector,
        wants_old_parts=_wants_old_parts(records, revision),
        is_unsafe=handover is not None and handover.is_unsafe,
        until=datetime.fromtimestamp(expires, UTC),
    )


def told_account(closing: Closing | None) -> OfferAccountOut | None:
    """Return the account of a visit as an answer has it."""
    if closing is None:
        return None
    return OfferAccountOut(
        finished_on=closing.finished_on,
        is_repaired=closing.is_repaired,
        due=closing.due,
        paid=closing.paid,
        balance=closing.balance,
        bills=tuple(
            BilledOut(
                number=one.number,
                kind=BillKind.credit_note if one.is_credit else BillKind.invoice,
                path=one.url,
            )
            for one in closing.bills
        ),
        collected_on=closing.collected_on,
    )


def bill_named(
    records: Records, quote: KeptQuote, revision: Revision, name: str
) -> KeptBill | None:
    """Return an invoice or a credit note of a quote by its number, None if it has none of that."""
    if not _is_last(records, quote, revision):
        return None
    return next((one for one in records.bills.of_quote(quote.number) if one.name == name), None)


def _is_last(records: Records, quote: KeptQuote, revision: Revision) -> bool:
    """Return whether a revision is the one that was agreed, or the last one if none was."""
    if quote.agreed is None:
        return revision.number == quote.shown
    return agreed_from(records, quote, revision.number) is not None


def _wants_old_parts(records: Records, revision: Revision) -> bool | None:
    number = read_id_or_none(TICKET, asked_of(revision).ticket)
    ticket = None if number is None else records.tickets.get(number)
    return None if ticket is None or ticket.erased_at is not None else ticket.old_parts
