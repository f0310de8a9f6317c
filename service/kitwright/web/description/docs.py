"""Docs: renders the API description as one HTML page, without external resources."""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Mapping
from hashlib import sha256
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, PackageLoader
from markupsafe import Markup

_STYLE: Final = files(__package__).joinpath("templates/docs.css").read_text(encoding="utf-8")

POLICY: Final = (
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    f"style-src 'sha256-{b64encode(sha256(_STYLE.encode()).digest()).decode()}'"
)
"""The content security policy of the page, which allows only the page's own style."""


def docs_page(document: Mapping[str, Any], codes: Mapping[str, str]) -> str:
    """Return the page as HTML.

    Args:
        document: the API description.
        codes: code of a problem or of an entry in `errors` -> its meaning.
    """
    page = Environment(
        loader=PackageLoader(__package__), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    page.filters |= {"marked": _marked, "typed": _typed, "as_json": _as_json}
    return page.get_template("docs.html").render(
        style=Markup(_STYLE),
        info=document["info"],
        tags=document["tags"],
        operations=[
            (path, method.upper(), operation)
            for path, methods in {**document["paths"], **document["webhooks"]}.items()
            for method, operation in methods.items()
        ],
        schemas=document["components"]["schemas"],
        codes=codes,
    )


def _marked(text: str) -> Markup:
    """Return text with text in backquotes as code."""
    parts = enumerate(text.split("`"))
    return Markup().join(
        Markup("<code>{}</code>").format(part) if place % 2 else part for place, part in parts
    )


def _as_json(value: object) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False)


def _typed(schema: Mapping[str, Any]) -> Markup:
    """Return a short description of a schema, with links to shapes."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return Markup('<a href="#shape-{0}">{0}</a>').format(name)
    if "anyOf" in schema:
        return Markup(" or ").join(map(_typed, schema["anyOf"]))
    if "enum" in schema:
        return Markup(" or ").join(Markup("<code>{}</code>").format(one) for one in schema["enum"])
    if schema.get("type") == "array":
        limits = _limits(schema, "minItems", "maxItems")
        return Markup("list of {}{}").format(_typed(schema["items"]), limits)
    if isinstance(schema.get("additionalProperties"), dict):
        return Markup("object of {}").format(_typed(schema["additionalProperties"]))
    limits = _limits(schema, "minimum", "maximum") + _limits(schema, "minLength", "maxLength")
    kind = schema.get("format", schema.get("type", "anything"))
    form = Markup(" <code>{}</code>").format(schema["pattern"]) if "pattern" in schema else ""
    return Markup("{}{}{}").format(kind, limits, form)


def _limits(schema: Mapping[str, Any], least: str, most: str) -> str:
    return f", {schema.get(least, 0)} to {schema[most]}" if most in schema else ""
