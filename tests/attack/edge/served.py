"""A small application behind the real door, with short deadlines: `python -m
tests.attack.edge.served MEMBER=VALUE...` sets members of the bounds.

It answers with the length of the body, `/slow` after a second, `/large` with 64 MiB.
"""

from __future__ import annotations

import asyncio
import json
import sys
from typing import Any

import msgspec
from msgspec import structs

from kitwright.door import Bounds, Door
from kitwright.serving import address_of, listen, serve_app
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.metrics import Metrics

SHORT = Bounds(
    head_seconds=1.0,
    body_seconds=1.0,
    idle_seconds=1,
    taking_seconds=1.0,
    body_bytes=1_000_000,
    slowest=100_000,
)
_PIECE = b"0" * 65_536


async def answer(scope: Any, receive: Any, send: Any) -> None:
    """Answer one request of a client."""
    if scope["type"] == "lifespan":
        while True:
            message = await receive()
            await send({"type": f"{message['type']}.complete"})
            if message["type"] == "lifespan.shutdown":
                return
    size, more = 0, True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        size += len(message.get("body", b""))
        more = message.get("more_body", False)
    pieces = 1_024 if scope["path"] == "/large" else 0
    if scope["path"] == "/slow":
        await asyncio.sleep(1)
    body = str(size).encode()
    length = str(len(body) + pieces * len(_PIECE)).encode()
    headers = [(b"content-length", length)]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    for _ in range(pieces):
        await send({"type": "http.response.body", "body": _PIECE, "more_body": True})
    await send({"type": "http.response.body", "body": body, "more_body": False})


def main() -> None:
    """Serve until stopped."""
    given = {name: json.loads(value) for name, value in (one.split("=") for one in sys.argv[1:])}
    bounds = msgspec.convert(structs.asdict(SHORT) | given, Bounds)
    listener = listen("127.0.0.1", 0)
    said = f"listening on {address_of('127.0.0.1', listener)}"
    serve_app(
        Edge(answer, {}, Metrics()),
        Door(bounds, lambda address: address == "127.0.0.77"),
        [listener],
        lambda: print(said, flush=True),
        lambda: None,
    )


if __name__ == "__main__":
    main()
