"""Frame: the content that every printed document has: its shop, number, dates and labels."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, time
from typing import Final

from kitwright.documents.contact import Contact
from kitwright.documents.printable import UNKNOWN
from kitwright.documents.quote_view import machines_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote, Reason

Sheet = dict[str, object]
"""The data for a template: texts, numbers, and lists of them."""

_LETTER: Final = frozenset({"USD", "CAD", "MXN", "CLP", "COP", "PHP"})
"""Currencies of the countries whose offices print on Letter; elsewhere A4 (CLDR, paperSize)."""

_UNSAID: Final = frozenset({"fits-every-serial", "labour-of-job"})
"""Reasons that are left out because they are obvious."""


def moment_of(quote: Quote, envelope: Envelope) -> datetime:
    """Return the time of a revision: its issue, or the start of its day (UTC) if it is not
    issued.
    """
    return envelope.issued_at or datetime.combine(quote.on, time(), UTC)


def frame(title: str, quote: Quote, envelope: Envelope, scribe: Scribe, contact: Contact) -> Sheet:
    """Return the content of every page of a revision's document, with its shop and the revision."""
    number = scribe.say(
        "{quote}, revision {number}", quote=envelope.quote_id, number=envelope.revision
    )
    return {
        **bare_frame(title, number, quote, scribe, contact, moment_of(quote, envelope)),
        "state": _state(envelope.state, scribe),
    }


def bare_frame(
    title: str, number: str, quote: Quote, scribe: Scribe, contact: Contact, at: datetime
) -> Sheet:
    """Return the content of every page of a shop's document that has a number of its own."""
    say = scribe.say
    made = at.astimezone(UTC)
    return {
        "title": say("{title} {number}", title=title, number=number),
        "heading": title,
        "number": number,
        "language": scribe.language,
        "paper": "us-letter" if quote.shop.currency in _LETTER else "a4",
        "made": [made.year, made.month, made.day],
        "day": scribe.day(quote.on),
        "state": "",
        "shop": quote.shop.name,
        "shop_lines": contact_lines(contact),
        # typst fills these in on each page
        "page": say("Page {number} of {count}", number="{n}", count="{of}"),
        "unknown": say("{sign} stands for a character that can't be printed.", sign=UNKNOWN),
    }


def _state(state: str, scribe: Scribe) -> str:
    """Return the state of a revision in words; empty if it is issued."""
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
    """Return the shop's address and contact details, line by line."""
    return [
        *text_lines(contact.address),
        *(line for line in (contact.telephone, contact.email) if line),
    ]


def text_lines(text: str | None) -> list[str]:
    """Return the lines of a text, without empty ones."""
    return [line.strip() for line in (text or "").splitlines() if line.strip()]


def machine_rows(quote: Quote, envelope: Envelope, scribe: Scribe) -> list[list[str]]:
    """Return names and values that describe the machine."""
    engine, say = quote.engine, scribe.say
    taken_for, _ = machines_of(quote.chassis_question)
    unnamed = say("not known; priced as: {machine}", machine=taken_for)
    chassis = engine.chassis_name or (unnamed if taken_for else say("loose engine"))
    rows = [
        (say("Machine"), envelope.machine_name or ""),
        (say("Machine type"), chassis),
        (say("Engine"), f"{engine.name} ({engine.family})"),
        (say("Serial number"), say("not known") if engine.serial is None else str(engine.serial)),
        (say("Build code"), engine.build_code or ""),
        (
            say("Operating hours"),
            scribe.number(envelope.machine_hours) if envelope.machine_hours else "",
        ),
    ]
    return [[name, value] for name, value in rows if value]


def customer_lines(envelope: Envelope) -> list[str]:
    """Return the customer's name and address as lines."""
    name = [envelope.customer_name] if envelope.customer_name else []
    return [*name, *text_lines(envelope.customer_address), *text_lines(envelope.customer_email)]


def reasons(why: Iterable[Reason]) -> list[str]:
    """Return the sentences of some reasons, each once and without the role that it is about.

    If a job replaces something, the reason that a refit would replace it too is left out.
    """
    told = [one for one in why if one.code not in _UNSAID]
    if any(one.code == "replaced-by-job" for one in told):
        told = [one for one in told if one.code != "renewed-by-refit"]
    return list(dict.fromkeys(_bare(one) for one in told))


def _bare(why: Reason) -> str:
    """Return a sentence without the role at its start, if it has one."""
    _, mark, rest = why.text.partition(": ")
    if not mark or why.facts.get("role") is None:
        return why.text
    return rest[:1].upper() + rest[1:]
