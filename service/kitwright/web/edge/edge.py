"""Edge: wraps the framework: common headers, unexpected errors, and a log line and a count for
every request.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from http import HTTPStatus
from itertools import count
from secrets import token_hex
from time import perf_counter
from typing import Any, Final

import msgspec
from litestar.enums import ScopeType
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Send
from litestar.types import Scope as AsgiScope

from kitwright.web.edge.customers import Customers
from kitwright.web.edge.log import Journal
from kitwright.web.edge.metrics import Metrics
from kitwright.web.edge.problems import KINDS, MEDIA_TYPE, log_bug, problem

MOST_PATH: Final = 2_048
"""The longest path, in bytes as sent."""
REQUEST_ID: Final = b"x-request-id"

_PROCESS: Final = token_hex(4)
_COUNTED: Final = count(1)
"""Prefix of new request ids: random for each process, then a counter, so that ids are unique
without further system calls.
"""
_UNROUTED: Final = "none"
_GONE: Final = 499
"""Status in the log and metrics if the caller disconnected before an answer; it is not sent."""
_SOUND_ID: Final = re.compile(rb"[A-Za-z0-9][A-Za-z0-9._:/+=@-]{0,127}")
_ALWAYS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
)
_UNLESS_SET: Final = (
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"cache-control", b"no-store"),
)


class Edge:
    """An ASGI application with the edge around it.

    Args:
        app: the inner application, which names the operation of a request by its route handler.
        paths: operation id -> path of the API description.
        metrics: counts and times every request.
        journal: gets a line for every request, if given.
        behind: receives the server's start and stop; `app` if not given.
        customers: what customers are answered.
    """

    def __init__(
        self,
        app: ASGIApp,
        paths: Mapping[str, str],
        metrics: Metrics,
        journal: Journal | None = None,
        *,
        behind: ASGIApp | None = None,
        customers: Customers | None = None,
    ) -> None:
        self._app = app
        self._behind = behind or app
        self._paths = paths
        self.metrics = metrics
        self._journal = journal
        self._customers = customers

    def answer_by(self, app: ASGIApp) -> None:
        """Let another application with the same paths answer from now on.

        Requests in progress are completed by the application that received them.
        """
        self._app = app

    async def __call__(self, scope: AsgiScope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != ScopeType.HTTP:
            await self._behind(scope, receive, send)
            return
        begun = perf_counter()
        customers = self._customers
        answer = _Answer(scope, send if customers is None else customers.meet(scope, send))
        try:
            if customers is not None and customers.port is not None and customers.is_shut(scope):
                await answer.problem("not-found")
            elif len(scope.get("raw_path", b"")) > MOST_PATH:
                await answer.problem("path-too-long")
            else:
                await self._app(scope, receive, answer.send)
        except Exception as error:
            log_bug(error, answer.request_id)
            if answer.status:
                # too late for another answer: the server closes the connection
                raise
            await answer.problem("internal-error")
        finally:
            self._note(scope, answer, perf_counter() - begun)

    def _note(self, scope: HTTPScope, answer: _Answer, seconds: float) -> None:
        handler: Any = scope.get("route_handler")
        operation = getattr(handler, "name", None) or _UNROUTED
        status = answer.status or _GONE
        self.metrics.note(operation, status, seconds)
        if self._journal is not None:
            facts = {
                "request_id": answer.request_id,
                "method": scope["method"],
                "operation": operation,
                "path": self._paths.get(operation),
                "status": status,
                "problem": answer.state.get("problem"),
                "ms": round(seconds * 1000, 3),
            }
            self._journal.write("info" if status < 500 else "error", "request", facts)


class _Answer:
    """One answer being sent."""

    def __init__(self, scope: HTTPScope, send: Send) -> None:
        self.request_id = _request_id(scope)
        self.status = 0
        self._send = send
        self._is_head = scope["method"] == "HEAD"
        self.state = scope.setdefault("state", {})
        self.state["request_id"] = self.request_id

    async def send(self, message: Message) -> None:
        """Send a message of the application with the common headers; no body for HEAD."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = [*message["headers"]]
            there = {name for name, _ in headers}
            headers += [each for each in _UNLESS_SET if each[0] not in there]
            headers += _ALWAYS
            headers.append((REQUEST_ID, self.request_id.encode()))
            message["headers"] = headers
        elif message["type"] == "http.response.body" and self._is_head:
            message["body"] = b""
        await self._send(message)

    async def problem(self, code: str) -> None:
        """Send a problem document without calling the application."""
        self.state["problem"] = code
        headers, body = _document(code, KINDS[code].advice)
        status = KINDS[code].status
        await self.send({"type": "http.response.start", "status": status, "headers": headers})
        await self.send({"type": "http.response.body", "body": body, "more_body": False})


def _request_id(scope: HTTPScope) -> str:
    """Return the caller's id of a request if it is well formed, else a new one."""
    for name, value in scope["headers"]:
        if name == REQUEST_ID and _SOUND_ID.fullmatch(value):
            return value.decode()
    return f"{_PROCESS}{next(_COUNTED):08x}"


def _document(code: str, detail: str) -> tuple[list[tuple[bytes, bytes]], bytes]:
    """Return headers and body of a problem document."""
    body = msgspec.json.encode(problem(code, detail))
    headers = [
        (b"content-type", MEDIA_TYPE.encode()),
        (b"content-length", str(len(body)).encode()),
    ]
    return headers, body


def whole_problem(code: str, detail: str) -> bytes:
    """Return the complete answer, as bytes, to a request that does not reach the application."""
    headers, body = _document(code, detail)
    headers += [*_UNLESS_SET, *_ALWAYS, (b"connection", b"close")]
    status = HTTPStatus(KINDS[code].status)
    first = f"HTTP/1.1 {status.value} {status.phrase}".encode()
    lines = (first, *(name + b": " + value for name, value in headers))
    return b"\r\n".join((*lines, b"", body))
