"""Direct: the everyday form of one call, answered past the framework's routing and responses.

A counter asks for quotes all day, and with everything of the draft at hand the framework would
take longer than the quote. Whatever is not of the everyday form (other methods, paths, media
types), and everything that is refused or fails, goes the ordinary way and is answered there.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

from litestar import Request
from litestar.enums import ScopeType
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp, HTTPScope, Receive, Scope, Send

from kitwright.web.edge.body import receive_body
from kitwright.web.edge.negotiate import JSON

_MET: Final = "met_directly"
_JSON: Final = JSON.encode()
_PLAIN_HOST: Final = re.compile(rb"[0-9A-Za-z.:\[\]-]+")
"""Within what the framework takes for a host."""


class Direct:
    """An application with a short way to one of its calls.

    Args:
        app: the application, which has the call as well.
        handler: the call's own; requests are logged and counted by its name.
        path: the call's path.
        admit: lets the caller in, or raises.
        work: makes the body of the answer, JSON, of the body of the request. What it or `admit`
            raises is raised again by `handler`, through `raise_met`, and answered like any error.
    """

    def __init__(
        self,
        app: ASGIApp,
        handler: HTTPRouteHandler,
        path: str,
        admit: Callable[[HTTPScope], None],
        work: Callable[[bytes], bytes],
    ) -> None:
        self._app = app
        self._handler = handler
        self._path = path
        self._admit = admit
        self._work = work

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != ScopeType.HTTP or scope["path"] != self._path:
            await self._app(scope, receive, send)
            return
        announced = _everyday_length(scope)
        if announced is None:
            await self._app(scope, receive, send)
            return
        scope["route_handler"] = self._handler
        try:
            self._admit(scope)
            body = self._work(await receive_body(announced, receive))
        except Exception as error:  # noqa: BLE001 - the ordinary way raises it again
            scope["state"][_MET] = error
            await self._app(scope, receive, send)
            return
        headers = [
            (b"vary", b"Accept"),
            (b"content-type", _JSON),
            (b"content-length", str(len(body)).encode()),
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": body, "more_body": False})


def raise_met(request: Request[Any, Any, Any]) -> None:
    """Raise what the short way met with this request, if it came that way."""
    met = request.scope["state"].pop(_MET, None)
    if met is not None:
        raise met


def _everyday_length(scope: HTTPScope) -> str | None:
    """Return the announced length of a request of the everyday form, None of any other form: JSON
    is posted, and JSON or anything is taken.
    """
    if scope["method"] != "POST" or scope.get("root_path"):
        return None
    length = None
    is_json = False
    for name, value in scope["headers"]:
        if name == b"content-length" and length is None:
            length = value.decode("latin-1")
        elif name == b"content-type" and value == _JSON:
            is_json = True
        elif (
            name in _DECIDES
            and not (name == b"accept" and value in (_JSON, b"*/*"))
            and not (name == b"host" and _PLAIN_HOST.fullmatch(value))
        ):
            return None
    return length if is_json else None


_DECIDES: Final = frozenset(
    (b"accept", b"host", b"content-type", b"content-length", b"content-encoding")
)
"""Headers that decide how a request is answered; a second length is none of the everyday."""
