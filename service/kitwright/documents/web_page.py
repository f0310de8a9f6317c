"""What every page has: the frame, one style sheet inside, and the policy that goes with it.

A page has no script and fetches nothing. Its style is one element whose hash the policy names.
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

# What is neither a mark on paper nor a line break: controls, unpaired surrogates, non-characters.
_ACTING: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))
"""Marks that turn the reading direction beyond the text they are in."""


def isolated(text: str) -> str:
    """Return a text for the middle of a sentence, which its reading direction does not turn."""
    return text if text.isascii() else f"\u2068{text.translate(_TURNING)}\u2069"


def page(template: str, scribe: Scribe, **facts: object) -> str:
    """Return a page made of a template, as UTF-8 text can hold it."""
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
    """Return the style sheet of all pages, as it is in their style element."""
    sheet = files("kitwright.documents").joinpath("templates/page.css").read_text(encoding="utf-8")
    # It is ours and closes no element: a test sees to it.
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
