"""Printable: texts in letters that the fonts of printed documents have.

Texts are prepared so that none can disturb the page around it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container, Iterator
from functools import lru_cache
from typing import Final

from kitwright.documents.layout import clean

UNKNOWN: Final = "\ufffd"
"""The mark in place of a character that can't be printed."""

_LONGEST: Final = 30
"""The widest word that fits into every column for running text. A narrow letter counts 1."""

_LONGEST_WORD: Final = 80
"""The most letters of a word that is left to hyphenation."""

_LETTERS: Final = re.compile(r'[(„“”"]*[A-Za-zÀ-ž][A-Za-zÀ-ž-]*[a-zß-ž][)„“”".,;:!?]*')
_MUTE: Final = re.compile(r"[b-df-hj-np-tv-xzß]{9}", re.IGNORECASE)
"""More consonants in a row than a pronounceable word has; such a word can't be hyphenated."""

_PIECE: Final = 14
"""The width after which a wider word may be broken."""

_BREAK: Final = "\u200b"
"""A place without width where a line may end."""

_MOST_MARKS: Final = 6
"""The most marks on one letter. No script needs more, and more would cover other lines."""
_JOINERS: Final = "\u200c\u200d"

_ISOLATE: Final = "\u2068"
_END: Final = "\u2069"
"""Put around text that is read from right to left, so that the text next to it stays (UAX #9)."""
_RIGHT: Final = ("R", "AL")
"""Bidirectional classes of letters that are read from right to left."""


@lru_cache(maxsize=10_000)
def letters(text: str) -> tuple[str, ...]:
    """Return the letters of a text, each with its marks, without control characters."""
    found: list[str] = []
    marks = 0
    for sign in clean(text):
        is_mark = sign in _JOINERS or unicodedata.category(sign).startswith("M")
        if found and is_mark:
            marks += 1
            if marks <= _MOST_MARKS:
                found[-1] += sign
        else:
            found.append(sign)
            marks = 0
    return tuple(found)


def printable(text: str, missing: Container[str]) -> str:
    """Return a text with `UNKNOWN` for each letter that no font has."""
    if text.isascii():
        return clean(text)
    return "".join(UNKNOWN if letter in missing else letter for letter in letters(text))


@lru_cache(maxsize=1_000)
def set_in_type(text: str) -> str:
    """Return a printable text in which words too long for a line may be broken, and parts that are
    read from right to left keep their place.

    Words of letters are not changed: the typesetter hyphenates them by their language.
    """
    return isolated(" ".join(_breakable(word) for word in text.split(" ")))


def isolated(text: str) -> str:
    """Return a text whose parts that are read from right to left are isolated from the others.

    A text without letters that are read from left to right is one part, numbers included: a street
    with its number.
    """
    if text.isascii():
        return text
    turns = [unicodedata.bidirectional(sign) for sign in text]
    if not any(turn in _RIGHT for turn in turns):
        return text
    if "L" not in turns:
        return f"{_ISOLATE}{text}{_END}"
    told, start = "", 0
    for first, last in _runs(turns):
        told += f"{text[start:first]}{_ISOLATE}{text[first : last + 1]}{_END}"
        start = last + 1
    return told + text[start:]


def _runs(turns: list[str]) -> Iterator[tuple[int, int]]:
    """Yield the first and last index of each part that is read from right to left."""
    first = last = -1
    for at, turn in enumerate(turns):
        if turn in _RIGHT:
            first, last = (at if first < 0 else first), at
        elif turn == "NSM" and last == at - 1 and first >= 0:
            last = at
        elif turn == "L" and first >= 0:
            yield first, last
            first = -1
    if first >= 0:
        yield first, last


def _breakable(word: str) -> str:
    if sum(map(_width, word)) <= _LONGEST or _has_syllables(word):
        return word
    pieces, room = [""], _PIECE
    for letter in letters(word):
        wide = sum(map(_width, letter))
        room -= wide
        if room < 0:
            pieces.append("")
            room = _PIECE - wide
        pieces[-1] += letter
    return _BREAK.join(pieces)


def _has_syllables(word: str) -> bool:
    is_word = len(word) <= _LONGEST_WORD and _LETTERS.fullmatch(word) is not None
    return is_word and not _MUTE.search(word)


def _width(sign: str) -> int:
    if unicodedata.category(sign) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if sign.isupper() or sign in "mwæœ@%&" or sign > "\u1fff" else 1
