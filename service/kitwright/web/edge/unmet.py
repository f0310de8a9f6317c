"""Unmet: answers requests with an unknown path, with a method that the path does not take, and with
OPTIONS.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from difflib import get_close_matches
from typing import Any, Final

from litestar import Request, Response
from litestar.exceptions import (
    HTTPException,
    MethodNotAllowedException,
    NotFoundException,
)
from litestar.handlers import HTTPRouteHandler

from kitwright.web.edge.operation import Operation, methods_of, route_path
from kitwright.web.edge.problems import Refusal, on_refusal
from kitwright.web.edge.wording import shown

_MOST_SHOWN: Final = 100
_MOST_COMPARED: Final = 64
"""The longest path that is compared with known paths: comparing takes time, and needs no key."""
_CLOSE: Final = 0.7
"""The similarity at which a path is suggested, from 0 to 1 (equal)."""

Handlers = dict[int | type[Exception], Callable[..., Response[bytes]]]
"""Exception class -> handler, for the application."""


def make_exception_handlers(templates: Iterable[str]) -> Handlers:
    """Return the handlers of errors for calls that no route handler takes.

    Args:
        templates: every path of the API description, with its variables in braces.
    """
    known = tuple(dict.fromkeys(templates))

    def unknown(request: Request[Any, Any, Any], _: HTTPException) -> Response[bytes]:
        path = request.scope["path"]
        close = nearest(path, known)
        hint = f"did you mean {close}?" if close else "/docs lists all paths"
        return on_refusal(
            request, Refusal("not-found", f"no path {shown(path, _MOST_SHOWN)} here; {hint}")
        )

    def untaken(request: Request[Any, Any, Any], error: HTTPException) -> Response[bytes]:
        allow = (error.headers or {}).get("allow", "")
        methods = sorted(each.strip() for each in allow.split(","))
        path, method = request.scope["path"], request.scope["method"]
        detail = (
            f"{shown(path, _MOST_SHOWN)} does not take {method[:20]}: it takes {_listed(methods)}"
        )
        headers = {"Allow": ", ".join(methods)}
        return on_refusal(request, Refusal("method-not-allowed", detail, headers=headers))

    return {NotFoundException: unknown, MethodNotAllowedException: untaken}


def make_options_handlers(operations: Iterable[Operation]) -> Iterator[HTTPRouteHandler]:
    """Yield a handler of OPTIONS for each path with several operations.

    Register them first: the framework makes its own handler as soon as it meets a path, and that
    one names only the first method.
    """
    by_path: dict[str, set[str]] = {}
    for operation in operations:
        by_path.setdefault(operation.path, {"OPTIONS"}).update(methods_of(operation))
    for path, methods in by_path.items():
        yield HTTPRouteHandler(
            route_path(path),
            http_method="OPTIONS",
            status_code=204,
            response_headers={"Allow": ", ".join(sorted(methods))},
        )(_options)


async def _options() -> None:
    """Answer with the headers alone."""


def nearest(path: str, templates: Iterable[str]) -> str | None:
    """Return the template that a path was most likely meant for, None if none is similar.

    Variables match any text.
    """
    if len(path) > _MOST_COMPARED:
        return None
    given = path.split("/")
    filled = {_filled(template, given): template for template in reversed([*templates])}
    close = get_close_matches(path, filled, n=1, cutoff=_CLOSE)
    return filled[close[0]] if close else None


def _filled(template: str, given: list[str]) -> str:
    """Return a template with the segments of a path in place of its variables."""
    segments = template.split("/")
    for place, segment in enumerate(segments):
        if segment.startswith("{") and place < len(given):
            segments[place] = given[place]
    return "/".join(segments)


def _listed(methods: list[str]) -> str:
    return " and ".join((", ".join(methods[:-1]), methods[-1])) if methods[1:] else methods[0]
