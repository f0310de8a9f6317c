"""Operation: describes one call, for its handler, its admission and the API description."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any, Final

from litestar.handlers import BaseRouteHandler
from msgspec import Struct

from kitwright.keeping.key import Scope
from kitwright.web.edge.negotiate import JSON
from kitwright.web.edge.problems import KINDS

OPERATION: Final = "operation"
"""The option of a route handler that holds its operation."""

_ONCE_PROBLEMS: Final = (
    "idempotency-key-missing",
    "idempotency-key-malformed",
    "call-in-progress",
    "idempotency-key-reused",
    "call-undone",
)


class Operation(Struct, frozen=True, kw_only=True):
    """One call.

    `answers` is the struct of the successful answer, None if that is not JSON, and `status` its
    status; `answers_else` is that of another one, depending on the request. `problems` are the
    codes that do not follow from the rest. `variables` describes the path's variables if
    `variables_of` would describe them wrongly; `query` is the struct of the query; `media` are the
    types of a body that is not JSON, or besides `takes`, that may be another than JSON; a call
    whose body `is_streamed` reads it by itself. A JSON body may be left out if it `may_be_empty`.

    `scope` is the scope that a key needs, None if no key is needed; then `is_limited` tells whether
    calls are limited by address. `is_once` if an Idempotency-Key is needed, `is_guarded` if
    `If-Match` is. `is_tagged` if answers carry an ETag: then reading honours `If-None-Match`.
    `keeps` says what a call does with records: it `reads` or `writes`.
    """

    method: str
    path: str
    id: str
    tag: str
    summary: str
    description: str
    answers: Any
    answers_else: Any = None
    problems: tuple[str, ...] = ()
    takes: type[Struct] | None = None
    may_be_empty: bool = False
    forms: tuple[str, ...] = (JSON,)
    variables: Mapping[str, str] = {}
    scope: Scope | None = Scope.READ
    is_limited: bool = False
    is_once: bool = False
    is_guarded: bool = False
    is_tagged: bool = False
    status: int = 200
    query: type[Struct] | None = None
    media: tuple[str, ...] = ()
    is_streamed: bool = False
    keeps: str = ""


def operation_of(handler: BaseRouteHandler) -> Operation | None:
    """Return the operation of a route handler, None if it is not part of the API."""
    found: Operation | None = handler.opt.get(OPERATION)
    return found


def methods_of(one: Operation) -> list[Any]:
    """Return the HTTP methods that a call answers: with GET, it also answers HEAD."""
    return ["GET", "HEAD"] if one.method == "get" else [one.method.upper()]


def route_path(path: str) -> str:
    """Return a path of the API description as the framework's."""
    return path.replace("}", ":str}")


def variables_of(one: Operation) -> dict[str, str]:
    """Return the variables of a path, each with its description."""
    return {
        name: one.variables.get(name, f"Which {before.removesuffix('s')}, by its {name}.")
        for name, before in places_of(one).items()
    }


def places_of(one: Operation) -> dict[str, str]:
    """Return the variables of a path, each with the segment before it."""
    steps = pairwise(one.path.split("/"))
    return {name: before for before, step in steps if (name := step.strip("{}")) != step}


def is_conditional(one: Operation) -> bool:
    """Return whether a call evaluates `If-None-Match`."""
    return one.method == "get" and one.is_tagged


def is_paged(one: Operation) -> bool:
    """Return whether a call answers with one page of a list."""
    return one.query is not None and "cursor" in one.query.__struct_fields__


def problems_of(one: Operation) -> tuple[str, ...]:
    """Return every problem code of a call: its own, and those of all calls of its kind."""
    found = {"not-acceptable", *one.problems}
    if one.method != "get":
        found |= {"body-invalid", "body-too-large"}
    for holds, codes in (
        (one.takes is not None, ("not-json", "body-too-deep", "wrong-media-type")),
        (one.media, ("wrong-media-type",)),
        (one.query is not None, ("query-invalid",)),
        (variables_of(one), ("unknown-record",)),
        (one.is_once, _ONCE_PROBLEMS),
        (one.is_guarded, ("condition-malformed", "record-changed", "condition-missing")),
        (one.keeps, ("record-damaged", "storage-unavailable")),
        (one.keeps and one.tag != "owner", ("records-held",)),
        (one.keeps == "writes", ("storage-full",)),
        (one.scope is not None, ("key-missing", "key-refused", "scope-missing")),
        (one.scope is not None or one.is_limited, ("too-many-calls",)),
    ):
        if holds:
            found |= set(codes)
    return tuple(code for code in KINDS if code in found)
