"""Printable: what the fonts of printed documents can show, and texts made of nothing else.

The fonts are the two open ones that the typesetter carries: Libertinus Serif (SIL Open Font
License 1.1) and DejaVu Sans Mono (Bitstream Vera licence). They cover Latin with diacritics, Greek,
Cyrillic, Armenian, Georgian, Hebrew and much of Arabic; not the scripts of East and South Asia.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

from kitwright.documents.layout import clean

UNKNOWN: Final = "\ufffd"
"""What stands for a character that can't be printed."""

_LONGEST: Final = 30
"""The widest word that fits into every column for running text; a narrow letter counts 1."""

_LONGEST_WORD: Final = 80
"""The most letters of a word that is left to hyphenation."""

_LETTERS: Final = re.compile(r'[(„“”"]*[A-Za-zÀ-ž][A-Za-zÀ-ž-]*[a-zß-ž][)„“”".,;:!?]*')
_MUTE: Final = re.compile(r"[b-df-hj-np-tv-xzß]{9}", re.IGNORECASE)
"""More letters without a vowel than any word has that can be spoken, and so hyphenated."""

_PIECE: Final = 14
"""The width after which a wider word may be broken."""

_BREAK: Final = "\u200b"
"""A place without width where a line may end."""

# Code points, hexadecimal, read from the tables of both fonts; a test prints each of them.
_COVERED: Final = """\
20-7e a0-ac ae-34e 350-36f 374-377 37a-37f 384-38a 38c 38e-3a1 3a3-3ce 3d0-3e1 3f0-477 47c-47f
483 48c-4c4 4c7-4cc 4cf-4f9 510-511 51a-51d 531-556 559-55f 561-587 589-58a 5b0-5c3 5c6
5d0-5ea 5f0-5f4 606-607 609-60a 60c 615 61b 61f 621-63a 640-655 65a 660-66d 674 679-67b
67e-680 683-684 686-687 691 698 6a4 6a9 6af 6be 6cc 6f0-6f9 e3f e81-e82 e84 e87-e88 e8a e8d
e94-e97 e99-e9f ea1-ea3 ea5 ea7 eaa-eab ead-eb9 ebb-ebc ec8-ecd 10d0-10fc 1d02 1d08-1d09
1d14-1d17 1d1d-1d1f 1d2c-1d2e 1d30-1d3c 1d3e-1d5f 1d62-1d67 1d77-1d78 1d7b 1d85 1d9b-1db7
1db9-1dbf 1e00-1f15 1f18-1f1d 1f20-1f45 1f48-1f4d 1f50-1f57 1f59 1f5b 1f5d 1f5f-1f7d 1f80-1fb4
1fb6-1fc4 1fc6-1fd3 1fd6-1fdb 1fdd-1fef 1ff2-1ff4 1ff6-1ffe 2000-200a 2010-2027 202f-2037
2039-203f 2042 2044-204b 204f 205f 2070-2071 2074-208e 2090-209c 20a0-20b5 20b8-20ba 20bd 20bf
2100-2103 2105-2106 2109 210c-210f 2111 2113 2115-2117 2119-211a 211c-211d 2120 2122 2124
2126-2127 212a-212b 212e 2132 2135-2139 2148 214f-2151 2153-2184 2189 2190-222e 2234-223d
2241-226b 226d-228b 228d-22a6 22b2-22b8 22c2-22c6 22cd-22d1 22da-22e9 22ee-22ef 2300-2306
2308-2315 2318-2319 231c-2321 2325-232b 2335-237a 237d 2380-2383 2388-238b 2395 239b-23ae
23ce-23cf 23d3 2423 2460-2487 24b6-262f 2638-268b 2690-269c 26a0-26a7 26ac-26b1 2701-2704
2706-2709 270c-2727 2729-274b 274d 274f-2752 2756 2758-275e 2761-277f 2794 2798-27af 27b1-27be
27c2 27c5-27c6 27dc 27e0 27e6-27eb 27f5-27f7 2987-2988 2997-2998 29eb 29fa-29fb 2a00 2a2f
2a6a-2a6b 2b05-2b0d 2b12-2b1a 2c60-2c70 2c74-2c77 2c79-2c7a 2c7c-2c7f 2e02-2e05 2e08-2e0a
2e17-2e18 2e1f 2e22-2e25 2e2e a656-a657 a708-a716 a71b-a727 a765 a789-a78e a790-a791 a793 a7aa
a7f8-a7f9 ab52 fb01-fb02 fb20 fb29-fb36 fb38-fb3c fb3e fb40-fb41 fb43-fb44 fb46-fb4e fb52-fb81
fb8a-fb95 fb9e-fb9f fbaa-fbad fbe8-fbe9 fbfc-fbff fe70-fe74 fe76-fefc fffc-fffd 1d106-1d107
1d55a 1d670-1d6a3 1d7f6-1d7ff 1f12f
"""


def _ranges(text: str) -> frozenset[int]:
    points: set[int] = set()
    for part in text.split():
        first, _, last = part.partition("-")
        points.update(range(int(first, 16), int(last or first, 16) + 1))
    return frozenset(points)


GLYPHS: Final = _ranges(_COVERED)
"""The code points that can be printed."""


def printable(text: str) -> str:
    """Return a text with `UNKNOWN` for each character that acts or that no font has."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(sign if ord(sign) in GLYPHS else UNKNOWN for sign in clean(text))


@lru_cache(maxsize=1_000)
def set_in_type(text: str) -> str:
    """Return a printable text in which words too long for a line may be broken.

    Those of letters are not touched: the typesetter hyphenates them by their language.
    """
    text = printable(text)
    return " ".join(_breakable(word) for word in text.split(" "))


def _breakable(word: str) -> str:
    if sum(map(_width, word)) <= _LONGEST or _has_syllables(word):
        return word
    pieces, room = [""], _PIECE
    for sign in word:
        room -= _width(sign)
        if room < 0:
            pieces.append("")
            room = _PIECE - _width(sign)
        pieces[-1] += sign
    return _BREAK.join(pieces)


def _has_syllables(word: str) -> bool:
    is_word = len(word) <= _LONGEST_WORD and _LETTERS.fullmatch(word) is not None
    return is_word and not _MUTE.search(word)


def _width(sign: str) -> int:
    return 2 if sign.isupper() or sign in "mwæœ@%&" or sign > "\u1fff" else 1
