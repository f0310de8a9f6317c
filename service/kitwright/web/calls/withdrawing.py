"""Withdrawing: a customer's withdrawal is recorded and, where an address is known, acknowledged."""

from __future__ import annotations

from datetime import date
from typing import Final

from kitwright.keeping import distance
from kitwright.keeping.mail import check_address, queue_mail
from kitwright.keeping.record import KeptQuote, Means, Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk, WithdrawalLetter
from kitwright.web.calls.standing import paper_of

_NONCE_BYTES: Final = 16


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
            paper=paper, to=check_address(to), at=stamp.at, nonce=desk.draw(_NONCE_BYTES)
        )
        composed = desk.compose(letter)
        queue_mail(
            records,
            stamp,
            left,
            revision=number,
            to=letter.to,
            message_id=composed.message_id,
            body=composed.body,
        )
    return left
