"""OpenAPI: the API description, generated from the operations and the wire structs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from kitwright.web.negotiate import JSON, TEXT
from kitwright.web.problems import KINDS, MEDIA_TYPE, ProblemOut
from kitwright.web.resources import Described

_TAGS = {
    "quotes": "Quotes and their parts orders.",
    "catalogue": "What the shop knows: engines, machines, jobs, parts, taxes and itself.",
    "running": "Running the service.",
}


def describe(
    operations: Iterable[Described], version: str, examples: Mapping[str, Mapping[str, object]]
) -> dict[str, object]:
    """Return the OpenAPI 3.1 document.

    Args:
        operations: every operation of the service.
        version: of the service.
        examples: request bodies by operation id and name.
    """
    operations = tuple(operations)
    shapes = [one.answers for one in operations]
    shapes += [one.takes for one in operations if one.takes is not None]
    references, components = msgspec.json.schema_components(
        [*shapes, ProblemOut], ref_template="#/components/schemas/{name}"
    )
    by_shape = dict(zip(map(repr, [*shapes, ProblemOut]), references, strict=True))
    paths: dict[str, dict[str, object]] = {}
    for one in operations:
        paths.setdefault(one.path, {})[one.method] = _operation(
            one, by_shape, examples.get(one.id, {})
        )
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Kitwright",
            "version": version,
            "summary": "Quotes small-engine repairs, to the last gasket and the last cent.",
            "description": (
                "From a diagnosis on an engine to a whole kit, honest minutes, a price that "
                "reconciles and the parts orders. Money is an amount with its currency; quantities "
                "and rates are decimal strings; minutes are whole numbers. Every error is an RFC "
                "9457 problem document."
            ),
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/", "description": "This service."}],
        "tags": [{"name": name, "description": text} for name, text in _TAGS.items()],
        "paths": paths,
        "components": {"schemas": components},
    }


def _operation(
    one: Described, by_shape: Mapping[str, Any], examples: Mapping[str, object]
) -> dict[str, object]:
    described: dict[str, object] = {
        "operationId": one.id,
        "tags": [one.tag],
        "summary": one.summary,
        "description": one.description,
    }
    parameters = [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": text,
            "schema": {"type": "string", "minLength": 1},
        }
        for name, text in one.variables.items()
    ]
    if one.is_conditional:
        parameters.append(
            {
                "name": "If-None-Match",
                "in": "header",
                "required": False,
                "description": "An ETag that the caller has; 304 while it is current.",
                "schema": {"type": "string"},
            }
        )
    if parameters:
        described["parameters"] = parameters
    if one.takes is not None:
        content: dict[str, object] = {"schema": by_shape[repr(one.takes)]}
        if examples:
            content["examples"] = {name: {"value": value} for name, value in examples.items()}
        described["requestBody"] = {"required": True, "content": {JSON: content}}
    described["responses"] = _responses(one, by_shape)
    return described


def _responses(one: Described, by_shape: Mapping[str, Any]) -> dict[str, object]:
    content: dict[str, object] = {JSON: {"schema": by_shape[repr(one.answers)]}}
    if TEXT in one.forms:
        content[TEXT] = {"schema": {"type": "string"}}
    ok: dict[str, object] = {"description": "The answer.", "content": content}
    responses: dict[str, object] = {"200": ok}
    if one.is_conditional:
        tag = {"description": "Changes with the catalogue.", "schema": {"type": "string"}}
        ok["headers"] = {"ETag": tag}
        responses["304"] = {"description": "The caller has it already.", "headers": {"ETag": tag}}
    by_status: dict[int, list[str]] = {}
    for code in one.problems:
        by_status.setdefault(KINDS[code].status, []).append(code)
    for status, codes in sorted(by_status.items()):
        responses[str(status)] = {
            "description": "; ".join(f"`{code}`: {KINDS[code].title}" for code in codes),
            "content": {MEDIA_TYPE: {"schema": by_shape[repr(ProblemOut)]}},
        }
    return responses
