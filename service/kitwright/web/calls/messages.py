"""Messages: calls that e-mail a quote to its customer, and list these e-mails."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from kitwright.documents.closing_view import Closing
from kitwright.keeping.link_rounds import round_of
from kitwright.keeping.mail import NoAddress, check_address, queue_mail, sendable
from kitwright.keeping.record import KeptQuote, Mail, Revision
from kitwright.keeping.store import Records
from kitwright.quote import Paper
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Letter
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import QUOTE
from kitwright.web.calls.link_closing import closing_of
from kitwright.web.calls.link_making import end_of_link, make_link
from kitwright.web.calls.quotes import changed_since
from kitwright.web.calls.shown import ListOut
from kitwright.web.calls.standing import paper_of
from kitwright.web.calls.waiting_period import with_wait
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

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
        # without "$", which would also match before a final line feed, and is not needed
        pattern=r"^[^\x00-\x09\x0b-\x1f\x7f]*$",
        description="A text for people, with lines separated by line feeds.",
        extra={"wanted": "text of 1 to 4000 characters; of the control characters only line feeds"},
    ),
]


class MessageIn(Wire, frozen=True, kw_only=True):
    """An e-mail to send: its address (null: the customer's) and the shop's own text."""

    to: AddressIn | None = None
    note: Note | None = None


_Found = tuple[KeptQuote, Revision, Paper, Closing | None, int]
"""The subject matter of an e-mail and the round of its link, in one consistent view."""


@operation(
    "POST /v1/quotes/{id}/messages",
    "sendQuote",
    "quotes",
    "act-refused",
    "too-busy",
    is_guarded=True,
    status=202,
)
async def send(call: Call, body: MessageIn) -> Work[Mail]:
    """E-mail the quote to the customer.

    Queues an e-mail with a link to the revision on offer, or else to the one agreed; once the visit
    is over, it tells the account instead. It is sent in the background, and retried for two days if
    it fails; the list of messages shows its state. The call is refused if the service has no public
    address for the link. Replies to the e-mail go to the shop's own address.
    """
    desk, stamp = call.desk, call.stamp
    found = desk.store.read(lambda records: _found(records, call))
    quote, revision, paper, closing, _ = found
    expires_at = end_of_link(desk, revision, stamp.at)
    path = desk.store.read(
        lambda records: make_link(records, desk, quote, revision, expires_at).path
    )
    to = body.to or paper.envelope.customer_email
    if to is None:
        raise NoAddress
    letter = Letter(
        paper=paper,
        closing=closing,
        to=check_address(to),
        path=path,
        note=body.note,
        at=stamp.at,
        nonce=desk.nonce(),
    )
    # off the event loop: a PDF goes with it
    composed = await desk.documents.run(desk.compose, letter)

    def work(records: Records) -> Reply[Mail]:
        now = _found(records, call)
        if now != found:
            # the e-mail describes the state before, or its link has been revoked
            raise changed_since(desk, now[0])
        mail = queue_mail(
            records,
            stamp,
            quote,
            revision=revision.number,
            to=letter.to,
            message_id=composed.message_id,
            body=composed.body,
        )
        return Reply(body=mail)

    return work


@operation("GET /v1/quotes/{id}/messages", "listMessages", "quotes")
def listed(records: Records, call: Call) -> Reply[ListOut[Mail]]:
    """List a quote's e-mails, oldest first, each with its state."""
    quote = call.record(QUOTE, records.quotes.get)
    found = records.mails.of_quote(quote.number)
    return Reply(body=ListOut(items=found))


def _found(records: Records, call: Call) -> _Found:
    """Return the subject matter of a call's e-mail. Raises: Refusal, NothingOffered."""
    quote = call.checked(QUOTE, records.quotes.get)
    revision = sendable(records, quote)
    paper = with_wait(
        paper_of(records, quote, revision.number, call.desk.overrun),
        call.desk.service.workshop.shop,
    )
    expires = int(end_of_link(call.desk, revision, call.stamp.at).timestamp())
    # an e-mail names invoices and leads to none of them by itself
    closing = closing_of(records, quote, revision, expires, "")
    return quote, revision, paper, closing, round_of(records, quote)
