"""Consent text: the text by which a customer accepts a revision."""

from __future__ import annotations

from datetime import date

from kitwright.documents.balance_view import total_told
from kitwright.keeping import life
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote, read_quote
from kitwright.web.calls.ids import QUOTE, written


def consent_text(records: Records, quote: KeptQuote, number: int) -> str:
    """Return the text by which a customer accepts a revision, in the revision's language.

    Raises: NoSuchRevision.
    """
    revision = life.revision_of(records, quote, number)
    return words_of_yes(
        read_quote(revision.answer), written(QUOTE, quote.number), number, revision.valid_until
    )


def words_of_yes(said: Quote, quote: str, number: int, valid_until: date) -> str:
    """Return the text of an acceptance, in the revision's language."""
    scribe = Scribe(said.language)
    facts = {
        "quote": quote,
        "revision": number,
        "total": total_told(said, scribe),
        "day": scribe.day(valid_until),
        "work": "; ".join(scribe.on_cylinder(job.name, job.cylinder) for job in said.jobs),
    }
    if said.totals.gross is None:
        return scribe.say(
            "I accept quote {quote}, revision {revision}, for {total} (valid until {day}). The "
            "tax is not known yet. Work: {work}.",
            **facts,
        )
    return scribe.say(
        "I accept quote {quote}, revision {revision}, for {total} (valid until {day}). "
        "Work: {work}.",
        **facts,
    )
