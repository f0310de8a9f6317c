"""Facts: finds what an event must not tell, text that somebody wrote."""

import re

from kitwright.keeping.key import Scope
from kitwright.keeping.record import Event

_CODES = re.compile(r"[A-Za-z0-9_.:+-]*(, [A-Za-z0-9_.:+-]+)*")
"""A code, an id, an amount, a day, or several of them."""


def told_words(event: Event) -> dict[str, str]:
    """Return the facts of an event that are more than codes, numbers, ids and days, by name."""
    texts = {name: fact for name, fact in event.facts.items() if isinstance(fact, str)}
    if event.kind == "key.created" and set(texts.get("scopes", "").split()) <= set(Scope):
        texts.pop("scopes", None)
    return {name: text for name, text in texts.items() if not _CODES.fullmatch(text)}
