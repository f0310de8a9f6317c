"""Words: a text as the words that a search knows it by, the same for every engine."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable


def words_of(text: str) -> tuple[str, ...]:
    """Return the words of a text: runs of letters and digits, without case, accents and ligatures.

    >>> words_of("Müller & Söhne")
    ('muller', 'sohne')
    """
    # twice: folding case can leave new marks behind, as of a capital I with a dot
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).casefold())
    unmarked = (sign for sign in plain if not unicodedata.category(sign).startswith("M"))
    return tuple("".join(sign if sign.isalnum() else " " for sign in unmarked).split())


def sought(words: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Return the words of each text that is sought, each once, without those that have none."""
    return tuple(dict.fromkeys(parts for word in words if (parts := words_of(word))))
