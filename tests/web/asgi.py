"""A caller of an ASGI application that sends exactly the messages it is told to."""

import asyncio
from collections.abc import Iterable, Sequence
from typing import Any

from msgspec import Struct

from kitwright.web.edge.edge import Edge

Header = tuple[bytes, bytes]


class Answered(Struct, frozen=True, kw_only=True):
    """An answer, and how many bytes of the request's body were taken before it came."""

    status_code: int
    headers: dict[str, str]
    content: bytes
    taken: int


def ask(
    app: Edge,
    path: str,
    *,
    method: str = "POST",
    headers: Sequence[Header] = (),
    parts: Iterable[bytes] = (b"",),
    leaves: bool = False,
) -> Answered:
    """Return the answer to a request whose body comes in parts; `leaves` where the caller goes
    away before the last.
    """
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": b"",
        "headers": list(headers),
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 2),
    }
    coming = iter(parts)
    sent: list[Any] = []
    taken = 0

    async def receive() -> Any:
        nonlocal taken
        part = next(coming, None)
        if part is None:
            if leaves:
                return {"type": "http.disconnect"}
            return {"type": "http.request", "body": b"", "more_body": False}
        taken += len(part)
        return {"type": "http.request", "body": part, "more_body": True}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))  # type: ignore[arg-type]
    return Answered(
        status_code=sent[0]["status"],
        headers={name.decode(): value.decode() for name, value in sent[0]["headers"]},
        content=b"".join(each["body"] for each in sent[1:]),
        taken=taken,
    )
