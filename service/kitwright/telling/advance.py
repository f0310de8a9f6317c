"""Advance: what documents say of advances, in words."""

from __future__ import annotations

from datetime import date

from kitwright.keeping.advancing import AdvanceWords
from kitwright.language.scribe import Scribe


def tell_advances(language: str, quote: str) -> AdvanceWords:
    """Return what is said of the advances on a quote. Raises: UnknownLanguage."""
    scribe = Scribe(language)

    def deducted(number: str, day: date) -> str:
        told = scribe.day(day)
        return scribe.say("Deducted: advance invoice {number} of {day}", number=number, day=told)

    return AdvanceWords(
        line=scribe.say("Payment in advance for quote {quote}", quote=quote),
        deducted=deducted,
        not_due=scribe.say("The advance is more than is due for the work."),
    )
