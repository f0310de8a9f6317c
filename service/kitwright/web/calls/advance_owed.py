"""Advance owed: the parts of an order for which a customer's advance is asked and not recorded."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import msgspec

from kitwright.catalogue.model import Deposit
from kitwright.documents.balance_view import balance_of
from kitwright.keeping.acts import AT_WORK, ActRefused
from kitwright.keeping.life import revision_of
from kitwright.keeping.order_progress import placed_order
from kitwright.keeping.paying import paid_for
from kitwright.keeping.record import KeptOrder, KeptQuote, QuoteState
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import AllottedLine, read_quote
from kitwright.stages.price import WHOLE_ENGINE
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import QUOTE, written

_AGREED = AT_WORK | {QuoteState.accepted}
_LINES = msgspec.json.Decoder(tuple[AllottedLine, ...])


class Owed(NamedTuple):
    """The parts of an order for a quote, by SKU, and what is left of the quote's advance."""

    quote: KeptQuote
    skus: tuple[str, ...]
    left: Money


class AdvanceMissing(ActRefused):
    """An order of parts that is sent before the customers' advances for them are paid."""

    code = "advance-missing"

    def __init__(self, owed: tuple[Owed, ...]) -> None:
        named = "; ".join(
            f"for {', '.join(one.skus)}, {one.left.amount_text} {one.left.currency} of the advance "
            f"of {written(QUOTE, one.quote.number)} is not recorded"
            for one in owed
        )
        super().__init__(
            f"can't send this yet: {named}. Record the payment with the quote, or say in "
            "`without_advance` why the order goes out without it"
        )
        self.owed = owed


def advances_owed(desk: Desk, records: Records, order: KeptOrder) -> tuple[Owed, ...]:
    """Return what is left of the advances that are asked for parts of an order, by quote."""
    return tuple(_owed(desk.service.workshop.shop.quote.deposit, records, order))


def _owed(asked: Deposit, records: Records, order: KeptOrder) -> Iterator[Owed]:
    lines = placed_order(order).lines
    for allocation in records.allocations.of_order(order.number):
        quote = records.quotes.get(allocation.quote)
        if quote is None or quote.agreed is None or quote.state not in _AGREED:
            continue
        left = advance_left(records, quote)
        if left.minor <= 0:
            continue
        agreed = read_quote(revision_of(records, quote, quote.agreed).answer)
        used = {line.code for line in agreed.lines if line.kind == "consumable"}
        skus = tuple(
            lines[one.line - 1].sku
            for one in _LINES.decode(allocation.lines)
            if lines[one.line - 1].item not in used and _is_asked(asked, one)
        )
        if skus:
            yield Owed(quote, skus, left)


def _is_asked(asked: Deposit, line: AllottedLine) -> bool:
    """Return whether the shop asks for an advance for the parts of a line."""
    is_engine = any(cover.role == WHOLE_ENGINE for cover in line.covers)
    return bool(asked.whole_engine_percent if is_engine else asked.special_order_percent)


def advance_of(records: Records, quote: KeptQuote) -> Money:
    """Return the advance that the agreed revision of a quote asks for."""
    if quote.agreed is not None:
        balance = balance_of(read_quote(revision_of(records, quote, quote.agreed).answer).totals)
        if balance is not None:
            return balance.advance
    return Money(0, quote.net.currency)


def advance_left(records: Records, quote: KeptQuote) -> Money:
    """Return how much of that advance is not recorded as paid."""
    left = advance_of(records, quote) - paid_for(records, quote)
    return max(left, Money(0, left.currency))
