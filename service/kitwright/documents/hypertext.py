"""Hypertext: documents of the workshop as pages, from the same sheets that are printed."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from kitwright.documents.layout import clean
from kitwright.documents.press import TEMPLATES


def hypertext(
    template: str, sheet: Mapping[str, object], pictures: Mapping[str, str] | None = None
) -> str:
    """Return a page of HTML. Every text in it is escaped; SVG pictures are inserted unchanged."""
    drawn = {name: Markup(svg) for name, svg in (pictures or {}).items()}
    return _environment().get_template(template).render(sheet=_cleaned(sheet), pictures=drawn)


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def _cleaned(value: object) -> object:
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, Mapping):
        return {name: _cleaned(each) for name, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_cleaned(each) for each in value]
    return value
