"""Mailing: the writer of e-mails to customers, and the store's queue for the mail pump."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime
from typing import Any

from msgspec import Struct

from kitwright.documents.closing_mail import compose_closing
from kitwright.documents.email import compose
from kitwright.documents.mail_head import Head
from kitwright.documents.mail_link import Message
from kitwright.documents.order_mail import OrderMessage, compose_order
from kitwright.documents.papers import ShopPapers
from kitwright.documents.slip_mail import compose_slip
from kitwright.documents.withdrawal_mail import compose_withdrawal
from kitwright.keeping import mail as mails
from kitwright.keeping.record import Mail, Stamp
from kitwright.keeping.store import Records, Store
from kitwright.language.scribe import Scribe
from kitwright.outbound.mail import Fate, MailOutcome, Outgoing
from kitwright.web.calls.desk import (
    AnyLetter,
    Composed,
    Letter,
    OrderLetter,
    SlipLetter,
    WithdrawalLetter,
)


class LetterWriter(Struct):
    """Writes e-mails to customers and suppliers.

    Args:
        sender: the address that e-mails come from.
        public_url: the start of every link, before its path; None if it is not set.
        local_links: whether links may lead to an address that customers can't reach, for trials.
        reply_to: the address that replies go to, None for the sender's.
        papers: makes the PDF that goes with a letter to a customer.
    """

    sender: str
    public_url: str | None
    papers: ShopPapers
    local_links: bool = False
    reply_to: str | None = None

    def write(self, letter: AnyLetter) -> Composed:
        """Return an e-mail composed from a letter's data.

        Raises: NoPublicAddress, AddressInvalid, TextInvalid, UnknownLanguage.
        """
        match letter:
            case OrderLetter():
                return self._order(letter)
            case SlipLetter():
                return self._slip(letter)
            case WithdrawalLetter():
                return self._withdrawal(letter)
            case _:
                return self._quote(letter)

    def _head(self, letter: AnyLetter, *named: object) -> dict[str, Any]:
        """Return the members of a head; an e-mail's id is made of what it is about."""
        domain = self.sender.rpartition("@")[2]
        about = ".".join(map(str, (*named, letter.nonce.hex())))
        return {
            "sender": self.sender,
            "to": letter.to,
            "message_id": f"<{about}@{domain}>",
            "at": letter.at,
            "reply_to": self.reply_to,
            "note": letter.note,
        }

    def _slip(self, letter: SlipLetter) -> Composed:
        paper = letter.paper
        head = Head(**self._head(letter, paper.envelope.quote_id, "slip"))
        body = compose_slip(paper, Scribe(paper.quote.language), letter.news, head)
        return Composed(message_id=head.message_id, body=body)

    def _withdrawal(self, letter: WithdrawalLetter) -> Composed:
        head = Head(**self._head(letter, letter.paper.envelope.quote_id, "withdrawal"))
        body = compose_withdrawal(letter.paper, self.papers.shop, head)
        return Composed(message_id=head.message_id, body=body)

    def _order(self, letter: OrderLetter) -> Composed:
        message = OrderMessage(**self._head(letter, letter.made.id), files=letter.files)
        body = compose_order(letter.made, letter.shop, Scribe(letter.language), message)
        return Composed(message_id=message.message_id, body=body)

    def _quote(self, letter: Letter) -> Composed:
        url = self.public_url
        if url is None or not self.local_links:
            url = mails.check_public(url)
        paper = letter.paper
        quote, envelope = paper.quote, paper.envelope
        message = Message(
            **self._head(letter, envelope.quote_id, envelope.revision),
            link=url.rstrip("/") + letter.path,
            pdf=self.papers.customer_pdf(paper, letter.closing),
        )
        if letter.closing is None:
            body = compose(quote, envelope, Scribe(quote.language), message)
        else:
            body = compose_closing(paper, letter.closing, self.papers.shop, message)
        return Composed(message_id=message.message_id, body=body)


class StoredMails(Struct, frozen=True):
    """The e-mails of a store; implements `kitwright.outbound.mail_pump.MailOutbox`.

    Args:
        store: where the e-mails are stored.
        stamp: returns by whom and when an outcome is recorded.
        told: called when an event may be waiting to be posted.
        luck: returns a random number from 0 to below 1, which spreads retries.
    """

    store: Store
    stamp: Callable[[], Stamp]
    told: Callable[[], None] = lambda: None
    luck: Callable[[], float] = random.random

    def due(self, now: datetime) -> int | None:
        """Return the number of the e-mail that has been due the longest, None if none is due or all
        are held.
        """
        found = self.store.read(
            lambda records: () if _is_held(records) else records.mails.due(now, 1)
        )
        return found[0].number if found else None

    def soonest(self) -> datetime | None:
        """Return when the next e-mail is due, None if none is waiting or all are held."""
        return self.store.read(
            lambda records: None if _is_held(records) else records.mails.soonest()
        )

    async def begin(self, number: int, now: datetime) -> Outgoing | None:
        """Record the start of an e-mail's next attempt, and return the e-mail."""
        begun = await self.store.write(lambda records: mails.begin_attempt(records, number, now))
        return None if begun is None else _outgoing(begun)

    async def settle(self, mail: Outgoing, outcome: MailOutcome) -> None:
        """Record the outcome of an attempt."""
        stamp, luck = self.stamp(), self.luck()

        def settle(records: Records) -> None:
            if outcome.fate is Fate.sent:
                mails.settle_sent(records, stamp, mail.number)
                return
            failure, next_at = outcome.detail, None
            if outcome.fate is Fate.again:
                next_at = mails.retry_at(mail.attempt, stamp.at, luck)
                failure = mails.last_attempt(failure) if next_at is None else failure
            mails.settle_failed(records, stamp, mail.number, failure, next_at)

        await self.store.write(settle)
        self.told()


def _is_held(records: Records) -> bool:
    return records.generations.current().is_held


def _outgoing(mail: Mail) -> Outgoing:
    return Outgoing(
        number=mail.number,
        message_id=mail.message_id,
        to=mail.to,
        body=mail.body,
        attempt=mail.attempts,
    )
