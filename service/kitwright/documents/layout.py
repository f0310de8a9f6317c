"""Layout of plain text: lines of limited width, without characters that could control a
terminal.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from textwrap import wrap
from typing import Final

WIDTH: Final = 96
"""Columns of the text."""

_ACTING: Final = frozenset({"Cc", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories of characters that do not print: controls, half characters, line breaks."""
_FORMAT: Final = "Cf"
"""The category of characters without a glyph: direction marks, soft hyphens, byte order marks."""
_KEPT: Final = frozenset("\u200c\u200d\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u08e2")
"""Format characters that a text needs: the joiners of Persian and Indian words, and visible ones of
Arabic and Syriac.
"""


def clean(text: str) -> str:
    """Return a text without characters that act instead of being read.

    A name from a catalogue or a request can't break a line, and can't change the reading direction
    or the colours of a terminal. Characters whose loss would be noticed become a replacement mark.
    Characters without a glyph, which are often copied along with a name, are removed.
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
    """Return sections of lines as one text, separated by empty lines, with no line over the
    width.
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

    If the left text is too long, its first lines are placed above. If the right text is too long,
    it gets lines of its own.
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
    """Return a text wrapped into lines, with the given indents of the first and the other lines."""
    return wrap(clean(text), width, initial_indent=first, subsequent_indent=others)


def _fitted(line: str) -> list[str]:
    if len(line) <= WIDTH:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    return wrap(line, WIDTH, subsequent_indent=indent, drop_whitespace=False)
