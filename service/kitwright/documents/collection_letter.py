"""Collection letter: tells a customer on paper that a machine waits to be collected."""

from __future__ import annotations

from datetime import datetime

from msgspec import Struct

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.frame import bare_frame, customer_lines
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.waiting_words import waiting_told
from kitwright.keeping.waiting import Waiting
from kitwright.language.scribe import Scribe
from kitwright.quote import Paper


class CollectionLetter(Struct, frozen=True, kw_only=True):
    """A machine that waits, with the revision of its quote, and the time of the letter."""

    paper: Paper
    waiting: Waiting
    at: datetime


def collection_letter_pdf(letter: CollectionLetter, shop: Shop) -> bytes:
    """Return the letter as PDF/UA-1, in the language of the quote."""
    quote, envelope = letter.paper.quote, letter.paper.envelope
    scribe = Scribe(quote.language)
    title, contact = scribe.say("Your machine"), shop.contact or Contact()
    machine = envelope.machine_name or quote.engine.chassis_name or quote.engine.name
    sheet: Sheet = {
        **bare_frame(title, envelope.quote_id, shop, scribe, contact, letter.at),
        "said": said("collection_letter.typ", scribe),
        "customer": customer_lines(envelope),
        "machine": [[scribe.say("Machine"), machine]],
        "sentences": list(
            waiting_told(letter.waiting, scribe, includes_tax=quote.shop.prices_include_tax)
        ),
    }
    return press().print("collection_letter.typ", sheet, at=letter.at)
