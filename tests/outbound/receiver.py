"""A receiver of webhooks on this machine that answers as it is told, well or badly."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]

# Made for these tests, good for hook.example alone, signed by itself, until 2126:
# openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 36500 \
#   -subj /CN=hook.example -addext subjectAltName=DNS:hook.example
CERTIFICATE = Path(__file__).with_name("hook.example.pem")


class Receiver:
    """What a receiver saw: requests, head and body, and connections now open."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.url = f"http://127.0.0.1:{port}/in"
        self.requests: list[tuple[str, bytes]] = []
        self.connections = 0
        self.open = 0
        self.sent = 0


@asynccontextmanager
async def receiving(
    answer: bytes | Handler, tls: ssl.SSLContext | None = None
) -> AsyncIterator[Receiver]:
    """Receive at a free port of this machine; answer with bytes, or by a handler after the request
    was read.
    """
    tasks: set[asyncio.Task[None]] = set()

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        receiver.connections += 1
        receiver.open += 1
        # A client that leaves is no fault of the receiver; the end of the test is none either.
        with suppress(OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
            length = int(head.lower().partition("content-length:")[2].split("\r\n")[0] or 0)
            receiver.requests.append((head, await reader.readexactly(length)))
            if isinstance(answer, bytes):
                writer.write(answer)
                await writer.drain()
            else:
                await answer(reader, writer)
        receiver.open -= 1
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()

    server = await asyncio.start_server(handle, "127.0.0.1", 0, ssl=tls)
    receiver = Receiver(server.sockets[0].getsockname()[1])
    try:
        yield receiver
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()


def answered(status: str, *headers: str, body: bytes = b"") -> bytes:
    """Return an answer as it is sent."""
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers, "", ""]
    return "\r\n".join(lines).encode("latin-1") + body


def server_tls() -> ssl.SSLContext:
    """Return what a receiver needs to be hook.example."""
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(CERTIFICATE)
    return tls


def client_tls() -> ssl.SSLContext:
    """Return what trusts that receiver, by its name only."""
    return ssl.create_default_context(cafile=str(CERTIFICATE))
