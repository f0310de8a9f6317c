"""Layout of plain text: lines of one width, with nothing in them that could act on a terminal."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from textwrap import wrap
from typing import Final

WIDTH: Final = 96
"""Columns of the text."""

_ACTING: Final = frozenset({"Cc", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories of what is not a mark on paper: controls, half characters, line breaks."""
_FORMAT: Final = "Cf"
"""The category of what has no look: direction marks, soft hyphens, byte order marks."""
_KEPT: Final = frozenset("\u200c\u200d\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u08e2")
"""Format characters that a text needs: the joiners of Persian and Indian words, and those of Arabic
and Syriac that are seen."""


def clean(text: str) -> str:
    """Return a text without what acts instead of being read.

    A name from a catalogue or a request can so neither break a line nor turn the reading direction
    or the colours of a terminal. What would be missed is a replacement mark; what has no look of
    its own, and often comes along with a name copied from elsewhere, is left out.
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
    """Return sections of lines as one text, an empty line between them, nothing over the width."""
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
    """Yield a line with its ends at both margins.

    A left end that is too long is broken above, a right end that is takes lines of its own.
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
