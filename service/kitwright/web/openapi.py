"""OpenAPI: the API description, generated from the operations and the wire structs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

import msgspec

from kitwright.web.examples import Examples
from kitwright.web.negotiate import JSON
from kitwright.web.operations import Operation
from kitwright.web.problems import KINDS, MEDIA_TYPE, ProblemOut

_TAGS: Final = {
    "assessments": "From what the bench saw to what it means.",
    "quotes": "Quotes and their parts orders.",
    "catalogue": "What the shop knows: engines, machines, jobs, parts, taxes and itself.",
    "running": "Running the service.",
}
_ABOUT: Final = """\
From findings at the bench to a diagnosis, a whole kit, honest minutes, a price that reconciles \
and the parts orders.

Money is an amount with its currency; quantities and rates are decimal strings; minutes are whole \
numbers. Members that a request does not have, wrong types and members given twice are refused.

Every error is an RFC 9457 problem document. Its `code` is stable, its `type` leads to what the \
code means, and for bad input `errors` names every fault (at most 100) with a JSON pointer. 400 \
means that the body breaks this description, 422 that it keeps to it and still can't be quoted. \
GET /problems lists all codes.

Every GET answers HEAD as well, and every path OPTIONS. A path may end in a slash. Every answer \
carries `X-Request-Id`: the caller's own where it sent one of at most 128 letters, digits and \
`._:/+=@-`. Answers with an `ETag` honour `If-None-Match`.\
"""
_LIST: Final = re.compile(r"ListOut[_\[](\w+?)[_\]]")
_HEADERS: Final = {
    "X-Request-Id": {
        "description": "Names this request in the log.",
        "schema": {"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._:/+=@-]{0,127}$"},
    },
    "ETag": {
        "description": "Changes whenever the body does.",
        "schema": {"type": "string", "pattern": '^"[0-9a-f]{32}"$'},
    },
}
_IF_NONE_MATCH: Final = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "ETags that the caller has, or `*`; 304 while one of them is current.",
    "schema": {"type": "string"},
    "example": '"0123456789abcdef0123456789abcdef"',
}


def describe(
    operations: Iterable[Operation], version: str, examples: Examples
) -> dict[str, object]:
    """Return the OpenAPI 3.1 document.

    Args:
        operations: every operation of the service.
        version: of the service.
        examples: what the tests run.
    """
    operations = tuple(operations)
    shapes = [one.answers for one in operations if one.answers is not None]
    shapes += [one.takes for one in operations if one.takes is not None]
    references, components = msgspec.json.schema_components(
        [*shapes, ProblemOut], ref_template="#/components/schemas/{name}"
    )
    references, components = _plain(references), _plain_members(components)
    by_shape = dict(zip(map(repr, [*shapes, ProblemOut]), references, strict=True))
    paths: dict[str, dict[str, object]] = {}
    for one in operations:
        paths.setdefault(one.path, {})[one.method] = _operation(one, by_shape, examples)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Kitwright",
            "version": version,
            "summary": "Quotes small-engine repairs, to the last gasket and the last cent.",
            "description": _ABOUT,
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/", "description": "This service."}],
        "tags": [{"name": name, "description": text} for name, text in _TAGS.items()],
        "paths": paths,
        "components": {"schemas": components, "headers": _HEADERS},
    }


def _plain(schema: Any) -> Any:
    """Return a schema with names that programs can bear, and without the source's line breaks."""
    match schema:
        case dict():
            # the names of properties are no keywords
            plain = {
                name: _plain_members(one) if name == "properties" else _plain(one)
                for name, one in schema.items()
            }
            if "enum" in plain:
                plain.setdefault("type", "string")
            if "default" in plain:
                _tell_default(plain)
            return plain
        case tuple() | list():
            return [_plain(one) for one in schema]
        case str():
            return "\n\n".join(" ".join(_name(each).split()) for each in schema.split("\n\n"))
    return schema


def _plain_members(schemas: Mapping[str, Any]) -> dict[str, Any]:
    return {_name(name): _plain(schema) for name, schema in schemas.items()}


def _tell_default(schema: dict[str, Any]) -> None:
    """Put a default into the description: generators take a member with one for always there."""
    default = schema.pop("default")
    if default not in (None, [], {}):
        told = f"Left out: `{msgspec.json.encode(default).decode()}`."
        schema["description"] = f"{schema.get('description', '')} {told}".strip()


def _name(text: str) -> str:
    """Return a text with the list of X called XList: `ListOut_FamilyOut_` is `FamilyOutList`."""
    return _LIST.sub(r"\1List", text)


def _operation(
    one: Operation, by_shape: Mapping[str, Any], examples: Examples
) -> dict[str, object]:
    described: dict[str, object] = {
        "operationId": one.id,
        "tags": [one.tag],
        "summary": one.summary,
        "description": one.description,
    }
    parameters: list[Mapping[str, object]] = [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": text,
            "schema": {"type": "string", "minLength": 1, "maxLength": 64},
            "example": examples.variables[one.id][name],
        }
        for name, text in one.variables.items()
    ]
    if one.is_conditional:
        parameters.append(_IF_NONE_MATCH)
    if parameters:
        described["parameters"] = parameters
    if one.takes is not None:
        content: dict[str, object] = {"schema": by_shape[repr(one.takes)]}
        requests = examples.requests.get(one.id)
        if requests:
            content["examples"] = {name: {"value": value} for name, value in requests.items()}
        described["requestBody"] = {"required": True, "content": {JSON: content}}
    described["responses"] = _responses(one, by_shape, examples)
    return described


def _responses(
    one: Operation, by_shape: Mapping[str, Any], examples: Examples
) -> dict[str, object]:
    content: dict[str, dict[str, object]] = {
        form: {"schema": {"type": "string"} if form != JSON else by_shape[repr(one.answers)]}
        for form in one.forms
    }
    if one.id in examples.answers:
        content[one.forms[0]]["example"] = examples.answers[one.id]
    given = ("X-Request-Id", "ETag") if one.is_conditional else ("X-Request-Id",)
    headers = {name: {"$ref": f"#/components/headers/{name}"} for name in given}
    responses: dict[str, object] = {
        "200": {"description": "The answer.", "headers": headers, "content": content}
    }
    if one.is_conditional:
        responses["304"] = {"description": "The caller has it already.", "headers": headers}
    by_status: dict[int, list[str]] = {}
    for code in one.problems:
        by_status.setdefault(KINDS[code].status, []).append(code)
    for status, codes in sorted(by_status.items()):
        responses[str(status)] = _refused(codes, by_shape)
    return responses


def _refused(codes: Iterable[str], by_shape: Mapping[str, Any]) -> dict[str, object]:
    """Return the answer of one status, with its problem codes."""
    return {
        "description": "; ".join(f"`{code}`: {KINDS[code].title}" for code in codes),
        "headers": {"X-Request-Id": {"$ref": "#/components/headers/X-Request-Id"}},
        "content": {MEDIA_TYPE: {"schema": by_shape[repr(ProblemOut)]}},
    }
