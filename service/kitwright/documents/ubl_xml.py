"""UBL XML: renders UBL 2.1 documents from templates, with text that XML can hold.

The order of the elements follows the schema.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Final

from jinja2 import Environment
from markupsafe import Markup

from kitwright.documents.web_page import environment
from kitwright.language.scribe import Scribe

_UNFIT: Final = re.compile("[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 can't hold, not even as a character reference."""


def ubl_document(template: str, scribe: Scribe, **facts: object) -> bytes:
    """Return a document in UTF-8, made from a template and facts; every text in it is escaped."""
    rendered = (
        _environment()
        .get_template(template)
        .render(facts, scribe=scribe, language=scribe.language, say=scribe.say)
    )
    return rendered.encode()


def safe_text(text: str) -> str:
    """Return a text in the form in which an XML reader returns it.

    Line ends become line feeds. A character that XML can't hold is replaced by U+FFFD.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return _UNFIT.sub("\N{REPLACEMENT CHARACTER}", lines)


@cache
def _environment() -> Environment:
    return environment().overlay(finalize=_fit)


def _fit(value: object) -> object:
    if value is None:
        raise TypeError("a template prints a value that is None")
    return safe_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value
