"""Methods: answers OPTIONS for paths with several calls."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from litestar import Response
from litestar.handlers import HTTPRouteHandler

from kitwright.web.edge.operation import Operation


def make_handlers(operations: Iterable[Operation]) -> Iterator[HTTPRouteHandler]:
    """Yield a handler of OPTIONS for each path with several operations.

    Register them first: the framework makes its own handler as soon as it meets a path, and that
    one names only the first method.
    """
    by_path: dict[str, list[str]] = {}
    for one in operations:
        by_path.setdefault(one.path, []).append(one.method.upper())
    for path, methods in by_path.items():
        if len(methods) > 1:
            yield _options(path, ", ".join(sorted([*methods, "OPTIONS"])))


def _options(path: str, allow: str) -> HTTPRouteHandler:
    async def options() -> Response[None]:
        return Response(None, status_code=204, headers={"Allow": allow})

    handler = HTTPRouteHandler(path.replace("}", ":str}"), http_method="OPTIONS", status_code=204)
    return handler(options)
