"""Layout: plain text in lines of at most one width, without control characters."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from textwrap import wrap
from typing import Final

WIDTH: Final = 96
"""Columns of the text."""

_ACTING: Final = frozenset({"Cc", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories of characters that are not printed: controls, surrogates, line breaks."""
_FORMAT: Final = "Cf"
"""The category of invisible characters: direction marks, soft hyphens, byte order marks."""
_KEPT: Final = frozenset("\u200c\u200d\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u08e2")
"""Format characters that a text needs: joiners of Persian and Indian words, and the visible ones of
Arabic and Syriac."""


def clean(text: str) -> str:
    """Return a text without control characters and other characters that are not printed.

    So a name from a catalogue or a request can't break a line, or change the reading direction or
    the colours of a terminal. Invisible format characters, which are often copied with a name, are
    left out. All others are replaced by U+FFFD.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_cleaned, text))


def _cleaned(sign: str) -> str:
    category = unicodedata.category(sign)
    if category == _FORMAT:
        return sign if sign in _KEPT else ""
    return "\ufffd" if category in _ACTING else sign


def page(sections: Iterable[Iterable[str]]) -> str:
    """Return sections of lines as one text, with an empty line between sections.

    Lines wider than `WIDTH` columns are broken; a section without lines is left out.
    """
    texts = []
    for section in sections:
        lines = [part for line in section for part in _fitted(clean(line))]
        if lines:
            texts.append("\n".join(lines) + "\n")
    return "\n".join(texts)


def title(left: str, right: str = "") -> Iterator[str]:
    """Yield a heading with a rule under it."""
    yield from spread(left, right)
    yield "-" * WIDTH


def spread(left: str, right: str) -> Iterator[str]:
    """Yield a line with one text at the left margin and one at the right.

    A left text that is too long is broken into lines above. A right text of more than half the
    width follows on lines of its own.
    """
    left, right = clean(left), clean(right)
    if len(right) > WIDTH // 2:
        yield left
        yield from (line.rjust(WIDTH) for line in wrap(right, WIDTH - 8))
        return
    room = WIDTH - len(right) - (2 if right else 0)
    *above, last = wrap(left, room, subsequent_indent=" " * 6, drop_whitespace=False) or [""]
    yield from (line.rstrip() for line in above)
    yield f"{last.rstrip():<{WIDTH - len(right)}}{right}".rstrip()


def paragraph(text: str, first: str, others: str, width: int = WIDTH) -> list[str]:
    """Return a text broken into lines, the first and the other lines indented as given."""
    return wrap(clean(text), width, initial_indent=first, subsequent_indent=others)


def _fitted(line: str) -> list[str]:
    if len(line) <= WIDTH:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    return wrap(line, WIDTH, subsequent_indent=indent, drop_whitespace=False)
