"""Search: finds entries of a book by a number however it is typed, or by words."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from typing import Final, get_args

from kitwright.prices.book import Book
from kitwright.prices.books import How
from kitwright.prices.number import number_key
from kitwright.prices.record import Entry

_SHORTEST_START: Final = 3
"""Letters of a number from which numbers that only begin so are found."""
_MOST_WORDS: Final = 8
_LONGEST: Final = 200

HOW: Final[tuple[How, ...]] = get_args(How)


def find_in(book: Book, text: str, most: int) -> Iterator[tuple[How, Entry]]:
    """Yield entries of a book that a text finds, and how, each entry once."""
    text = text[:_LONGEST]
    key = number_key(text)
    seen = set[int]()

    def fresh(how: How, entries: tuple[Entry, ...]) -> Iterator[tuple[How, Entry]]:
        for entry in entries:
            if entry.line not in seen and len(seen) < most:
                seen.add(entry.line)
                yield how, entry

    if key:
        yield from fresh("number", book.by_key(key, most))
        yield from fresh("old_number", book.by_old_key(key, most))
    if seen:
        return
    if len(key) >= _SHORTEST_START and any(map(str.isdigit, key)):
        yield from fresh("start", book.by_start(key, most))
    words = _words(text)
    if words:
        yield from fresh("words", book.by_words(_match(words), most))
        if not seen and len(words[-1]) >= _SHORTEST_START:
            yield from fresh("words", book.by_words(f"{_match(words)}*", most))


def _words(text: str) -> list[str]:
    plain = unicodedata.normalize("NFC", text)
    apart = "".join(letter if letter.isalnum() else " " for letter in plain)
    return apart.split()[:_MOST_WORDS]


def _match(words: list[str]) -> str:
    return " AND ".join(f'"{word}"' for word in words)
