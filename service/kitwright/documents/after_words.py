"""After words: what follows a yes and a no, and an offer that no longer stands."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.catalogue.model import Shop
from kitwright.documents.balance_view import has_withdrawn, total_of, with_tax_told
from kitwright.documents.change_view import still_holds
from kitwright.documents.offer_view import is_unsettled, owed_without
from kitwright.documents.shop_words import collect_told, storage_told
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote


def progress_told(visit: str, scribe: Scribe) -> Iterator[str]:
    """Yield how far agreed work is, by the state of the quote; or `asking` if a change of it is on
    offer, and `ordering` if an order is still to be sent.
    """
    if visit == "asking":
        yield scribe.say(
            "We have found something and need your answer: please read the newer revision."
        )
    elif visit == "ordering":
        yield scribe.say("We are ordering the parts.")
    elif visit == "ordered":
        yield scribe.say("The parts are ordered.")
    elif visit == "in_work":
        yield scribe.say("We are working on it.")


def owed_told(quote: Quote, scribe: Scribe) -> str:
    """Return what is owed after a no."""
    owed = owed_without(quote)
    if owed is None:
        return scribe.say("You owe nothing.")
    amount = scribe.amount(owed)
    if is_unsettled(quote):
        return scribe.say(
            "You owe {amount} for finding the fault, or nothing if our warranty covers the cause.",
            amount=amount,
        )
    return scribe.say("You owe {amount} for finding the fault, nothing else.", amount=amount)


def paid_back_told(envelope: Envelope, scribe: Scribe) -> Iterator[str]:
    """Yield what becomes of what was paid before the customer declined or withdrew."""
    if envelope.paid is not None:
        yield scribe.say(
            "You have paid {paid}: we pay back what is more than you owe.",
            paid=scribe.amount(envelope.paid),
        )


def settled_told(quote: Quote, envelope: Envelope, scribe: Scribe) -> str:
    """Return what is owed by a customer who declined, or who withdrew from the contract."""
    if has_withdrawn(envelope) and envelope.state == "accepted":
        most = with_tax_told(quote, scribe, scribe.amount(total_of(quote.totals)))
        return scribe.say(
            "You owe only the part of the price for what we did until then, at most {most}. We "
            "reckon it and tell you. If you paid more, we pay the rest back.",
            most=most,
        )
    if envelope.holds is not None:
        return still_holds(envelope.holds, scribe)
    return " ".join((owed_told(quote, scribe), *paid_back_told(envelope, scribe)))


def after_withdrawal(quote: Quote, envelope: Envelope, scribe: Scribe, shop: Shop) -> Iterator[str]:
    """Yield what follows a withdrawal from work that had begun: that it stops, what is owed, and
    where the machine is.
    """
    yield scribe.say("The work is stopped: we do nothing more to your machine.")
    yield settled_told(quote, envelope, scribe)
    yield scribe.say("Your machine is here. We ask you how you want it back before you collect it.")
    yield from collect_told(shop, scribe)
    yield from storage_told(shop, scribe)


def after_no(quote: Quote, envelope: Envelope, scribe: Scribe, shop: Shop) -> Iterator[str]:
    """Yield what is owed if there is no repair, and what becomes of the machine."""
    if envelope.holds is not None:
        yield still_holds(envelope.holds, scribe)
        return
    yield owed_told(quote, scribe)
    yield from paid_back_told(envelope, scribe)
    yield from collect_told(shop, scribe)
    yield from storage_told(shop, scribe)
