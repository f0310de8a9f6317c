"""Withdrawing: a customer's withdrawal is recorded and, where an address is known, acknowledged."""

from __future__ import annotations

from datetime import date

from kitwright.keeping import distance
from kitwright.keeping.mail import check_address
from kitwright.keeping.record import KeptQuote, Means, Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk, WithdrawalLetter
from kitwright.web.calls.letters import queue_letter
from kitwright.web.calls.standing import paper_of


def withdraw(
    desk: Desk,
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    *,
    who: str,
    means: Means,
    day: date | None = None,
) -> KeptQuote:
    """Return a quote whose customer has withdrawn, as `distance.withdraw` does, and queue its
    receipt. Withdrawing again sends no other.
    """
    left = distance.withdraw(records, stamp, quote, who=who, means=means, day=day)
    if left.version == quote.version:
        return left
    number = quote.agreed or quote.shown
    paper = paper_of(records, left, number, desk.overrun)
    to = paper.envelope.customer_email
    if to is not None:
        letter = WithdrawalLetter(
            paper=paper, to=check_address(to), at=stamp.at, nonce=desk.nonce()
        )
        queue_letter(desk, records, stamp, left, number, letter)
    return left
