"""Docs: renders the API description as one HTML page, without external resources."""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Iterator, Mapping
from hashlib import sha256
from html import escape
from typing import Any, Final

_STYLE: Final = """
:root { color-scheme: light dark; --line: #8886; --ink: #b4500f; --soft: #8881; }
@media (prefers-color-scheme: dark) { :root { --ink: #f0a05a; } }
body { font: 1rem/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 60rem; padding: 1rem; }
h1, h2, h3 { line-height: 1.2; }
h1 { border-bottom: .3rem solid var(--ink); padding-bottom: .3rem; }
h2 { margin-top: 3rem; }
h3 { border-top: 1px solid var(--line); padding-top: 1.5rem; margin-top: 2rem; }
a { color: var(--ink); }
code, pre { font: .9em/1.4 ui-monospace, monospace; }
pre { background: var(--soft); overflow: auto; padding: .7rem; max-height: 24rem; }
table { border-collapse: collapse; display: block; overflow: auto; }
td, th { border-bottom: 1px solid var(--line); padding: .25rem .7rem .25rem 0; text-align: left; }
td, th { vertical-align: top; }
nav ul { columns: 2; list-style: none; padding: 0; }
.method { color: var(--ink); font-weight: bold; }
.must { color: var(--ink); }
"""

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
    return "\n".join(_page(document, codes)) + "\n"


def _page(document: Mapping[str, Any], codes: Mapping[str, str]) -> Iterator[str]:
    info = document["info"]
    title = f"{info['title']} {info['version']}"
    yield "<!doctype html>"
    yield '<html lang="en"><head><meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>"
    yield f"<header><h1>{escape(title)}</h1><p>{escape(info['summary'])}</p></header><main>"
    yield from _prose(info["description"])
    yield '<p>For programs: <a href="/openapi.json">/openapi.json</a>.</p>'
    yield from _contents(document)
    for tag in document["tags"]:
        yield f"<h2>{escape(tag['name'].capitalize())}</h2>"
        yield from _prose(tag["description"])
        for path, method, operation in _operations(document, tag["name"]):
            yield from _operation(path, method, operation)
    yield '<h2 id="shapes">Shapes</h2>'
    for name, schema in sorted(document["components"]["schemas"].items()):
        yield from _shape(name, schema)
    yield '<h2 id="codes">Codes of problems and errors</h2><table>'
    for code, meaning in codes.items():
        yield f"<tr><td>{_code(code)}</td><td>{_inline(meaning)}</td></tr>"
    yield "</table></main></body></html>"


def _operations(document: Mapping[str, Any], tag: str) -> Iterator[tuple[str, str, Any]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            if tag in operation["tags"]:
                yield path, method, operation


def _contents(document: Mapping[str, Any]) -> Iterator[str]:
    yield '<nav aria-label="Calls"><ul>'
    for tag in document["tags"]:
        for path, method, operation in _operations(document, tag["name"]):
            link = f'<a href="#{operation["operationId"]}">{escape(path)}</a>'
            yield f'<li><span class="method">{method.upper()}</span> {link}</li>'
    yield '<li><a href="#shapes">Shapes</a></li><li><a href="#codes">Codes</a></li></ul></nav>'


def _operation(path: str, method: str, operation: Mapping[str, Any]) -> Iterator[str]:
    name = operation["operationId"]
    yield f'<section id="{name}"><h3><span class="method">{method.upper()}</span> {escape(path)}'
    yield "</h3>"
    yield f"<p><strong>{escape(operation['summary'])}.</strong> ({_code(name)})</p>"
    yield from _prose(operation["description"])
    if "parameters" in operation:
        yield "<table><tr><th>Parameter</th><th>In</th><th>What</th></tr>"
        for one in operation["parameters"]:
            cells = (_code(one["name"]), one["in"], _inline(one["description"]))
            yield f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"
        yield "</table>"
    for form, content in operation.get("requestBody", {}).get("content", {}).items():
        yield f"<p>Takes {_code(form)}: {_type(content['schema'])}</p>"
        for title, example in content.get("examples", {}).items():
            yield from _example(title.replace("-", " "), example["value"])
    for status, answer in operation["responses"].items():
        yield from _answer(status, answer)
    yield "</section>"


def _answer(status: str, answer: Mapping[str, Any]) -> Iterator[str]:
    forms = [
        f"{_code(form)} {_type(content['schema'])}"
        for form, content in answer.get("content", {}).items()
    ]
    yield f"<p><strong>{status}</strong> {_inline(answer['description'])} {', or '.join(forms)}</p>"
    for content in answer.get("content", {}).values():
        if "example" in content:
            yield from _example("Example", content["example"])


def _example(title: str, value: object) -> Iterator[str]:
    text = value if isinstance(value, str) else json.dumps(value, indent=2, ensure_ascii=False)
    yield f"<details><summary>{escape(title.capitalize())}</summary>"
    yield f"<pre>{escape(text)}</pre></details>"


def _shape(name: str, schema: Mapping[str, Any]) -> Iterator[str]:
    yield f'<section id="shape-{escape(name)}"><h3>{escape(name)}</h3>'
    yield from _prose(schema.get("description", ""))
    if "enum" in schema:
        yield f"<p>One of {', '.join(map(_code, schema['enum']))}.</p>"
    if "properties" in schema:
        yield "<table><tr><th>Member</th><th>Type</th><th></th></tr>"
        required = schema.get("required", ())
        for member, one in schema["properties"].items():
            must = ' <span class="must">required</span>' if member in required else ""
            told = _inline(one.get("description", ""))
            yield f"<tr><td>{_code(member)}{must}</td><td>{_type(one)}</td><td>{told}</td></tr>"
        yield "</table>"
    yield "</section>"


def _type(schema: Mapping[str, Any]) -> str:
    """Return a short description of a schema as HTML, with links to shapes."""
    if "$ref" in schema:
        name = escape(schema["$ref"].rpartition("/")[2])
        return f'<a href="#shape-{name}">{name}</a>'
    if "anyOf" in schema:
        return " or ".join(map(_type, schema["anyOf"]))
    if "enum" in schema:
        return " or ".join(_code(str(one)) for one in schema["enum"])
    if schema.get("type") == "array":
        return f"list of {_type(schema['items'])}{_limits(schema, 'minItems', 'maxItems')}"
    if isinstance(schema.get("additionalProperties"), dict):
        return f"object of {_type(schema['additionalProperties'])}"
    limits = _limits(schema, "minimum", "maximum") + _limits(schema, "minLength", "maxLength")
    form = f" {_code(schema['pattern'])}" if "pattern" in schema else ""
    return f"{escape(str(schema.get('format', schema.get('type', 'anything'))))}{limits}{form}"


def _limits(schema: Mapping[str, Any], least: str, most: str) -> str:
    if most not in schema:
        return ""
    return f", {schema.get(least, 0)} to {schema[most]}"


def _prose(text: str) -> Iterator[str]:
    for paragraph in text.split("\n\n"):
        if paragraph:
            yield f"<p>{_inline(paragraph)}</p>"


def _inline(text: str) -> str:
    """Return text as HTML, with text in backquotes as code."""
    parts = text.split("`")
    return "".join(_code(part) if place % 2 else escape(part) for place, part in enumerate(parts))


def _code(text: object) -> str:
    return f"<code>{escape(str(text))}</code>"
