"""OpenAPI: generates the API description from the operations and the wire structs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

import msgspec

from kitwright.web.calls.posted import PostedOut
from kitwright.web.calls.shown import shown
from kitwright.web.description.examples import Examples, sample_variables
from kitwright.web.description.parameters import (
    HEADERS,
    SECURITY,
    given_headers,
    makes_record,
    parameters,
    references,
    refused_headers,
)
from kitwright.web.description.webhooks import describe_webhooks
from kitwright.web.edge.negotiate import JSON, PDF, SVG
from kitwright.web.edge.operation import Operation, is_conditional, problems_of, variables_of
from kitwright.web.edge.problems import KINDS, MEDIA_TYPE, ProblemOut

_TAGS: Final = {
    "assessments": "From findings at the bench to ranked faults and the next test.",
    "quotes": "Quotes: creating, revising, issuing, deciding, finishing.",
    "tickets": "Machines as they are taken in, before any test.",
    "links": "A customer reads and decides a quote or a ticket by a link, without a key.",
    "orders": "Parts orders (purchase orders).",
    "shelf": "The shelf: what is on hand, reserved and free, and every move of it.",
    "customers": "Customers that quotes are made for; export and erasure of a customer's data.",
    "machines": "Machines and the data on their plates.",
    "papers": "Documents for customers, the bench, the shelves and suppliers.",
    "photos": "Photographs of findings and of steps.",
    "events": "What happened, in order.",
    "owner": "For the owner: keys, webhooks and the audit log.",
    "prices": "Suppliers' price files and the price book.",
    "claims": "Parts that failed, claimed from their suppliers.",
    "reports": "What the records say, and the shop's own estimates that follow from it.",
    "catalogue": "The catalogue: engines, machines, jobs, parts, taxes and the shop.",
    "running": "Health and metrics of the service.",
}
_ABOUT: Final = """\
From findings at the bench to a diagnosis, a complete parts kit, labour minutes, a reconciled \
price and the parts orders.

Money is an amount with its currency; quantities and rates are decimal strings; minutes are whole \
numbers. Unknown members, wrong types and duplicate members are refused.

Every error is an RFC 9457 problem document. Its `code` is stable, and its `type` leads to the \
meaning of the code. For invalid input, `errors` lists every error (at most 100) with a JSON \
pointer. 400 means that the request does not match this description; 422 means that it matches, \
but can't be fulfilled. GET /problems lists all codes.

Every GET also answers HEAD, and every path answers OPTIONS. A path may end in a slash. Every \
answer carries `X-Request-Id`: the caller's own if it sent one of at most 128 letters, digits and \
`._:/+=@-`. A GET that answers with an `ETag` evaluates `If-None-Match`.

Calls need a key in `Authorization: Bearer kw_...` unless they say otherwise. A call that lists \
`Idempotency-Key` or `If-Match` requires it. Lists are paged: `Link` leads to the next page.\
"""
_LIST: Final = re.compile(r"ListOut[_\[](\w+?)[_\]]")


def describe(
    operations: Iterable[Operation], version: str, examples: Examples
) -> dict[str, object]:
    """Return the OpenAPI 3.1 document.

    Args:
        operations: every operation of the service.
        version: of the service.
        examples: requests, path variables and answers by operation.
    """
    operations = tuple(operations)
    answers = [each for one in operations for each in (one.answers, one.answers_else)]
    shapes = [one for one in answers if one is not None]
    shapes += [one.takes for one in operations if one.takes is not None]
    queries = [one.query for one in operations if one.query is not None]
    message = shown(PostedOut)[0]
    shapes += [ProblemOut, message, *queries]
    found, components = msgspec.json.schema_components(
        shapes, ref_template="#/components/schemas/{name}"
    )
    found, components = _plain(found), _plain_members(components)
    by_shape = dict(zip(map(repr, shapes), found, strict=True))
    for one in queries:
        # a query is described parameter by parameter, so it is not a shape of its own
        name = by_shape[repr(one)].get("$ref", "").rpartition("/")[2]
        if name in components:
            by_shape[repr(one)] = components.pop(name)
    paths: dict[str, dict[str, object]] = {}
    for each in operations:
        described = _operation(each, by_shape, examples)
        if each.status == 201:
            _link(each, operations, described)
        paths.setdefault(each.path, {})[each.method] = described
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Kitwright",
            "version": version,
            "summary": "Quotes repairs of small engines: parts, labour, price, parts orders.",
            "description": _ABOUT,
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/", "description": "This service."}],
        "tags": [{"name": name, "description": text} for name, text in _TAGS.items()],
        "paths": paths,
        "webhooks": describe_webhooks(by_shape[repr(message)]),
        "components": {"schemas": components, "headers": HEADERS, "securitySchemes": SECURITY},
    }


def _plain(schema: Any) -> Any:
    """Return a schema with plain names and without the source's line breaks."""
    match schema:
        case dict():
            # the names of properties are not keywords
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
            return "\n\n".join(_unbroken(_name(each)) for each in schema.split("\n\n"))
    return schema


def _unbroken(paragraph: str) -> str:
    """Return a paragraph on one line; rows of a table keep their lines."""
    return paragraph if paragraph.startswith("|") else " ".join(paragraph.split())


def _plain_members(schemas: Mapping[str, Any]) -> dict[str, Any]:
    return {_name(name): _plain(schema) for name, schema in schemas.items()}


def _tell_default(schema: dict[str, Any]) -> None:
    """Move a default into the description: generators treat a member with a default as always
    present.
    """
    default = schema.pop("default")
    if default not in (None, [], {}):
        told = f"Default: `{msgspec.json.encode(default).decode()}`."
        schema["description"] = f"{schema.get('description', '')} {told}".strip()


def _name(text: str) -> str:
    """Return a text with lists of X renamed to XList: `ListOut_FamilyOut_` to `FamilyOutList`."""
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
    variables = {**sample_variables(one), **examples.variables.get(one.id, {})}
    query = None if one.query is None else by_shape[repr(one.query)]
    described["security"] = [] if one.scope is None else [{"key": [one.scope.value]}]
    if found := parameters(one, variables, query):
        described["parameters"] = found
    if one.takes is not None:
        content: dict[str, object] = {"schema": by_shape[repr(one.takes)]}
        requests = examples.requests.get(one.id)
        if requests:
            content["examples"] = {name: {"value": value} for name, value in requests.items()}
        is_required = not one.may_be_empty
        other = {"schema": {"type": "string", "format": "binary"}}
        contents = {JSON: content, **dict.fromkeys(one.media, other)}
        described["requestBody"] = {"required": is_required, "content": contents}
    elif one.media:
        binary = {"schema": {"type": "string", "format": "binary"}}
        described["requestBody"] = {"required": True, "content": dict.fromkeys(one.media, binary)}
    described["responses"] = _responses(one, by_shape, examples)
    return described


def _link(made: Operation, operations: Iterable[Operation], described: dict[str, Any]) -> None:
    """Add links to the calls that take a new record's id (or token) and its ETag."""
    links: dict[str, object] = {}
    for one in operations:
        variables = variables_of(one)
        if len(variables) != 1:
            continue
        (variable,) = variables
        is_below = one.path.startswith(f"{made.path}/{{") and makes_record(made)
        is_named = variable != "id" and variable in getattr(made.answers, "__struct_fields__", ())
        if not is_below and not is_named:
            continue
        given = {variable: f"$response.body#/{'id' if is_below else variable}"}
        if one.is_guarded and made.is_tagged:
            given["header.If-Match"] = "$response.header.ETag"
        links[one.id] = {"operationId": one.id, "parameters": given}
    if links:
        described["responses"]["201"]["links"] = links


def _responses(
    one: Operation, by_shape: Mapping[str, Any], examples: Examples
) -> dict[str, object]:
    content: dict[str, dict[str, object]] = {
        form: {"schema": _answered(one, by_shape) if form == JSON else _text_or_bytes(form)}
        for form in one.forms
    }
    if one.id in examples.answers:
        content[one.forms[0]]["example"] = examples.answers[one.id]
    good = {"description": "The answer.", "headers": given_headers(one), "content": content}
    responses: dict[str, object] = {str(one.status): good}
    if is_conditional(one):
        responses["304"] = {
            "description": "The caller already has the current version.",
            "headers": references(["X-Request-Id", "ETag"]),
        }
    by_status: dict[int, list[str]] = {}
    for code in problems_of(one):
        by_status.setdefault(KINDS[code].status, []).append(code)
    for status, codes in sorted(by_status.items()):
        responses[str(status)] = _refused(status, codes, by_shape)
    return responses


def _answered(one: Operation, by_shape: Mapping[str, Any]) -> dict[str, Any]:
    """Return the schema of an answer that is JSON."""
    schema: dict[str, Any] = by_shape[repr(one.answers)]
    if one.answers_else is None:
        return schema
    return {"anyOf": [schema, by_shape[repr(one.answers_else)]]}


def _text_or_bytes(form: str) -> dict[str, object]:
    """Return the schema of an answer that is not JSON."""
    is_bytes = form == PDF or (form.startswith("image/") and form != SVG)
    return {"type": "string", "format": "binary"} if is_bytes else {"type": "string"}


def _refused(status: int, codes: Iterable[str], by_shape: Mapping[str, Any]) -> dict[str, object]:
    """Return the answer of one status, with its problem codes."""
    return {
        "description": "; ".join(f"`{code}`: {KINDS[code].title}" for code in codes),
        "headers": refused_headers(status),
        "content": {MEDIA_TYPE: {"schema": by_shape[repr(ProblemOut)]}},
    }
