"""Serving: runs an application at an address until it is stopped."""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import signal
import socket
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Final

import uvicorn
from uvicorn.server import HANDLED_SIGNALS

from kitwright.door import Bounds, Door, allow_files, bounds_for, guarded_by
from kitwright.errors import KitwrightError, reason_of
from kitwright.web.edge.edge import Edge

_PATIENCE: Final = 5
"""Seconds that requests in progress have to finish when the service is stopped."""
_FEW: Final = 256
"""Fewer connections than these are few: a warning says how to have more."""
_PORTIONS: Final = (10_000, 2, 1_000_000)
"""After how many new objects those are looked through, after how many such looks their survivors
are, and after how many of these everything is: never.
"""
_LOG: Final = logging.getLogger(__name__)


def serve_app(
    app: Edge,
    door: Door,
    listeners: Sequence[socket.socket],
    started: Callable[[], None],
    hung_up: Callable[[], None],
) -> None:
    """Serve at some `listen`ing sockets, through a door, until SIGINT or SIGTERM.

    `started` is called once the application answers. `hung_up` is called inside the event loop on
    SIGHUP, if the system has that signal.
    """
    config = uvicorn.Config(
        app,
        http=guarded_by(door),
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        # the caller's address is read from headers by the edge, and the scheme is not used
        proxy_headers=False,
        backlog=door.bounds.backlog,
        timeout_keep_alive=door.bounds.idle_seconds,
        timeout_graceful_shutdown=_PATIENCE,
    )
    settle_garbage()
    calm_garbage()
    server = _Server(config, door, started, hung_up)
    with asyncio.Runner(loop_factory=config.get_loop_factory()) as runner:
        runner.run(server.serve(sockets=list(listeners)))


def usual_bounds() -> Bounds:
    """Return the bounds that fit the number of files that this process may open, after raising that
    number as far as it may.
    """
    files = allow_files()
    bounds = bounds_for(files)
    if bounds.connections < _FEW:
        _LOG.warning(
            "only %d files may be open (ulimit -n), so at most %d connections are kept at a time",
            files,
            bounds.connections,
        )
    return bounds


def calm_garbage() -> None:
    """Look for unused objects in small portions: looking through one stops every thread, the event
    loop's too, for about 0.3 ms per thousand objects.

    What a request makes is gone with it, by its count of references; cycles are rare. What two
    looks have found in use is remembered, and not looked through until `settle_garbage`.
    """
    gc.set_threshold(*_PORTIONS)


def settle_garbage() -> None:
    """Free unused objects, and exclude the rest from garbage collection, as they stay in use."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


def address_of(host: str, listener: socket.socket) -> str:
    """Return the address of a socket that listens on a host, as the start of a URL."""
    return f"http://{f'[{host}]' if ':' in host else host}:{listener.getsockname()[1]}"


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens; port 0 selects a free port. Raises: AddressUnusable.

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
        self,
        config: uvicorn.Config,
        door: Door,
        started: Callable[[], None],
        hung_up: Callable[[], None],
    ) -> None:
        super().__init__(config)
        self._door = door
        self._told = started
        self._hung_up = hung_up

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, then report the address."""
        await super().startup(sockets=sockets)
        if sys.platform != "win32":
            asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, self._hung_up)
        self._told()

    async def on_tick(self, counter: int) -> bool:
        """Look at the connections' deadlines, ten times a second."""
        self._door.look(asyncio.get_running_loop().time())
        return await super().on_tick(counter)

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
