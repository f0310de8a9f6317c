"""A load generator: keep-alive connections that each post one request after the other."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator, Sequence
from functools import partial

CONNECTIONS = 16


class Connection(asyncio.Protocol):
    """Posts requests from a shared queue, one at a time, and notes how long each answer took."""

    def __init__(
        self,
        queue: Iterator[bytes],
        seconds: list[float],
        done: asyncio.Future[None],
        *,
        may_refuse: bool = False,
    ) -> None:
        taken = (b"200", b"201", *((b"422",) if may_refuse else ()))
        self._taken = tuple(b"http/1.1 " + status for status in taken)
        self._queue = queue
        self._seconds = seconds
        self._done = done
        self._left = 0
        self._head = b""
        self._sent = 0.0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._next()

    def _next(self) -> None:
        request = next(self._queue, None)
        if request is None:
            self._transport.close()
            if not self._done.done():
                self._done.set_result(None)
            return
        self._head = b""
        self._left = -1
        self._sent = time.perf_counter()
        self._transport.write(request)

    def data_received(self, data: bytes) -> None:
        if self._left < 0:
            self._head += data
            end = self._head.find(b"\r\n\r\n")
            if end < 0:
                return
            head, data = self._head[:end].lower(), self._head[end + 4 :]
            if not head.startswith(self._taken):
                self._done.set_exception(RuntimeError(self._head.decode(errors="replace")[:600]))
                self._transport.close()
                return
            self._left = int(head.split(b"content-length:")[1].split(b"\r\n")[0])
        self._left -= len(data)
        if self._left == 0:
            self._seconds.append(time.perf_counter() - self._sent)
            self._next()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self._done.done():
            self._done.set_exception(exc or ConnectionError("the server closed the connection"))


async def drive(
    port: int, requests: Sequence[bytes], *, may_refuse: bool = False
) -> tuple[float, list[float]]:
    """Send every request once; return the seconds it took in all, and each answer's, sorted.

    Where the server `may_refuse`, a 422 is an answer like any other.
    """
    loop = asyncio.get_running_loop()
    queue = iter(requests)
    seconds: list[float] = []
    done = [loop.create_future() for _ in range(CONNECTIONS)]
    start = time.perf_counter()
    for each in done:
        connect = partial(Connection, queue, seconds, each, may_refuse=may_refuse)
        await loop.create_connection(connect, "127.0.0.1", port)
    await asyncio.gather(*done)
    return time.perf_counter() - start, sorted(seconds)


def request(method: str, path: str, body: bytes = b"", **headers: str) -> bytes:
    """Return a request as it goes over the wire; `Idempotency_Key` is written with dashes."""
    lines = [
        f"{method} {path} HTTP/1.1",
        "Host: 127.0.0.1",
        "Accept: application/json",
        f"Content-Length: {len(body)}",
        *(f"{name.replace('_', '-')}: {value}" for name, value in headers.items()),
    ]
    if body:
        lines.append("Content-Type: application/json")
    return "\r\n".join((*lines, "", "")).encode() + body


def post(path: str, body: bytes, **headers: str) -> bytes:
    """Return a request with a JSON body as it goes over the wire."""
    return request("POST", path, body, **headers)
