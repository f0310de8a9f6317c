"""Serving: runs an application at an address until it is stopped."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

import uvicorn
from uvicorn.protocols.http.auto import AutoHTTPProtocol
from uvicorn.server import HANDLED_SIGNALS

from kitwright.errors import KitwrightError, reason_of
from kitwright.web.edge.edge import Edge, refusal_of_no_http

_PATIENCE: Final = 5
"""Seconds that requests in progress have to finish when the service is stopped."""


def serve_app(
    app: Edge,
    host: str,
    port: int,
    told: Callable[[str], None],
    hung_up: Callable[[], None],
) -> None:
    """Serve until SIGINT or SIGTERM.

    `told` is called with the address once the application answers. `hung_up` is called inside the
    event loop on SIGHUP, if the system has that signal. Port 0 selects a free port.
    """
    listener = _listen(host, port)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{listener.getsockname()[1]}"
    config = uvicorn.Config(
        app,
        http=_PROTOCOL,
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        # nothing here asks for the caller's address or scheme, which they would change
        proxy_headers=False,
        timeout_graceful_shutdown=_PATIENCE,
    )
    settle_garbage()
    # what a request makes is gone with it, by its count of references; cycles are rare
    gc.set_threshold(100_000, 50, 100)
    server = _Server(config, lambda: told(address), hung_up)
    with asyncio.Runner(loop_factory=config.get_loop_factory()) as runner:
        runner.run(server.serve(sockets=[listener]))


def settle_garbage() -> None:
    """Free unused objects, and exclude the rest from garbage collection, as they stay in use."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


def _listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens. Raises: AddressUnusable.

    Its protocol is named: asyncio turns Nagle's algorithm off only for sockets it knows to be TCP,
    and with it on, an answer's body waits up to 40 ms for its headers to be acknowledged.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(2048)
    except OSError as error:
        listener.close()
        raise AddressUnusable(host, port, reason_of(error)) from error
    return listener


class AddressUnusable(KitwrightError):
    """An address that the service can't listen on."""

    code = "address-unusable"

    def __init__(self, host: str, port: int, because: str) -> None:
        super().__init__(f"can't listen on {host}, port {port}: {because}")
        self.host = host
        self.port = port


class _Server(uvicorn.Server):
    """A server that reports when it answers, and that shuts down normally on a signal."""

    def __init__(
        self, config: uvicorn.Config, told: Callable[[], None], hung_up: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._told = told
        self._hung_up = hung_up

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, then report the address."""
        await super().startup(sockets=sockets)
        if sys.platform != "win32":
            asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, self._hung_up)
        self._told()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Stop on a signal. The base class would raise the signal again when all is done, which
        ends the process before it has tidied up.
        """
        before = {name: signal.signal(name, self.handle_exit) for name in HANDLED_SIGNALS}
        try:
            yield
        finally:
            for name, handler in before.items():
                signal.signal(name, handler)


def _refuse(protocol: Any, _: str) -> None:
    """Answer bytes that are not HTTP with a problem document, like every other error."""
    protocol.transport.write(refusal_of_no_http())
    protocol.transport.close()


# Whichever of its parsers uvicorn has: both send such an answer by this method.
_PROTOCOL: Final = type("Protocol", (AutoHTTPProtocol,), {"send_400_response": _refuse})
