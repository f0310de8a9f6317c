"""Parameters: describes the path variables, query and headers of each call."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from kitwright.web.edge.operation import Operation, is_conditional, is_paged, variables_of

Described = Mapping[str, Any]

_TAG: Final = "0123456789abcdef0123456789abcdef"
HEADERS: Final[dict[str, dict[str, object]]] = {
    "X-Request-Id": {
        "description": "Identifies this request in the log.",
        "schema": {"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._:/+=@-]{0,127}$"},
    },
    "ETag": {
        "description": "The version of the record or answer; changes whenever that changes.",
        "schema": {"type": "string", "pattern": '^"[0-9a-f]{32}"$'},
    },
    "Location": {
        "description": "The path of the new record.",
        "schema": {"type": "string", "pattern": "^/v1/"},
    },
    "Link": {
        "description": 'If there are more records, `rel="next"` is the next page (RFC 8288).',
        "schema": {"type": "string"},
    },
    "Retry-After": {
        "description": "Whole seconds to wait before retrying the call.",
        "schema": {"type": "string", "pattern": "^[1-9][0-9]*$"},
    },
    "WWW-Authenticate": {
        "description": "The authentication schemes that are accepted.",
        "schema": {"type": "string"},
    },
}
"""Headers of answers, by name."""

SECURITY: Final = {
    "key": {
        "type": "http",
        "scheme": "bearer",
        "description": (
            "A key of this service, `kw_...`. Each call lists the scope that the key needs; "
            "`owner` includes all scopes. For a GET, the key may also be the password of Basic "
            "authentication with any user name, because browsers can ask for it that way."
        ),
    }
}
"""Authentication schemes by name."""

_IF_NONE_MATCH: Final = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "ETags that the caller has, or `*`; 304 if one of them is current.",
    "schema": {"type": "string"},
    "example": f'"{_TAG}"',
}
_IF_MATCH: Final = {
    "name": "If-Match",
    "in": "header",
    "required": True,
    "description": (
        "The ETag of the record as it was read, so that no other change is overwritten unnoticed."
    ),
    "schema": {
        "type": "string",
        # weak tags and an empty list are valid but never match
        "pattern": r'^(\*|((W/)?"[!#-~]{0,64}"(, ?(W/)?"[!#-~]{0,64}"){0,9})?)$',
    },
    "example": f'"{_TAG}"',
}
_IDEMPOTENCY_KEY: Final = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": True,
    "description": (
        "A new key for each operation, the same key for a retry: the operation is done once, and "
        "its retries get the same answer for 24 hours. One string in double quotes; without them, "
        "letters, digits and `._:-` are the same key as within."
    ),
    "schema": {
        "type": "string",
        "pattern": r'^("([ !#-\[\]-~]|\\["\\]){1,255}"|[A-Za-z0-9._:-]{1,255})$',
    },
    "example": '"8e03978e-40d5-43dd-bc93-6894a57f9324"',
}


def makes_record(one: Operation) -> bool:
    """Return whether a call answers with one new record that has an id."""
    return one.status == 201 and "id" in getattr(one.answers, "__struct_fields__", ())


def parameters(
    one: Operation, variables: Mapping[str, str], query: Described | None
) -> list[Described]:
    """Return the parameters of a call.

    Args:
        one: the call.
        variables: an example of each variable of its path.
        query: the schema of the query, None if the call has none.
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
    """Return a member's schema as a parameter's: without null, since a parameter is left out
    instead.
    """
    kinds = [one for one in member.get("anyOf", ()) if one.get("type") != "null"]
    if len(kinds) != 1:
        return dict(member)
    return {**{name: one for name, one in member.items() if name != "anyOf"}, **kinds[0]}


def given_headers(one: Operation) -> dict[str, object]:
    """Return the headers of a call's successful answer."""
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
