"""Post: posts one message to one target and reports the outcome, whatever the target does."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import AsyncGenerator, Awaitable, Callable, Iterable, Mapping, Sequence
from contextlib import aclosing
from http import HTTPStatus
from typing import Any, Final, Self, cast

import httpcore
from httpcore import AsyncConnectionPool, AsyncNetworkBackend, AsyncNetworkStream
from msgspec import Struct

from kitwright.outbound.target import TargetError, TargetNotAllowed, check_target, is_public

Resolver = Callable[[str, int], Awaitable[Sequence[str]]]
"""Takes a host and a port, returns IP addresses. Raises: OSError if there are none."""

DEADLINE_SECONDS: Final = 15.0

_MOST_READ: Final = 64 * 1024
_MOST_ADDRESSES: Final = 4
_CONNECT_SECONDS: Final = 4.0
"""Time limit for one address of several: the first may use a protocol that does not work here."""

_HEADERS: Final = {
    "accept": "*/*",
    "accept-encoding": "identity",
    # Each post resolves and checks the name again.
    "connection": "close",
    "user-agent": "Kitwright",
}
_FAILURES: Final = (
    httpcore.NetworkError,
    httpcore.ProtocolError,
    httpcore.TimeoutException,
    OSError,
)


class Outcome(Struct, frozen=True, kw_only=True):
    """The outcome of a post. `status` is None if there was no answer.

    `is_gone` tells that the target permanently rejects further events. `detail` is a short sentence
    of our own, without any text of the answer.
    """

    status: int | None
    is_delivered: bool
    is_gone: bool
    detail: str


async def resolve(host: str, port: int) -> tuple[str, ...]:
    """Return the IP addresses of a host, in the order of the machine's own resolver.

    Raises: OSError if the name is unknown.
    """
    found = await asyncio.get_running_loop().getaddrinfo(
        host, port, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP
    )
    return tuple(dict.fromkeys(str(address[0]) for *_, address in found))


class Poster:
    """Posts messages, any number at once; an async context manager.

    It uses no proxy, redirect, cookie or persistent connection: a post depends only on its
    arguments and on the addresses that the name has at that time.

    Args:
        allow_private: allows addresses in the shop's own network, and http without TLS.
        deadline_seconds: time limit for the complete exchange, from resolving the name to the end
            of the answer.
        tls: the TLS settings; by default the usual certificate authorities are trusted.
        resolver: finds addresses; by default the machine's own resolver.
    """

    def __init__(
        self,
        *,
        allow_private: bool = False,
        deadline_seconds: float = DEADLINE_SECONDS,
        tls: ssl.SSLContext | None = None,
        resolver: Resolver = resolve,
    ) -> None:
        self._allow_private = allow_private
        self._deadline_seconds = deadline_seconds
        self._pool = AsyncConnectionPool(
            ssl_context=tls or httpcore.default_ssl_context(),
            max_connections=None,
            max_keepalive_connections=0,
            network_backend=_CheckedBackend(resolver, allow_private=allow_private),
        )

    async def __aenter__(self) -> Self:
        await self._pool.__aenter__()
        return self

    async def __aexit__(self, *error: Any) -> None:
        await self._pool.__aexit__(*error)

    async def post(self, url: str, headers: Mapping[str, str], body: bytes) -> Outcome:
        """Post a message and return the outcome.

        The status line decides. If the answer breaks off after it, or is not complete by the
        deadline, the message still counts as answered, because sending it again would only
        duplicate it.
        """
        status: int | None = None
        try:
            target = check_target(url, allow_private=self._allow_private)
            async with (
                asyncio.timeout(self._deadline_seconds),
                self._pool.stream(
                    "POST", target.url, headers=[*_HEADERS.items(), *headers.items()], content=body
                ) as answer,
            ):
                status = answer.status
                await _read_some(answer)
        except TargetError as error:
            return _failure(str(error))
        except _FAILURES as error:
            if status is None:
                return _failure(_why(error))
        return _judged(status)


async def _read_some(answer: httpcore.Response) -> None:
    """Read an answer to its end, so that the target sees it received, but only up to a limit."""
    read = 0
    async with aclosing(cast("AsyncGenerator[bytes, None]", answer.aiter_stream())) as chunks:
        async for chunk in chunks:
            read += len(chunk)
            if read >= _MOST_READ:
                return


def _judged(status: int) -> Outcome:
    detail = f"answered {status}"
    if 300 <= status < 400:
        detail += "; redirects are not followed"
    return Outcome(
        status=status,
        is_delivered=200 <= status < 300,
        is_gone=status == HTTPStatus.GONE,
        detail=detail,
    )


def _failure(detail: str) -> Outcome:
    return Outcome(status=None, is_delivered=False, is_gone=False, detail=detail)


def _why(error: Exception) -> str:
    """Return a sentence for a failure, without the error's own text, which may quote the target."""
    if isinstance(error, _NameUnknown):
        return "the host's name is not known"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, httpcore.ConnectTimeout):
        return "no connection in time"
    if isinstance(error, httpcore.ConnectError):
        # The pool raises it again without its cause; the context remains.
        under = error.__context__
        if isinstance(under, ssl.SSLCertVerificationError):
            return "the host's certificate is not valid for its name"
        if isinstance(under, ssl.SSLError):
            return "the TLS connection to the host failed"
        return "no connection"
    if isinstance(error, httpcore.ProtocolError):
        return "the answer is not HTTP"
    return "the connection broke"


class _NameUnknown(OSError):
    """A name resolves to no address."""


class _CheckedBackend(AsyncNetworkBackend):
    """Resolves a name once, checks every address and connects to one of these addresses.

    If the name were resolved a second time to connect, it could lead to an address that was not
    checked.
    """

    def __init__(self, resolver: Resolver, *, allow_private: bool) -> None:
        self._resolver = resolver
        self._allow_private = allow_private
        self._network = httpcore.AnyIOBackend()

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> AsyncNetworkStream:
        """Return a connection to a host. Raises: TargetNotAllowed if any address is private."""
        try:
            addresses = await self._resolver(host, port)
        except OSError as error:
            raise _NameUnknown(host) from error
        if not addresses:
            raise _NameUnknown(host)
        if not self._allow_private and not all(map(is_public, addresses)):
            raise TargetNotAllowed(host, "is not public")
        *others, last = addresses[:_MOST_ADDRESSES]
        for address in others:
            try:
                return await self._network.connect_tcp(
                    address, port, _CONNECT_SECONDS, local_address, socket_options
                )
            except (httpcore.ConnectError, httpcore.ConnectTimeout):
                continue
        return await self._network.connect_tcp(last, port, timeout, local_address, socket_options)
