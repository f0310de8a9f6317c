"""Messages: a quote is sent to its customer by e-mail, and what became of each mail."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta
from typing import Annotated, Final

from msgspec import Meta, Struct

from kitwright.keeping.key import Scope
from kitwright.keeping.link import NONCE_BYTES
from kitwright.keeping.mail import NoAddress, check_address, queue_mail, sendable
from kitwright.keeping.record import KeptQuote, Mail, MailState, Revision
from kitwright.keeping.store import Records
from kitwright.quote import Count, Paper
from kitwright.web.calls.call import Call, Work
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk, Letter
from kitwright.web.calls.ids import MAIL, QUOTE, MailId, QuoteId, RevisionNumber, written
from kitwright.web.calls.links import make_link
from kitwright.web.calls.out import Out
from kitwright.web.calls.paper import paper_of
from kitwright.web.calls.quotes import changed_since, checked
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

_AGREED_DAYS: Final = 30
"""How long a link to what is agreed holds: nothing is decided by it any more."""
_NONCE_BYTES: Final = 16
"""Of a message id, on top of the link's."""

AddressIn = Annotated[
    str,
    Meta(
        min_length=6,
        max_length=254,
        pattern=r"^[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]+@[A-Za-z0-9.-]+(?!\n)$",
        description="One plain e-mail address.",
        examples=["a.customer@mail.example"],
        extra={"wanted": "one plain e-mail address"},
    ),
]
Note = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=4000,
        # without "$", which would match before a final line feed as well, and needs not to
        pattern=r"^[^\x00-\x09\x0b-\x1f\x7f]*$",
        description="Words for people, their lines parted by line feeds.",
        extra={"wanted": "text of 1 to 4000 characters; of the control characters only line feeds"},
    ),
]


class MessageIn(Wire, frozen=True, kw_only=True):
    """A mail to send: to which address, null: the customer's, and with which words of the shop's
    own.
    """

    to: AddressIn | None = None
    note: Note | None = None


class MessageOut(Out, frozen=True, kw_only=True):
    """A mail to a customer.

    `attempts` counts those that were begun; `next_at` is when the next is due, null where none is.
    `failure` says what went wrong last. `to` is null where the customer was erased.
    """

    id: MailId
    quote: QuoteId
    revision: RevisionNumber
    to: str | None
    state: MailState
    attempts: Count
    next_at: datetime | None
    failure: str | None
    made_at: datetime
    sent_at: datetime | None


class _Found(Struct, frozen=True):
    """What a letter is about, as it stands in one view of the records."""

    quote: KeptQuote
    revision: Revision
    paper: Paper


@operation(
    "POST /v1/quotes/{id}/messages",
    "sendQuote",
    "quotes",
    scope=Scope.QUOTE,
    is_once=True,
    is_guarded=True,
    status=202,
    problems=("act-refused",),
)
async def send(call: Call, body: MessageIn) -> Work[MessageOut]:
    """Send the quote to the customer by e-mail.

    Queues a mail with a link to the revision on offer, else to the one agreed. It is sent besides,
    and tried again for two days where it fails; the list of messages tells. Refused where the
    service knows no address at which the customer could follow the link. Answers to the mail go to
    the shop's own address.
    """
    desk, stamp = call.desk, call.stamp
    found = desk.store.read(lambda records: _found(records, call))
    to = check_address(_address(body, found.paper))
    letter = Letter(
        paper=found.paper,
        to=to,
        path=_path(desk, found, stamp.at),
        note=body.note,
        at=stamp.at,
        nonce=desk.draw(_NONCE_BYTES),
    )
    # off the event loop: a PDF goes with it
    composed = await asyncio.to_thread(desk.compose, letter)

    def work(records: Records) -> Reply[MessageOut]:
        now = _found(records, call)
        if now != found:
            # the letter tells of what was there before
            raise changed_since(now.quote)
        mail = queue_mail(
            records,
            stamp,
            now.quote,
            revision=now.revision.number,
            to=to,
            message_id=composed.message_id,
            body=composed.body,
        )
        return Reply(body=message_out(mail))

    return work


@operation("GET /v1/quotes/{id}/messages", "listMessages", "quotes")
def listed(records: Records, call: Call) -> Reply[ListOut[MessageOut]]:
    """What became of a quote's mails.

    Every mail of a quote, oldest first.
    """
    quote = call.record(QUOTE, records.quotes.get)
    found = records.mails.of_quote(quote.number)
    return Reply(body=ListOut(items=tuple(map(message_out, found))))


def _found(records: Records, call: Call) -> _Found:
    """Return what a call's letter is about. Raises: Refusal, NothingOffered."""
    quote = checked(records, call)
    revision = sendable(records, quote)
    return _Found(quote, revision, paper_of(records, quote, revision.number))


def _address(asked: MessageIn, paper: Paper) -> str:
    """Return the address to send to. Raises: NoAddress."""
    to = asked.to or paper.envelope.customer_email
    if to is None:
        raise NoAddress
    return to


def _path(desk: Desk, found: _Found, now: datetime) -> str:
    """Return the path of a new link to the revision of a letter."""
    revision = found.revision
    # to the end of the last valid day, wherever that is
    days = (revision.valid_until - desk.today(now)).days + 2
    if found.quote.offered is None:
        days = max(days, _AGREED_DAYS)
    expires_at = now + timedelta(days=days)
    return make_link(desk, found.quote, revision.number, expires_at, desk.draw(NONCE_BYTES)).path


def message_out(mail: Mail) -> MessageOut:
    """Return a mail without its body."""
    number, quote = written(MAIL, mail.number), written(QUOTE, mail.quote)
    return shaped(MessageOut, mail, id=number, quote=quote, to=mail.to or None)
