"""Month: the call that returns a bookkeeper's month."""

from __future__ import annotations

import asyncio
from datetime import date
from functools import partial
from typing import Annotated, Final, Literal

from msgspec import Meta

from kitwright.documents.month_csv import month_csv
from kitwright.keeping.ledger import Owner
from kitwright.keeping.month import (
    CodeSum,
    Folio,
    Month,
    OpenItem,
    Receipt,
    TaxedPart,
    folio_of,
    last_day,
    sum_up,
)
from kitwright.keeping.record import ENDED, QuoteState
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.money import Money, total
from kitwright.quote import Amount, Count, amount_of
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE, QuoteId, written
from kitwright.web.calls.shown import Out
from kitwright.web.edge.negotiate import CSV, JSON
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

_AT_ONCE: Final = 50
"""How many quotes are read before other calls are let in."""
_MAY_OWE: Final = frozenset({QuoteState.done}) | ENDED
"""States of quotes without an agreement of which something may be billed or paid."""


class MonthQuery(Wire, frozen=True, kw_only=True):
    """The month."""

    month: Annotated[
        str,
        Meta(
            pattern=r"^20[0-9]{2}-(0[1-9]|1[0-2])(?!\n)$",
            description="The month, by the shop's calendar.",
            examples=["2027-03"],
            extra={"wanted": "a month"},
        ),
    ]


class TaxedPartOut(Out, frozen=True, kw_only=True):
    """The part of an invoice or a credit note (`number`) with the same taxes; the amounts of a
    credit note are negative. `tax_code` names each tax with its category (UNCL 5305) and rate.
    """

    day: date
    number: str
    kind: Literal["invoice", "advance", "credit_note"]
    credits: str | None
    quote: QuoteId
    buyer: str
    tax_code: str
    net: Amount
    tax: Amount
    gross: Amount


class CodeSumOut(Out, frozen=True, kw_only=True):
    """The sums of a tax code: invoices less credit notes."""

    tax_code: str
    net: Amount
    tax: Amount
    gross: Amount


class ReceiptOut(Out, frozen=True, kw_only=True):
    """What was paid, or paid back if the amount is negative. `prepaid` is what the statement of
    that day says was paid before. Of `amount` less `rounding`, the quote's balance became smaller.
    """

    day: date
    kind: Literal["advance", "payment", "prepaid"]
    quote: QuoteId
    amount: Amount
    rounding: Amount
    means: str | None
    reference: str | None


class OpenItemOut(Out, frozen=True, kw_only=True):
    """A quote that is not settled: due + rounding - paid = balance. `since` is the day of its
    statement, null if there is none yet: then the balance is negative, what was paid in advance.
    """

    quote: QuoteId
    since: date | None
    invoices: tuple[str, ...]
    due: Amount
    paid: Amount
    rounding: Amount
    balance: Amount


class MonthOut(Out, frozen=True, kw_only=True):
    """A month by the shop's calendar; it is not `complete` before its last day is over.

    `documents` are its invoices and credit notes by tax code, `codes` their sums. `open_items` are
    not settled at its end; their balances add up to `closing`. `opening` + `billed` + `rounding` -
    `received` = `closing`. `billed` is what quotes owe more than before. Of it, `invoiced` rests on
    invoices less credit notes, and `uninvoiced` on statements of finished work that no invoice is
    made of yet; it is negative if more of earlier work was invoiced than left so. `stock` is what
    the shop's own stock cost, at its end. `warranty_visits` are those finished in the month of
    which the shop bears something by its warranty; `borne` is what that comes to, without tax, and
    is in no other sum.
    """

    month: str
    complete: bool
    documents: tuple[TaxedPartOut, ...]
    codes: tuple[CodeSumOut, ...]
    receipts: tuple[ReceiptOut, ...]
    open_items: tuple[OpenItemOut, ...]
    opening: Amount
    billed: Amount
    invoiced: Amount
    uninvoiced: Amount
    rounding: Amount
    received: Amount
    closing: Amount
    stock: Amount
    warranty_visits: Count
    borne: Amount


@operation(
    "GET /v1/reports/month",
    "reportMonth",
    "reports",
    forms=(JSON, CSV),
    keeps="reads",
)
async def report(call: Call, query: MonthQuery, form: str) -> Reply[MonthOut]:
    """Get a month for the bookkeeper.

    Invoices and credit notes by tax code, advances and payments, what is open at the end of the
    month, and the value of the stock. Accept `text/csv` for a table; texts that a spreadsheet could
    take for a formula start with an apostrophe there. A month that has not begun has only what is
    open from before.
    """
    first, today = date.fromisoformat(f"{query.month}-01"), call.stamp.today
    folios = await _folios(call)
    currency = call.desk.currency
    month = sum_up(folios, first, currency)
    stock = call.desk.store.read(partial(_stock, on=last_day(first), currency=currency))
    if form == CSV:
        return Reply(body=month_csv(month, stock), form=CSV)
    return Reply(body=_month_out(query.month, month, stock, is_complete=month.last < today))


async def _folios(call: Call) -> list[Folio]:
    """Return what was billed and paid of all quotes, read little by little."""
    folios: list[Folio] = []
    before: int | None = None

    def some(records: Records) -> int | None:
        found = records.quotes.find(QuoteFilter(before=before, most=_AT_ONCE))
        # a declined offer may owe its diagnosis, and an advance may be left of a withdrawn one
        folios.extend(
            folio_of(records, one)
            for one in found
            if one.agreed is not None or one.state in _MAY_OWE
        )
        return found[-1].number if found else None

    while True:
        before = call.desk.store.read(some)
        if before is None:
            return folios
        await asyncio.sleep(0)


def _stock(records: Records, on: date, currency: str) -> Money:
    found = records.shelf.value_on(on)
    return total((one.value for holding, one in found if holding.owner is Owner.shop), currency)


def _month_out(name: str, month: Month, stock: Money, *, is_complete: bool) -> MonthOut:
    return MonthOut(
        month=name,
        complete=is_complete,
        documents=tuple(map(_part_out, month.parts)),
        codes=tuple(map(_code_out, month.codes)),
        receipts=tuple(map(_receipt_out, month.receipts)),
        open_items=tuple(map(_item_out, month.items)),
        opening=amount_of(month.opening),
        billed=amount_of(month.billed),
        invoiced=amount_of(month.invoiced),
        uninvoiced=amount_of(month.uninvoiced),
        rounding=amount_of(month.rounding),
        received=amount_of(month.received),
        closing=amount_of(month.closing),
        stock=amount_of(stock),
        warranty_visits=month.warranty_visits,
        borne=amount_of(month.borne),
    )


def _part_out(part: TaxedPart) -> TaxedPartOut:
    return TaxedPartOut(
        day=part.day,
        number=part.number,
        kind=part.kind.value,
        credits=part.credits,
        quote=written(QUOTE, part.quote),
        buyer=part.buyer,
        tax_code=part.code,
        net=amount_of(part.net),
        tax=amount_of(part.tax),
        gross=amount_of(part.gross),
    )


def _code_out(one: CodeSum) -> CodeSumOut:
    return CodeSumOut(
        tax_code=one.code,
        net=amount_of(one.net),
        tax=amount_of(one.tax),
        gross=amount_of(one.gross),
    )


def _receipt_out(receipt: Receipt) -> ReceiptOut:
    return ReceiptOut(
        day=receipt.day,
        kind=receipt.kind,
        quote=written(QUOTE, receipt.quote),
        amount=amount_of(receipt.amount),
        rounding=amount_of(receipt.rounding),
        means=receipt.means,
        reference=receipt.reference,
    )


def _item_out(item: OpenItem) -> OpenItemOut:
    return OpenItemOut(
        quote=written(QUOTE, item.quote),
        since=item.since,
        invoices=item.invoices,
        due=amount_of(item.due),
        paid=amount_of(item.paid),
        rounding=amount_of(item.rounding),
        balance=amount_of(item.balance),
    )
