"""Web page: the frame of every page, one style sheet inside it, and the policy to send with it.

A page has no script and loads nothing. Its style is one element whose hash is in the policy.
"""

from __future__ import annotations

import re
from base64 import b64encode
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from kitwright.language.scribe import Scribe

# Characters that print nothing and are not line breaks: controls, half pairs, noncharacters.
_ACTING: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))
"""Characters that change the reading direction beyond their own text."""


def isolated(text: str) -> str:
    """Return a text for the middle of a sentence, isolated from the sentence's reading
    direction.
    """
    return text if text.isascii() else f"\u2068{text.translate(_TURNING)}\u2069"


def page(template: str, scribe: Scribe, **facts: object) -> str:
    """Return a page made from a template, without characters that UTF-8 can't encode."""
    return (
        _environment()
        .get_template(template)
        .render(
            facts,
            style=style(),
            language=scribe.language,
            say=scribe.say,
            say_many=scribe.say_many,
            day=scribe.day,
        )
    )


@cache
def style() -> Markup:
    """Return the style sheet of all pages, exactly as in their style element."""
    sheet = files("kitwright.documents").joinpath("templates/page.css").read_text(encoding="utf-8")
    # It is our own and closes no element, as a test checks.
    return Markup(sheet)


@cache
def style_hash() -> str:
    """Return the source expression of the style element for a Content-Security-Policy."""
    return "'sha256-" + b64encode(sha256(style().encode()).digest()).decode() + "'"


def page_policy() -> str:
    """Return the Content-Security-Policy to send with every page."""
    return (
        f"default-src 'none'; style-src {style_hash()}; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("kitwright.documents"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_fit,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters["isolated"] = isolated
    return environment


def _fit(value: object) -> object:
    if value is None:
        raise TypeError("a page has nothing to say of what is not there")
    if isinstance(value, str) and not isinstance(value, Markup):
        return _ACTING.sub("\ufffd", value.replace("\r\n", "\n").replace("\r", "\n"))
    return value
