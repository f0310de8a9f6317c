"""Frame: the parts that printed documents share: shop, title, machine, customer and reasons."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, time
from typing import Final

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.press import Sheet
from kitwright.documents.printable import UNKNOWN
from kitwright.documents.question_words import machines_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote, QuotingShop, Reason

_LETTER: Final = frozenset({"USD", "CAD", "MXN", "CLP", "COP", "PHP"})
"""Currencies of the countries whose offices print on Letter; elsewhere A4 (CLDR, paperSize)."""

_UNSAID: Final = frozenset({"fits-every-serial", "labour-of-job"})
"""Reasons that are left out because they go without saying."""


def moment_of(quote: Quote, envelope: Envelope) -> datetime:
    """Return the time of a revision: its issue, or the start of its day while it is a draft."""
    return envelope.issued_at or datetime.combine(quote.on, time(), UTC)


def frame(title: str, quote: Quote, envelope: Envelope, scribe: Scribe, contact: Contact) -> Sheet:
    """Return what is on every page of a document of a revision."""
    number = scribe.say(
        "{quote}, revision {number}", quote=envelope.quote_id, number=envelope.revision
    )
    return {
        **bare_frame(title, number, quote.shop, scribe, contact, moment_of(quote, envelope)),
        "state": _state(envelope.state, scribe),
    }


def bare_frame(
    title: str,
    number: str,
    shop: QuotingShop | Shop,
    scribe: Scribe,
    contact: Contact,
    at: datetime,
) -> Sheet:
    """Return what is on every page of a document with its own number, made at a time."""
    say = scribe.say
    made = at.astimezone(UTC)
    return {
        "title": say("{title} {number}", title=title, number=number),
        "heading": title,
        "number": number,
        "language": scribe.language,
        "paper": "us-letter" if shop.currency in _LETTER else "a4",
        "made": [made.year, made.month, made.day],
        "state": "",
        "shop": shop.name,
        "shop_lines": contact_lines(contact),
        # typst fills these in, page by page
        "page": say("Page {number} of {count}", number="{n}", count="{of}"),
        "unknown": say("{sign} stands for a character that can't be printed.", sign=UNKNOWN),
    }


def _state(state: str, scribe: Scribe) -> str:
    """Return the state of a revision in words; empty if it is issued and still open."""
    say = scribe.say
    return {
        "draft": say("Draft, not issued yet"),
        "accepted": say("Accepted"),
        "declined": say("Declined"),
        "expired": say("Expired"),
        "withdrawn": say("Withdrawn"),
        "superseded": say("Replaced by a later revision"),
    }.get(state, "")


def contact_lines(contact: Contact) -> list[str]:
    """Return the shop's address, telephone and e-mail address, line by line."""
    return text_lines("\n".join(contact.address)) + reach_lines(contact)


def reach_lines(contact: Contact) -> list[str]:
    """Return the shop's telephone and e-mail address, without those that are not known."""
    return [line for line in (contact.telephone, contact.email) if line]


def text_lines(text: str | None) -> list[str]:
    """Return the lines of a text, without empty ones."""
    return [line.strip() for line in (text or "").splitlines() if line.strip()]


def machine_rows(quote: Quote, envelope: Envelope, scribe: Scribe) -> list[tuple[str, str]]:
    """Return names and values that identify the machine and its engine."""
    engine, say = quote.engine, scribe.say
    priced, _ = machines_of(quote.chassis_question)
    unnamed = say("not known; priced as: {machine}", machine=priced)
    hours = envelope.machine_hours
    rows = [
        (say("Machine"), envelope.machine_name or ""),
        (
            say("Machine type"),
            engine.chassis_name or (unnamed if priced else say("loose engine")),
        ),
        (say("Engine"), f"{engine.name} ({engine.family})"),
        (say("Serial number"), say("not known") if engine.serial is None else str(engine.serial)),
        (say("Build code"), engine.build_code or ""),
        (say("Operating hours"), scribe.number(hours) if hours else ""),
    ]
    return [(name, value) for name, value in rows if value]


def customer_lines(envelope: Envelope) -> list[str]:
    """Return the customer's name, address and e-mail address, line by line."""
    name = [envelope.customer_name] if envelope.customer_name else []
    return [*name, *text_lines(envelope.customer_address), *text_lines(envelope.customer_email)]


def reasons(why: Iterable[Reason]) -> list[str]:
    """Return the sentences of reasons, each once and without the role that it is about.

    If a job replaces a part, reassembly would replace it as well; that reason is left out.
    """
    told = [reason for reason in why if reason.code not in _UNSAID]
    if any(reason.code == "replaced-by-job" for reason in told):
        told = [reason for reason in told if reason.code != "renewed-by-refit"]
    return list(dict.fromkeys(map(_without_role, told)))


def _without_role(why: Reason) -> str:
    _, mark, rest = why.text.partition(": ")
    if not mark or why.facts.get("role") is None:
        return why.text
    return rest[:1].upper() + rest[1:]
