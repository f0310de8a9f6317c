"""Door: bounds on what a client may send, on its time for it, and on connections.

The server's own protocol reads a request's head without bounds, and waits for it without an end.
This module keeps count in front of its parser.
"""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import Callable, Iterable
from ipaddress import ip_address
from typing import Any, ClassVar, Final

import httptools
from msgspec import Struct
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from kitwright.peak import Peak
from kitwright.web.edge.edge import whole_problem

_SLICE: Final = 16_384
"""Bytes given to the parser at a time, so that a bound is passed by no more than these."""
_MOST_QUEUED: Final = 32
"""The most requests that a client may send before the first of them is answered."""
_DRAINED_SECONDS: Final = 5.0
"""Seconds to go on reading the body of a request that is answered already: a client that is still
sending would not see the answer if the connection was closed at once.
"""
_STALLED_SECONDS: Final = 2.0
"""If more than these are between two looks, the service was busy and the clients are not at fault.
"""
_RESERVED_FILES: Final = 96
"""Open files for everything except connections: database, photographs, webhooks, mail, fonts."""
_WANTED_FILES: Final = 8_192

LOOK_SECONDS: Final = 0.1
"""How often the connections are looked at."""

IDLE, HEAD, BODY, ANSWERING, CLOSING = range(5)
"""What a connection waits for: the next request, the rest of its head, the rest of its body, the
answer, or that the client takes the last of an answer.
"""
_ARRIVING: Final = frozenset({HEAD, BODY})
_RANKS: Final = {IDLE: 0, HEAD: 0, CLOSING: 0, BODY: 1, ANSWERING: 2}
"""What a connection waits for -> the order in which connections make room."""


class Bounds(Struct, frozen=True, kw_only=True):
    """The bounds of a listening service: sizes in bytes, times in seconds.

    A head is the request line and all headers. `body_seconds` is extended by a second for every
    `slowest` bytes that arrive. In `taking_seconds`, a client has to read more of an answer.
    `backlog` is the number of connections that wait to be accepted. A body sent to `file_path`,
    which is stored as it arrives, may have `file_bytes`.
    """

    line_bytes: int = 8_192
    head_bytes: int = 32_768
    headers: int = 100
    body_bytes: int = 16 * 1024 * 1024
    file_bytes: int = 1024**3
    file_path: bytes = b"/v1/price-files"
    head_seconds: float = 10.0
    body_seconds: float = 20.0
    slowest: int = 16_384
    idle_seconds: int = 5
    taking_seconds: float = 60.0
    connections: int = 4_096
    connections_per_address: int = 512
    backlog: int = 2_048


def bounds_for(files: int) -> Bounds:
    """Return the usual bounds of a process that may have so many open files."""
    backlog = max(16, min(2_048, files // 4))
    connections = max(16, min(4_096, files - backlog - _RESERVED_FILES))
    return Bounds(
        connections=connections, connections_per_address=max(8, connections // 8), backlog=backlog
    )


def allow_files() -> int:
    """Raise the number of files that this process may open as far as needed and allowed; return it.

    It is the limit that `ulimit -n` shows.
    """
    if os.name != "posix":
        return _WANTED_FILES
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = _WANTED_FILES if hard == resource.RLIM_INFINITY else min(hard, _WANTED_FILES)
    if soft != resource.RLIM_INFINITY and soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
        soft = most
    return _WANTED_FILES if soft == resource.RLIM_INFINITY else soft


class Door:
    """The connections of a service.

    When there is no room, the connection that has waited the longest for its client makes room: one
    without a complete head first, then one without a complete body, then one whose client does not
    read its answer. A request that has arrived is never given up before its answer is made.

    Args:
        bounds: how many there may be, and for how long.
        is_shared: whether an address stands for many clients, as a proxy's does, so that its
            connections are bounded only in all.
    """

    def __init__(self, bounds: Bounds, is_shared: Callable[[str], bool] = lambda _: False) -> None:
        self.bounds = bounds
        self.now = 0.0
        """The loop's time at the last look: precise enough for deadlines, and free to read."""
        self._is_shared = is_shared
        self._inside: dict[Guarded, None] = {}
        self._by_address: dict[str, dict[Guarded, None]] = {}
        self._swept = -math.inf
        self.lag = Peak()
        """Seconds by which a look came late."""

    def __len__(self) -> int:
        return len(self._inside)

    def admit(self, connection: Guarded) -> bool:
        """Add a new connection; return False if there is no room for it."""
        address = connection.address
        own = self._by_address.get(address, {})
        is_full = len(own) >= self.bounds.connections_per_address
        if is_full and not self._is_shared(address) and not self._make_room(own):
            return False
        if len(self._inside) >= self.bounds.connections and not self._make_room(self._inside):
            return False
        self._inside[connection] = None
        self._by_address.setdefault(address, {})[connection] = None
        return True

    def leave(self, connection: Guarded) -> None:
        """Remove a connection; one that is not inside is ignored."""
        self._inside.pop(connection, None)
        own = self._by_address.get(connection.address)
        if own is not None:
            own.pop(connection, None)
            if not own:
                del self._by_address[connection.address]

    def _make_room(self, among: Iterable[Guarded]) -> bool:
        waiting = [each for each in among if each.phase != ANSWERING or each.flow.write_paused]
        waiting.sort(key=lambda each: (_RANKS[each.phase], each.since))
        # several at once, so that sorting is rare
        for each in waiting[: max(1, len(waiting) // 16)]:
            each.transport.abort()
            self.leave(each)
        return bool(waiting)

    def look(self, now: float) -> None:
        """End what is past its deadline. To be called every `LOOK_SECONDS`."""
        if self.now:
            self.lag.note(max(0.0, now - self.now - LOOK_SECONDS))
        before, self.now = self._swept, now
        if now - before < 0.25:
            return
        self._swept = now
        if now - before < _STALLED_SECONDS:
            for each in tuple(self._inside):
                each.look(now)


class _Wrong(Exception):
    """A request that the door refuses."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code


class Guarded(HttpToolsProtocol):
    """A connection behind a door: the server's protocol, with the door's bounds."""

    door: ClassVar[Door]

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.address = ""
        self.phase = IDLE
        self.since = self.door.now
        self._due = math.inf
        self._taking_due = math.inf
        self._unsent = 0
        self._idle_bytes = 0
        """Bytes since a head began or a part of a body arrived: of a head, or after a body."""
        self._fed_bytes = 0
        """Bytes that the parser is given at this moment."""
        self._body_bytes = 0
        self._wrong: _Wrong | None = None

    def _wait(self, phase: int, seconds: float) -> None:
        self.phase = phase
        self.since = now = self.door.now
        self._due = now + seconds

    # What follows overrides the server's protocol and is called by the transport and the parser.

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Admit a connection, or refuse it because there are too many."""
        super().connection_made(transport)
        self.address = _network(self.client[0] if self.client else "")
        # as long as for a head: what connects has something to say
        self._wait(IDLE, self.door.bounds.head_seconds)
        if not self.door.admit(self):
            self._close_with(_Wrong("too-many-connections", "wait, then connect again"))

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        self.door.leave(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes from the client, a slice at a time."""
        if len(data) <= _SLICE:
            self._feed(data)
            return
        for start in range(0, len(data), _SLICE):
            if self.transport.is_closing():
                return
            self._feed(data[start : start + _SLICE])

    def _feed(self, data: bytes) -> None:
        self._fed_bytes = len(data)
        try:
            self.parser.feed_data(data)
        except httptools.HttpParserUpgrade:
            # this service has only HTTP/1.1: the request is answered, and nothing after it
            self.cycle.keep_alive = False
        except httptools.HttpParserError:
            wrong, self._wrong = self._wrong, None
            no_http = "the bytes received are not an HTTP request"
            self._refuse(wrong or _Wrong("bad-request", no_http))
            return
        if self.phase in _ARRIVING:
            self._idle_bytes += len(data)
            bounds = self.door.bounds
            if self._idle_bytes > bounds.head_bytes or len(self.headers) > bounds.headers:
                self._refuse(self._too_large())

    def on_message_begin(self) -> None:
        """Start a request."""
        super().on_message_begin()
        door = self.door
        self._idle_bytes = self._body_bytes = 0
        # as `_wait` does: this is called for every request
        self.phase = HEAD
        self.since = door.now
        self._due = door.now + door.bounds.head_seconds

    def on_headers_complete(self) -> None:
        """Check a request's head, then answer it."""
        door = self.door
        bounds, headers = door.bounds, self.headers
        if (
            len(self.url) > bounds.line_bytes
            or len(headers) > bounds.headers
            or self._is_large(bounds.head_bytes)
        ):
            self._fail(self._too_large())
        hosts = 0
        for name, _ in headers:
            if name == b"host":
                hosts += 1
        if hosts != 1 and (hosts or self.parser.get_http_version() != "1.0"):
            self._fail(_Wrong("bad-request", "send the header Host exactly once"))
        if len(self.pipeline) >= _MOST_QUEUED:
            detail = f"at most {_MOST_QUEUED} requests may wait for the answer to another"
            self._fail(_Wrong("bad-request", detail))
        self._idle_bytes = 0
        self.phase = BODY
        self.since = door.now
        self._due = door.now + bounds.body_seconds
        super().on_headers_complete()

    def _is_large(self, most: int) -> bool:
        """Return whether a complete head has more bytes than allowed."""
        if self._idle_bytes + self._fed_bytes <= most:
            # no more has arrived since it began
            return False
        size = len(self.url) + sum(len(name) + len(value) + 4 for name, value in self.headers)
        return size > most

    def on_body(self, body: bytes) -> None:
        """Take a part of a body."""
        size, bounds = len(body), self.door.bounds
        self._idle_bytes = 0
        self._body_bytes += size
        if self._body_bytes > bounds.body_bytes:
            self._check_file()
        self._due += size / bounds.slowest
        super().on_body(body)

    def _check_file(self) -> None:
        """Fail if a body has too many bytes for a file, or for anything else."""
        bounds = self.door.bounds
        is_file = self.url.partition(b"?")[0] == bounds.file_path
        most = bounds.file_bytes if is_file else bounds.body_bytes
        if self._body_bytes > most:
            self._fail(_Wrong("body-too-large", f"a body should have at most {most} bytes"))

    def on_message_complete(self) -> None:
        """Go on when a request has arrived; it may be answered already."""
        super().on_message_complete()
        if self.cycle.response_complete:
            self._wait(IDLE, self.door.bounds.idle_seconds)
        else:
            self._wait(ANSWERING, math.inf)

    def on_response_complete(self) -> None:
        """Go on when a request is answered; the rest of its body may still arrive.

        Replaces what the server does, which starts a timer for every answer.
        """
        if not self.pipeline:
            if self.phase == BODY:
                self._due = self.door.now + _DRAINED_SECONDS
            elif self.phase == ANSWERING:
                self._wait(IDLE, self.door.bounds.idle_seconds)
        self.server_state.total_requests += 1
        if self.transport.is_closing():
            return
        self.flow.resume_reading()
        if self.pipeline:
            cycle, app = self.pipeline.pop()
            self._start_asgi_task(cycle, app)

    def pause_writing(self) -> None:
        """Wait until the client has read more of an answer."""
        self._unsent = -1
        super().pause_writing()

    def _fail(self, wrong: _Wrong) -> None:
        """Stop the parser, which reports any error as one of its own."""
        self._wrong = wrong
        raise wrong

    def _too_large(self) -> _Wrong:
        bounds = self.door.bounds
        if len(self.url) > bounds.line_bytes:
            detail = f"the request line should have at most {bounds.line_bytes} bytes"
            return _Wrong("path-too-long", detail)
        return _Wrong(
            "headers-too-large",
            f"the request line and headers should have at most {bounds.head_bytes} bytes in "
            f"{bounds.headers} headers",
        )

    def _refuse(self, wrong: _Wrong) -> None:
        """Answer with a problem document and close, after the answers that are still due."""
        cycle: Any = self.cycle
        if cycle is None or cycle.response_complete:
            self._close_with(wrong)
        elif self.phase != BODY:
            # an earlier request is being answered
            cycle.keep_alive = False
            self.flow.pause_reading()
        elif cycle.response_started or self.pipeline:
            self.transport.abort()
        else:
            self._close_with(wrong)

    def _close_with(self, wrong: _Wrong) -> None:
        if not self.transport.is_closing():
            self.transport.write(whole_problem(wrong.code, str(wrong)))
            self.transport.close()

    def look(self, now: float) -> None:
        """End the connection if a deadline has passed."""
        if self.transport.is_closing():
            if self.phase != CLOSING:
                self._wait(CLOSING, self.door.bounds.taking_seconds)
            elif now > self._due:
                self.transport.abort()
        elif self.flow.write_paused:
            self._look_at_taking(now)
        elif now > self._due:
            self._end_waiting()

    def _look_at_taking(self, now: float) -> None:
        unsent = self.transport.get_write_buffer_size()
        if unsent != self._unsent:
            self._unsent = unsent
            self._taking_due = now + self.door.bounds.taking_seconds
        elif now > self._taking_due:
            self.transport.abort()

    def _end_waiting(self) -> None:
        if self.flow.read_paused:
            # we do not read, so the client can't send
            self._due = self.door.now + self.door.bounds.body_seconds
        elif self.phase == IDLE:
            self.transport.close()
        else:
            self._refuse(_Wrong("request-timeout", "the request did not arrive in time"))


def guarded_by(door: Door) -> type[Guarded]:
    """Return the protocol of a door's connections."""
    return type("Connection", (Guarded,), {"door": door})


def _network(address: str) -> str:
    """Return what an address is counted as: an IPv6 address as its network of 64 bits, which one
    client has for itself.
    """
    if ":" not in address:
        return address
    try:
        return ip_address(address.partition("%")[0]).packed[:8].hex()
    except ValueError:
        return address
