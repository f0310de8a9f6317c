"""Parameters: what the API description says of a call's path, query and headers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from kitwright.web.edge.operation import Operation, is_conditional, is_paged, variables_of

Described = Mapping[str, Any]

_TAG: Final = "0123456789abcdef0123456789abcdef"
HEADERS: Final[dict[str, dict[str, object]]] = {
    "X-Request-Id": {
        "description": "Names this request in the log.",
        "schema": {"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._:/+=@-]{0,127}$"},
    },
    "ETag": {
        "description": "Changes whenever what it is of does.",
        "schema": {"type": "string", "pattern": '^"[0-9a-f]{32}"$'},
    },
    "Location": {
        "description": "Where the new record is found.",
        "schema": {"type": "string", "pattern": "^/v1/"},
    },
    "Link": {
        "description": 'Where there are more, `rel="next"` leads to them (RFC 8288).',
        "schema": {"type": "string"},
    },
    "Retry-After": {
        "description": "Whole seconds to wait before the call is sent again.",
        "schema": {"type": "string", "pattern": "^[1-9][0-9]*$"},
    },
    "WWW-Authenticate": {
        "description": "How a key is shown.",
        "schema": {"type": "string"},
    },
}
"""Headers of answers, by name."""

SECURITY: Final = {
    "key": {
        "type": "http",
        "scheme": "bearer",
        "description": (
            "A key of this service, `kw_...`. What a call names beside it is the scope that the "
            "key must have; `owner` is good for all. For a GET it may also be the password of "
            "Basic authentication, with any name, as browsers ask for it."
        ),
    }
}
"""How callers show who they are, by name."""

_IF_NONE_MATCH: Final = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "ETags that the caller has, or `*`; 304 while one of them is current.",
    "schema": {"type": "string"},
    "example": f'"{_TAG}"',
}
_IF_MATCH: Final = {
    "name": "If-Match",
    "in": "header",
    "required": True,
    "description": (
        "The ETag of the record as it was read, so that nobody's change is overwritten unseen."
    ),
    "schema": {
        "type": "string",
        # weak tags, and no tag at all, are legal and never match
        "pattern": r'^(\*|((W/)?"[!#-~]{0,64}"(, ?(W/)?"[!#-~]{0,64}"){0,9})?)$',
    },
    "example": f'"{_TAG}"',
}
_IDEMPOTENCY_KEY: Final = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": True,
    "description": (
        "New for each thing to be done, the same when a call is sent again: then it is done once, "
        "and answered alike for 24 hours. One string in double quotes."
    ),
    "schema": {
        "type": "string",
        "pattern": r'^("([ !#-\[\]-~]|\\["\\]){1,255}"|[A-Za-z0-9._:-]{1,255})$',
    },
    "example": '"8e03978e-40d5-43dd-bc93-6894a57f9324"',
}


def makes_record(one: Operation) -> bool:
    """Return whether a call answers with one new record, which its id leads to."""
    return one.status == 201 and "id" in getattr(one.answers, "__struct_fields__", ())


def parameters(
    one: Operation, variables: Mapping[str, str], query: Described | None
) -> list[Described]:
    """Return the parameters of a call.

    Args:
        one: the call.
        variables: an example of each variable of its path.
        query: the schema of what may stand behind the path, where anything may.
    """
    found: list[Described] = [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": text,
            "schema": {"type": "string", "minLength": 1, "maxLength": 200},
            "example": variables[name],
        }
        for name, text in variables_of(one).items()
    ]
    if query is not None:
        found += _queried(query)
    if one.is_once:
        found.append(_IDEMPOTENCY_KEY)
    if one.is_guarded:
        found.append(_IF_MATCH)
    if is_conditional(one):
        found.append(_IF_NONE_MATCH)
    return found


def _queried(query: Described) -> Iterator[Described]:
    for name, member in query["properties"].items():
        schema = _without_null(member)
        told = {"description": schema.pop("description")} if "description" in schema else {}
        examples = schema.pop("examples", None)
        yield {
            "name": name,
            "in": "query",
            "required": name in query.get("required", ()),
            **told,
            "schema": schema,
            **({"example": examples[0]} if examples else {}),
        }


def _without_null(member: Described) -> dict[str, Any]:
    """Return a member's schema as a parameter's, which is left out instead of null."""
    kinds = [one for one in member.get("anyOf", ()) if one.get("type") != "null"]
    if len(kinds) != 1:
        return dict(member)
    return {**{name: one for name, one in member.items() if name != "anyOf"}, **kinds[0]}


def given_headers(one: Operation) -> dict[str, object]:
    """Return the headers of a call's good answer."""
    named = ["X-Request-Id"]
    if one.is_tagged:
        named.append("ETag")
    if makes_record(one):
        named.append("Location")
    if is_paged(one):
        named.append("Link")
    return references(named)


def refused_headers(status: int) -> dict[str, object]:
    """Return the headers of a refusal."""
    more = {401: ["WWW-Authenticate"], 412: ["ETag"]}
    waits = ["Retry-After"] if status in (429, 503, 507) else []
    return references(["X-Request-Id", *more.get(status, ()), *waits])


def references(names: list[str]) -> dict[str, object]:
    """Return references to headers that are described once."""
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}
