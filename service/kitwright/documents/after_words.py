"""After words: what follows a yes and a no, and an offer that no longer stands."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.catalogue.model import Shop
from kitwright.documents.change_view import still_holds
from kitwright.documents.offer_view import owed_without
from kitwright.documents.shop_words import collect_told, storage_told
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote


def progress_told(visit: str, scribe: Scribe) -> Iterator[str]:
    """Yield how far agreed work is, by the state of the quote."""
    if visit == "ordered":
        yield scribe.say("The parts are ordered.")
    elif visit == "in_work":
        yield scribe.say("We are working on it.")


def owed_told(quote: Quote, scribe: Scribe) -> str:
    """Return what is owed after a no."""
    owed = owed_without(quote)
    if owed is None:
        return scribe.say("You owe nothing.")
    amount = scribe.amount(owed)
    return scribe.say("You owe {amount} for finding the fault, nothing else.", amount=amount)


def after_no(quote: Quote, envelope: Envelope, scribe: Scribe, shop: Shop) -> Iterator[str]:
    """Yield what is owed if there is no repair, and what becomes of the machine."""
    if envelope.holds is not None:
        yield still_holds(envelope.holds, scribe)
        return
    yield owed_told(quote, scribe)
    yield from collect_told(shop, scribe)
    yield from storage_told(shop, scribe)
