"""Slips: calls that tell a customer that parts of a repair come later than planned."""

from __future__ import annotations

import math
from datetime import date
from typing import Annotated

from msgspec import Meta, field, structs

from kitwright.catalogue.model import ItemId, SupplierId
from kitwright.documents.slip_mail import SlipNews, slip_subject, slip_text
from kitwright.keeping.mail import NoAddress, check_address
from kitwright.keeping.order_progress import held_by
from kitwright.keeping.record import KeptQuote, Mail, Stamp
from kitwright.keeping.slip import NothingSlipped, Slip, note_told, slip_of
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.quote import Paper
from kitwright.stages.ordering import Lacking, next_offer
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk, SlipLetter
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE, OrderId, QuoteId, written
from kitwright.web.calls.letters import queue_letter
from kitwright.web.calls.messages import AddressIn, Note
from kitwright.web.calls.order_shown import terms_of
from kitwright.web.calls.order_slips import complete_on, late_orders, needed_by_of
from kitwright.web.calls.shown import Out
from kitwright.web.calls.standing import paper_of
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire


class SlipIn(Wire, frozen=True, kw_only=True):
    """The letter to send: its address (null: the customer's), the shop's own text, and whether the
    customer may choose to have the parts sooner from another source (`may_choose`), at the same
    price.
    """

    to: AddressIn | None = None
    note: Note | None = None
    may_choose: bool = False


class SlipQuery(Wire, frozen=True, kw_only=True):
    """How the letter is drafted."""

    may_choose: Annotated[
        bool, Meta(description="Whether the customer may choose another source.")
    ] = False


class QuoteSlipOut(Out, frozen=True, kw_only=True):
    """What the customer was not told yet. All parts were to be there by `was` and should now be by
    `complete_on`; null for a day that is not known. `sooner` is the day by which other offers would
    bring them, null if none is sooner. `orders` are late. `subject` and `text` are the letter as it
    would be sent, in the quote's language.
    """

    quote: QuoteId
    was: date | None
    complete_on: date | None
    needed_by: date | None
    is_late: bool = field(name="late")
    sooner: date | None
    orders: tuple[OrderId, ...]
    subject: str
    text: str


@operation("GET /v1/quotes/{id}/slip", "getSlip", "quotes", "act-refused")
def get(records: Records, call: Call, query: SlipQuery) -> Reply[QuoteSlipOut]:
    """Get what the customer was not told yet of parts that come later, with the letter's draft.

    Refused (`nothing-slipped`) if there is nothing to tell.
    """
    desk = call.desk
    quote = call.record(QUOTE, records.quotes.get)
    slip, paper = _found(records, quote)
    sooner = sooner_of(desk, records, call.stamp, quote, slip)
    news = _news(slip, sooner if query.may_choose else None)
    scribe = Scribe(paper.quote.language)
    needed_by = needed_by_of(records, quote)
    return Reply(
        body=QuoteSlipOut(
            quote=written(QUOTE, quote.number),
            was=slip.was,
            complete_on=slip.now,
            needed_by=needed_by,
            is_late=needed_by is not None and (slip.now is None or slip.now > needed_by),
            sooner=sooner,
            orders=slip.orders,
            subject=slip_subject(paper, scribe),
            text=slip_text(paper, scribe, news, None),
        )
    )


@operation(
    "POST /v1/quotes/{id}/slip",
    "tellSlip",
    "quotes",
    "act-refused",
    is_guarded=True,
    may_be_empty=True,
    status=202,
)
def tell(records: Records, call: Call, body: SlipIn) -> Reply[Mail]:
    """Tell the customer that parts come later.

    Queues an e-mail with the old day and the new one, and with `may_choose` the day by which the
    parts could come from another source. It is sent in the background, and retried for two days if
    it fails; the quote's messages show its state. Of one slip, the customer is told once: a second
    call is refused (`nothing-slipped`) until something slips again. A shop whose `purchasing` says
    `tells_slips` has this done at once when a supplier's answer or a new order moves a day. The
    agreed price never changes by it.
    """
    quote = call.checked(QUOTE, records.quotes.get)
    slip, paper = _found(records, quote)
    sooner = sooner_of(call.desk, records, call.stamp, quote, slip) if body.may_choose else None
    to = body.to or paper.envelope.customer_email
    if to is None:
        raise NoAddress
    letter = _letter(call.desk, call.stamp, paper, _news(slip, sooner), to, body.note)
    return Reply(body=_queued(call.desk, records, call.stamp, quote, slip, letter))


def tell_at_once(desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote) -> None:
    """Tell the customer of a quote of a slip, if there is something to tell and an address."""
    try:
        slip, paper = _found(records, quote)
    except NothingSlipped:
        return
    to = paper.envelope.customer_email
    if to is not None:
        letter = _letter(desk, stamp, paper, _news(slip, None), to, None)
        _queued(desk, records, stamp, quote, slip, letter)


def sooner_of(
    desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote, slip: Slip
) -> date | None:
    """Return the day by which all parts could be there, if those that come later came from the next
    best offers; None if that is no sooner.
    """
    workshop, days = desk.service.workshop, desk.order_days(stamp.at)
    ready = []
    for line, holder in held_by(records, quote.number):
        if not holder.due:
            continue
        promised = line.promised
        if promised is None or slip.was is None or promised > slip.was:
            lacking = Lacking(
                item=ItemId(line.placed.item),
                pieces=math.ceil(holder.due) * line.placed.pack_size,
                quality=terms_of(desk, line).quality,
                supplier=SupplierId(line.supplier),
                sku=line.placed.sku,
                promised=promised,
            )
            order = next_offer(workshop.catalogue, workshop.shop, workshop.supply, lacking, days)
            promised = promised if order is None else order.promised
        if promised is None:
            return None
        ready.append(promised)
    sooner = max(ready, default=None)
    return sooner if sooner is not None and (slip.now is None or sooner < slip.now) else None


def _found(records: Records, quote: KeptQuote) -> tuple[Slip, Paper]:
    """Return what the customer was not told, and the agreed quote. Raises: NothingSlipped."""
    if quote.agreed is None:
        raise NothingSlipped(is_told=False)
    slip = slip_of(records, quote, complete_on(records, quote.number))
    # a part may come by another order by now
    slip = structs.replace(slip, orders=late_orders(records, quote.number, slip))
    return slip, paper_of(records, quote, quote.agreed)


def _news(slip: Slip, sooner: date | None) -> SlipNews:
    return SlipNews(was=slip.was, now=slip.now, sooner=sooner)


def _letter(
    desk: Desk, stamp: Stamp, paper: Paper, news: SlipNews, to: str, note: str | None
) -> SlipLetter:
    return SlipLetter(
        paper=paper,
        news=news,
        to=check_address(to),
        note=note,
        at=stamp.at,
        nonce=desk.nonce(),
    )


def _queued(
    desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote, slip: Slip, letter: SlipLetter
) -> Mail:
    mail = queue_letter(desk, records, stamp, quote, quote.agreed or 0, letter)
    note_told(records, stamp, quote, slip, mail.number)
    return mail
