"""Customers: what the edge does for them: their own listener, a path of the shop's own address, and
pages in place of problem documents.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from litestar.types import HTTPScope, Message, Send

from kitwright.web.edge.negotiate import HTML, JSON, weight
from kitwright.web.edge.problems import MEDIA_TYPE

LINKS: Final = "/v1/links/"
"""The start of every path that customers may ask for."""

PageOf = Callable[[str, str], tuple[bytes, str]]
"""Returns the page that tells customers of a problem, and the page's policy, by the problem's code
and the `Accept-Language` of the request.
"""


class Customers:
    """What customers are answered.

    Args:
        page: makes the pages.
        prefix: the path of the public address, without a slash at its end. Proxies may leave it on
            the paths of requests or remove it.
    """

    def __init__(self, page: PageOf, prefix: str = "") -> None:
        self.page = page
        self._prefix = prefix
        self.port: int | None = None
        """The port at which only links are answered, if there is one."""

    def meet(self, scope: HTTPScope, send: Send) -> Send:
        """Return the function that sends an answer: to customers with a browser, pages."""
        if self._prefix:
            self._strip(scope)
        if not scope["path"].startswith(LINKS) and (self.port is None or not self.is_shut(scope)):
            return send
        return _PageSend(scope, send, self.page) if _has_browser(scope) else send

    def is_shut(self, scope: HTTPScope) -> bool:
        """Return whether a request came to the customers' port but asks for something else."""
        server = scope.get("server")
        if self.port is None or server is None or server[1] != self.port:
            return False
        return not scope["path"].startswith(LINKS)

    def _strip(self, scope: HTTPScope) -> None:
        if scope["path"].startswith(f"{self._prefix}{LINKS}"):
            scope["path"] = scope["path"].removeprefix(self._prefix)
            scope["raw_path"] = scope["raw_path"].removeprefix(self._prefix.encode())


class _PageSend:
    """Sends an answer, but a page in place of a problem document."""

    def __init__(self, scope: HTTPScope, send: Send, page: PageOf) -> None:
        self._scope = scope
        self._send = send
        self._page = page
        self._body: bytes | None = None

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._begin(message)
        elif message["type"] == "http.response.body" and self._body is not None:
            is_head = self._scope["method"] == "HEAD"
            message["body"] = b"" if is_head else self._body
            self._body = b""
        await self._send(message)

    def _begin(self, message: Any) -> None:
        headers = dict(message["headers"])
        if headers.get(b"content-type", b"").partition(b";")[0] != MEDIA_TYPE.encode():
            return
        self._body, policy = self._page(
            self._scope["state"].get("problem", ""), _asked(self._scope, b"accept-language")
        )
        headers |= {
            b"content-type": f"{HTML}; charset=utf-8".encode(),
            b"content-length": str(len(self._body)).encode(),
            b"content-security-policy": policy.encode(),
            b"vary": b"Accept, Accept-Language",
        }
        message["headers"] = list(headers.items())


def _has_browser(scope: HTTPScope) -> bool:
    """Return whether a request prefers pages."""
    asked = _asked(scope, b"accept")
    return weight(HTML, asked) > weight(JSON, asked)


def _asked(scope: HTTPScope, name: bytes) -> str:
    """Return all values of a header of a request."""
    return ",".join(value.decode("latin-1") for each, value in scope["headers"] if each == name)
