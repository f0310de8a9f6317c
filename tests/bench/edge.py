"""What the door and the edge cost: `python -m tests.bench.edge [REQUESTS]`.

The same bare handler answers the same 64 KiB behind the plain server and behind this service's, in
turns. Prints the microseconds of processor time of each request, and the ratio of the two.
"""

from __future__ import annotations

import socket
import statistics
import sys
from collections.abc import Callable
from typing import Any, Final

import uvicorn
from tests.bench.preview import Started, processor_seconds, started

from kitwright.door import Door
from kitwright.serving import address_of, listen, serve_app, usual_bounds
from kitwright.web.edge.customers import Customers
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.metrics import Metrics

TURNS: Final = 7
_BODY: Final = b"0" * 65_536
_HEADERS: Final = [
    (b"content-type", b"application/json"),
    (b"content-length", str(len(_BODY)).encode()),
]
_ASKED: Final = b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 100\r\n\r\n" + b" " * 100


async def answer(scope: Any, receive: Callable[[], Any], send: Callable[[Any], Any]) -> None:
    """Read a request's body, and answer."""
    if scope["type"] == "lifespan":
        return
    while (await receive()).get("more_body", False):
        pass
    await send({"type": "http.response.start", "status": 200, "headers": [*_HEADERS]})
    await send({"type": "http.response.body", "body": _BODY, "more_body": False})


def serve(kind: str) -> None:
    """Serve the handler behind the `plain` server or this service's."""
    listener = listen("127.0.0.1", 0)
    print(f"listening on {address_of('127.0.0.1', listener)}", flush=True)
    if kind == "plain":
        config = uvicorn.Config(answer, lifespan="off", log_config=None, access_log=False)
        uvicorn.Server(config).run(sockets=[listener])
        return
    edge = Edge(answer, {}, Metrics(), customers=Customers(lambda *_: (b"", "")))
    serve_app(edge, Door(usual_bounds()), [listener], lambda: None, lambda: None)


def cost(server: Started, requests: int) -> float:
    """Return the microseconds of processor time of a request, on one connection."""
    before = processor_seconds(server.process.pid)
    with socket.create_connection(("127.0.0.1", server.port)) as raw, raw.makefile("rb") as file:
        raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for _ in range(requests):
            raw.sendall(_ASKED)
            while file.readline() != b"\r\n":
                pass
            file.read(len(_BODY))
    return (processor_seconds(server.process.pid) - before) / requests * 1e6


def main() -> None:
    if sys.argv[1:] in (["plain"], ["edge"]):
        serve(sys.argv[1])
        return
    requests = int(sys.argv[1]) if sys.argv[1:] else 3_000
    command = [sys.executable, "-m", "tests.bench.edge"]
    with started([*command, "plain"]) as plain, started([*command, "edge"]) as edge:
        turns = [(cost(plain, requests), cost(edge, requests)) for _ in range(TURNS)]
    for name, values in zip(
        ("plain server", "door and edge"), zip(*turns, strict=True), strict=True
    ):
        print(f"{name}: {statistics.median(values):.0f} microseconds a request")
    print(f"ratio: {statistics.median(one / other for one, other in turns):.2f} (of {TURNS} turns)")


if __name__ == "__main__":
    main()
