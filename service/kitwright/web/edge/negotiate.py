"""Negotiation: chooses the media type of an answer, and the language of what is nobody's yet."""

from __future__ import annotations

import re
from collections.abc import Sequence
from hashlib import blake2b
from typing import Any, Final

from litestar import Request

from kitwright.web.edge.problems import Refusal

JSON: Final = "application/json"
TEXT: Final = "text/plain"
HTML: Final = "text/html"
SVG: Final = "image/svg+xml"
PDF: Final = "application/pdf"
XML: Final = "application/xml"
CSV: Final = "text/csv"

_WEIGHT: Final = re.compile(r"0(\.[0-9]{0,3})?|1(\.0{0,3})?")


def media_type(text: str) -> tuple[str, dict[str, str]]:
    """Return a media type or range and its parameters, all names in lower case."""
    kind, *rest = text.split(";")
    parameters = {}
    for each in rest:
        name, _, value = each.partition("=")
        parameters[name.strip().lower()] = value.strip().strip('"')
    return kind.strip().lower(), parameters


def best_form(request: Request[Any, Any, Any], forms: Sequence[str]) -> str:
    """Return the media type to answer with: the first of `forms` if the caller has no preference.

    Raises: Refusal: not-acceptable.
    """
    asked = request.headers.get("accept", "*/*")
    if asked in ("*/*", forms[0]):
        return forms[0]
    asked = ",".join(request.headers.getall("accept"))
    best = max(forms, key=lambda form: weight(form, asked))
    if not weight(best, asked):
        raise Refusal("not-acceptable", f"this answers with {' or '.join(forms)}")
    return best


def weight(form: str, asked: str) -> float:
    """Return the quality of a media type by an `Accept` header, 0 to 1: by the most specific range
    that matches.
    """
    weight, specific = 0.0, -1
    for each in asked.split(","):
        kind, parameters = media_type(each)
        ranges = ("*/*", f"{form.partition('/')[0]}/*", form)
        q = parameters.get("q", "1")
        if kind in ranges and ranges.index(kind) > specific and _WEIGHT.fullmatch(q):
            weight, specific = float(q), ranges.index(kind)
    return weight


def best_language(asked: str, known: Sequence[str], usual: str) -> str:
    """Return the one of the `known` languages that an `Accept-Language` header prefers, `usual` if
    it names none of them. Of German as in Austria, German is known (RFC 4647, look-up).
    """
    best, most = usual, 0.0
    for each in asked.split(","):
        name, parameters = media_type(each)
        q = parameters.get("q", "1")
        alike = (one for one in known if name == one or name.startswith(f"{one}-"))
        found = usual if name == "*" else next(alike, None)
        if found is not None and _WEIGHT.fullmatch(q) and float(q) > most:
            best, most = found, float(q)
    return best


def body_tag(body: bytes) -> str:
    """Return the entity tag of a body, which changes whenever the body does."""
    return f'"{blake2b(body, digest_size=16).hexdigest()}"'
