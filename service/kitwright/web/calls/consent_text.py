"""Consent text: what a customer says yes to, in words."""

from __future__ import annotations

from datetime import date

from kitwright.keeping import life
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote, read_quote
from kitwright.web.calls.ids import QUOTE, written


def consent_text(records: Records, quote: KeptQuote, number: int) -> str:
    """Return what a customer says yes to, in words of the revision's language.

    Raises: NoSuchRevision.
    """
    revision = life.revision_of(records, quote, number)
    return words_of_yes(
        read_quote(revision.answer), written(QUOTE, quote.number), number, revision.valid_until
    )


def words_of_yes(said: Quote, quote: str, number: int, valid_until: date) -> str:
    """Return what a yes to a revision says, in the revision's language."""
    scribe = Scribe(said.language)
    due = said.totals.gross or said.totals.lines
    facts = {
        "quote": quote,
        "revision": number,
        "amount": scribe.money(due.amount, due.currency),
        "day": scribe.day(valid_until),
        "work": "; ".join(scribe.on_cylinder(job.name, job.cylinder) for job in said.jobs),
    }
    if said.totals.gross is None:
        return scribe.say(
            "I accept quote {quote}, revision {revision}: {amount}, the tax not known yet, valid "
            "until {day}. Work: {work}.",
            **facts,
        )
    return scribe.say(
        "I accept quote {quote}, revision {revision}: {amount} with tax, valid until {day}. "
        "Work: {work}.",
        **facts,
    )
