"""Withdrawal words: the notice, the form and the wish of contracts that are made from afar.

The notice and the form tell the facts of annex I of Directive 2011/83/EU in words of ours.
"""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from kitwright.catalogue.model import Contact
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, QuotingShop, RightToWithdraw

PAY_BACK_DAYS = 14
"""Within how many days what was paid is paid back (article 13)."""


class WithdrawalTold(Struct, frozen=True, kw_only=True):
    """The right to withdraw in words: the `notice` in paragraphs, the rows of the `form`, and the
    `wish` to begin early.
    """

    heading: str
    short: str
    notice: tuple[str, ...]
    form_heading: str
    form: tuple[str, ...]
    wish: str


def withdrawal_told(
    envelope: Envelope, shop: QuotingShop, contact: Contact, scribe: Scribe
) -> WithdrawalTold | None:
    """Return the right to withdraw in words, None if the customer has none."""
    right = envelope.withdrawal
    if right is None:
        return None
    say = scribe.say
    return WithdrawalTold(
        heading=say("Right to withdraw"),
        short=_short(right, scribe),
        notice=tuple(_notice(right, shop, contact, scribe)),
        form_heading=say("Form to withdraw"),
        form=tuple(_form(envelope, shop, contact, scribe)),
        wish=wish_told(scribe),
    )


def wish_told(scribe: Scribe) -> str:
    """Return the wish that the work begins before the customer can no longer withdraw."""
    return scribe.say(
        "Start at once. If I withdraw, I pay for work done; once finished, I cannot withdraw."
    )


def words_of_right(days: int, scribe: Scribe, *, starts_early: bool) -> str:
    """Return what the text of an acceptance says of the right to withdraw."""
    told = scribe.say("I have read that I can withdraw for {days} days.", days=days)
    return f"{told} {wish_told(scribe)}" if starts_early else told


def _short(right: RightToWithdraw, scribe: Scribe) -> str:
    if right.until is None:
        return scribe.say("Withdrawal: {days} days", days=right.days)
    told = scribe.say("You can withdraw until {day}.", day=scribe.day(right.until))
    if right.starts_early:
        return f"{told} {scribe.say('You asked us to start before that.')}"
    return told


def _reached(shop: QuotingShop, contact: Contact) -> str:
    parts = (shop.name, *contact.address, contact.telephone, contact.email)
    return ", ".join(part for part in parts if part)


def _notice(
    right: RightToWithdraw, shop: QuotingShop, contact: Contact, scribe: Scribe
) -> Iterator[str]:
    say = scribe.say
    yield say(
        "You can withdraw from this contract within {days} days without giving a reason. The "
        "{days} days begin with the day after the contract is made, that is, after your yes by the "
        "link.",
        days=right.days,
    )
    yield say(
        "To withdraw, tell us so clearly, for example by letter, by e-mail, or with the button on "
        "the page of your link: {shop}. You may use the form below, but you don't have to. You are "
        "in time if you send it before the period ends.",
        shop=_reached(shop, contact),
    )
    yield say(
        "If you withdraw, we pay back all that you paid us for this contract, at once and within "
        "{days} days of hearing from you at the latest, in the way in which you paid, and without "
        "any charge.",
        days=PAY_BACK_DAYS,
    )
    yield say(
        "If you asked us to begin before the period ends, you pay the part of the price that "
        "belongs to what we did until you told us. Once the work is completely done, the right to "
        "withdraw ends, if you asked for the early start and knew that."
    )


def _form(envelope: Envelope, shop: QuotingShop, contact: Contact, scribe: Scribe) -> Iterator[str]:
    say = scribe.say
    yield say("To: {shop}", shop=_reached(shop, contact))
    yield say(
        "I withdraw from the contract on the repair of quote {quote}, revision {revision}.",
        quote=envelope.quote_id,
        revision=envelope.revision,
    )
    yield say("Ordered on:")
    yield say("Name and address:")
    yield say("Date, and signature if on paper:")
