"""Web page: renders HTML from templates, and returns the policy to send with a page.

A page has no script and fetches nothing. Its style is one element whose hash the policy names.
"""

from __future__ import annotations

import re
from base64 import b64encode
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Final
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from kitwright.documents.layout import clean
from kitwright.documents.press import Sheet, with_texts
from kitwright.language.scribe import Scribe

# Neither a printable character nor a line break: controls, unpaired surrogates, non-characters.
_ACTING: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))
"""Marks that turn the reading direction beyond the text they are in."""
_STYLE: Final = re.compile("<style>(.*?)</style>", re.DOTALL)


def page(template: str, scribe: Scribe, **facts: object) -> str:
    """Return a page made from a template and facts; every text in it is escaped."""
    return (
        environment()
        .get_template(template)
        .render(
            facts,
            scribe=scribe,
            language=scribe.language,
            say=scribe.say,
            say_many=scribe.say_many,
            day=scribe.day,
        )
    )


def sheet_page(template: str, scribe: Scribe, sheet: Sheet, **pictures: str) -> str:
    """Return a shop document as a page, from the sheet that is also printed.

    `pictures` are SVG documents of ours, which go into the page unchanged.
    """
    svg = {name: Markup(picture) for name, picture in pictures.items()}
    return page(template, scribe, sheet=with_texts(sheet, clean), pictures=svg)


def page_policy(html: str) -> str:
    """Return the Content-Security-Policy to send with a page."""
    hashes = " ".join(
        "'sha256-" + b64encode(sha256(style.encode()).digest()).decode() + "'"
        for style in _STYLE.findall(html)
    )
    return (
        f"default-src 'none'; style-src {hashes}; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    )


def isolated(text: str) -> str:
    """Return a text that keeps its own reading direction in the middle of a sentence."""
    return text if text.isascii() else f"\u2068{text.translate(_TURNING)}\u2069"


def dial(telephone: str) -> str:
    """Return the address that calls a telephone number."""
    return "tel:" + quote(telephone.replace(" ", ""), safe="+")


def write_to(email: str, subject: str) -> str:
    """Return the address that starts an e-mail with a subject."""
    return f"mailto:{quote(email, safe='@')}?subject={quote(subject, safe='')}"


@cache
def style() -> Markup:
    """Return the style sheet of the pages for customers."""
    sheet = files("kitwright.documents").joinpath("templates/page.css").read_text(encoding="utf-8")
    # it is ours, and a test makes sure that it closes no element
    return Markup(sheet)


@cache
def environment() -> Environment:
    """Return the environment of all templates in HTML and XML, which escapes every text."""
    made = Environment(
        loader=PackageLoader("kitwright.documents"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_fit,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.filters["isolated"] = isolated
    made.globals |= {"style": style, "dial": dial, "write_to": write_to}
    return made


def _fit(value: object) -> object:
    if value is None:
        raise TypeError("a template prints a value that is None")
    if isinstance(value, str) and not isinstance(value, Markup):
        return _ACTING.sub("\ufffd", value.replace("\r\n", "\n").replace("\r", "\n"))
    return value
