"""Number: the key under which a part number is found, however it is typed."""

from __future__ import annotations

import unicodedata
from typing import Final

_ASIDE: Final = {code: None for code in range(128) if not chr(code).isalnum()}
"""Signs of ASCII that people leave out, or put in, when they type a number."""


def number_key(text: str) -> str:
    """Return a number without spaces, dashes and other signs, in capital letters.

    >>> number_key(" v68-k 011 ")
    'V68K011'
    """
    if text.isascii():
        return text.upper().translate(_ASIDE)
    folded = unicodedata.normalize("NFKC", text).upper()
    return "".join(letter for letter in folded if letter.isalnum())
