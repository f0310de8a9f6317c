"""A language that nobody speaks, made of all that is to be translated.

Every letter wears an accent, every text is in brackets and longer than it was: what still has a
plain letter was never looked up, and what is cut off was given too little room.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po
from tests.language.extract import collected

PSEUDO: Final = "qps"
WRITES_LIKE: Final = "de"
"""The language whose numbers and days it has: they are all digits and marks."""

_PLAIN: Final = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
_ACCENTED: Final = "áƀćđéƒğĥíĵķĺɱñóþʠŕšťúṽŵẋýžÁƁĆĐÉƑĞĤÍĴĶĹṀÑÓÞǪŔŠŤÚṼŴẊÝŽ"
_LETTERS: Final = str.maketrans(_PLAIN, _ACCENTED)
_MORE: Final = "·"


def pseudo(text: str) -> str:
    """Return a text in the language that nobody speaks, its facts as they are."""
    parts = re.split(r"(\{\w*\})", text)
    told = "".join(part if part[:1] == "{" else part.translate(_LETTERS) for part in parts)
    return f"[{told}{_MORE * (len(text) * 2 // 5)}]"


def write_pseudo(folder: Path) -> None:
    """Write the language's files below a folder of languages."""
    for domain, template in collected().items():
        made = Catalog(locale=WRITES_LIKE, fuzzy=False)
        for message in template:
            if message.id:
                texts = message.id if isinstance(message.id, tuple | list) else (message.id,)
                told = tuple(map(pseudo, texts))
                made.add(message.id, told if len(told) > 1 else told[0], context=message.context)
        path = folder / PSEUDO / "LC_MESSAGES" / f"{domain}.po"
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as file:
            write_po(file, made)
