"""Closing mail: the account of a finished or stopped visit as an e-mail to its customer."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.catalogue.model import Shop
from kitwright.documents.closing_view import Closing, ClosingView, closing_view
from kitwright.documents.mail_head import MOST_SUBJECT, cut, note_lines, one_line
from kitwright.documents.mail_link import Message, Paragraph, Told, fitting_link, with_link
from kitwright.language.scribe import Scribe
from kitwright.quote import Paper


def compose_closing(paper: Paper, closing: Closing, shop: Shop, message: Message) -> bytes:
    """Return an e-mail with its headers; the same arguments give the same bytes.

    Raises: AddressInvalid, TextInvalid.
    """
    quote, envelope = paper.quote, paper.envelope
    scribe = Scribe(quote.language)
    say, name = scribe.say, one_line("the shop's name", quote.shop.name)
    view, link = closing_view(quote, closing, scribe, shop), fitting_link(message.link)
    machine = envelope.machine_name or quote.engine.chassis_name or quote.engine.name
    facts = {"quote": envelope.quote_id, "machine": one_line("the machine's name", machine)}
    customer = one_line("the customer's name", envelope.customer_name or "")
    paragraphs: list[Paragraph] = [
        (say("Dear {name},", name=customer) if customer else say("Hello,"),),
        (
            say("Here is the final account for your machine, {machine} (quote {quote}).", **facts),
            view.heading,
        ),
        tuple(_account(view)),
        *((lines,) for lines in (*view.told, *view.mind)),
        *([view.collect] if view.collect else []),
        *([(view.guarantee,)] if view.guarantee else []),
        *([note_lines(message.note)] if message.note is not None else []),
        (say("You can read it line by line, and every invoice, here:"), link),
        (say("If you have any questions, please reply to this message."),),
        (say("Kind regards,"), name),
    ]
    told = Told(
        subject=cut(
            say("Final account of quote {quote} from {shop}", quote=envelope.quote_id, shop=name),
            MOST_SUBJECT,
        ),
        language=quote.language,
        paragraphs=tuple(paragraphs),
        link=link,
        button=say("Read the final account"),
        file_name=say("Final-account-{quote}.pdf", quote=envelope.quote_id),
    )
    return with_link(message, quote.shop.name, told)


def _account(view: ClosingView) -> Iterator[str]:
    for fact in view.stake:
        yield f"- {fact.label}: {one_line('the account', fact.whole)}"
