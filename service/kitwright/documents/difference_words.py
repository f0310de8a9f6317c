"""Difference words: how much more or less something makes the total."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.quote import Amount


def difference_told(difference: Amount, scribe: Scribe) -> str:
    """Return what something adds to a total: the amount, or what it saves; empty if the total stays
    the same.
    """
    if difference.money.minor < 0:
        return scribe.say("saves {amount}", amount=scribe.amount(-difference))
    return scribe.amount(difference) if difference.money.minor else ""
