"""Letters: puts an e-mail that needs no file into the queue, within the change that it tells of."""

from __future__ import annotations

from kitwright.keeping.mail import queue_mail
from kitwright.keeping.record import KeptQuote, Mail, Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk, SlipLetter, WithdrawalLetter


def queue_letter(
    desk: Desk,
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    revision: int,
    letter: SlipLetter | WithdrawalLetter,
) -> Mail:
    """Return the e-mail of a letter about a revision, due at once.

    Raises: AddressInvalid, TextInvalid.
    """
    composed = desk.compose(letter)
    return queue_mail(
        records,
        stamp,
        quote,
        revision=revision,
        to=letter.to,
        message_id=composed.message_id,
        body=composed.body,
    )
