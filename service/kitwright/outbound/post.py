"""Post: one message handed to one target, and what became of it, whatever the target does."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import (
    AsyncGenerator,
    AsyncIterator,
    Awaitable,
    Callable,
    Iterable,
    Mapping,
    Sequence,
)
from contextlib import aclosing
from types import TracebackType
from typing import Any, Final, Self, cast

import httpcore
import httpx
from httpcore import AsyncConnectionPool, AsyncNetworkBackend, AsyncNetworkStream
from msgspec import Struct

from kitwright.outbound.target import TargetError, TargetNotAllowed, check_target, is_public

Resolver = Callable[[str, int], Awaitable[Sequence[str]]]
"""Takes a host and a port, returns IP addresses. Raises: OSError, where there are none."""

DEADLINE_SECONDS: Final = 15.0

_MOST_READ: Final = 64 * 1024
_MOST_ADDRESSES: Final = 4
_CONNECT_SECONDS: Final = 4.0
"""For one address of several: the first may be of a protocol that leads nowhere from here."""

_HEADERS: Final = {
    "accept": "*/*",
    "accept-encoding": "identity",
    # Each post resolves the name and checks it anew.
    "connection": "close",
    "user-agent": "Kitwright",
}
_FAILURES: Final = (
    httpx.HTTPError,
    httpcore.NetworkError,
    httpcore.ProtocolError,
    httpcore.TimeoutException,
    OSError,
)


class Outcome(Struct, frozen=True, kw_only=True):
    """What became of a post. `status` is None where no answer came.

    `is_gone` says that the target wants no more, ever. `detail` is a short sentence of ours with
    nothing of the answer in it.
    """

    status: int | None
    is_delivered: bool
    is_gone: bool
    detail: str


async def resolve(host: str, port: int) -> tuple[str, ...]:
    """Return the IP addresses of a host, as the machine's own resolver orders them.

    Raises: OSError, where the name is not known.
    """
    found = await asyncio.get_running_loop().getaddrinfo(
        host, port, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP
    )
    return tuple(dict.fromkeys(str(address[0]) for *_, address in found))


class Poster:
    """Posts messages, any number at once, as a context manager.

    No proxy, no redirect, no cookie, no connection kept: a post depends on nothing but its
    arguments and what the name resolves to then.

    Args:
        allow_private: lets in the shop's own network, and http without TLS.
        deadline_seconds: for a whole exchange, from the name to the end of the answer.
        tls: who is trusted, in place of the usual authorities.
        resolver: finds addresses, in place of the machine's own resolver.
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
        self._client = httpx.AsyncClient(
            transport=_Transport(
                tls or httpx.create_ssl_context(trust_env=False),
                _CheckedBackend(resolver, allow_private=allow_private),
            ),
            headers=_HEADERS,
            trust_env=False,
            follow_redirects=False,
            # The deadline is for all of it; a limit for each read would let a drip go on for ever.
            timeout=None,
        )

    async def __aenter__(self) -> Self:
        await self._client.__aenter__()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._client.__aexit__(kind, error, trace)

    async def post(self, url: str, headers: Mapping[str, str], body: bytes) -> Outcome:
        """Return what became of a message.

        The status line decides: an answer that breaks off after it, or drips on until the
        deadline, has still been given, and sending again would only double the message.
        """
        status: int | None = None
        try:
            target = check_target(url, allow_private=self._allow_private)
            async with (
                asyncio.timeout(self._deadline_seconds),
                self._client.stream(
                    "POST", target.url, headers=dict(headers), content=body
                ) as answer,
            ):
                status = answer.status_code
                await _read_some(answer)
        except TargetError as error:
            return _failure(str(error))
        except _FAILURES as error:
            if status is None:
                return _failure(_why(error))
        return _judged(status)


async def _read_some(answer: httpx.Response) -> None:
    """Read an answer to its end, so that the target sees it taken; but only so much of it."""
    read = 0
    async with aclosing(cast("AsyncGenerator[bytes, None]", answer.aiter_raw())) as chunks:
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
        is_gone=status == httpx.codes.GONE,
        detail=detail,
    )


def _failure(detail: str) -> Outcome:
    return Outcome(status=None, is_delivered=False, is_gone=False, detail=detail)


def _why(error: Exception) -> str:
    """Return a sentence for a failure. The error's own text may quote what the target sent."""
    if isinstance(error, _NameUnknown):
        return "the host's name is not known"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, httpcore.ConnectTimeout):
        return "no connection in time"
    if isinstance(error, httpcore.ConnectError):
        # The pool raises it anew without its cause; the context stays.
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
    """A name that resolves to nothing."""


class _CheckedBackend(AsyncNetworkBackend):
    """Resolves a name, checks every address and connects to one of just these.

    A name that is resolved once to be checked and once more to be connected to could lead
    elsewhere the second time.
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
        """Return a connection to a host. Raises: TargetNotAllowed, where any address is private."""
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


class _Transport(httpx.AsyncBaseTransport):
    """Carries requests over a pool of our own: httpx lets nobody choose how to connect.

    An answer's headers are left out. Nothing here needs them, and without them there is no cookie,
    no redirect and no encoding to mistake.
    """

    def __init__(self, tls: ssl.SSLContext, network: AsyncNetworkBackend) -> None:
        self._pool = AsyncConnectionPool(
            ssl_context=tls,
            max_connections=None,
            max_keepalive_connections=0,
            network_backend=network,
        )

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        """Return the answer to a request, its body not read yet."""
        answer = await self._pool.handle_async_request(
            httpcore.Request(
                request.method,
                httpcore.URL(
                    scheme=request.url.raw_scheme,
                    host=request.url.raw_host,
                    port=request.url.port,
                    target=request.url.raw_path,
                ),
                headers=request.headers.raw,
                content=cast("httpx.AsyncByteStream", request.stream),
                extensions=request.extensions,
            )
        )
        return httpx.Response(answer.status, stream=_Body(answer))

    async def aclose(self) -> None:
        """Close what is open."""
        await self._pool.aclose()


class _Body(httpx.AsyncByteStream):
    """The body of an answer, as it comes."""

    def __init__(self, answer: httpcore.Response) -> None:
        self._answer = answer

    async def __aiter__(self) -> AsyncIterator[bytes]:
        async with aclosing(
            cast("AsyncGenerator[bytes, None]", self._answer.aiter_stream())
        ) as chunks:
            async for chunk in chunks:
                yield chunk

    async def aclose(self) -> None:
        """Give the connection back, which closes it where something is left to read."""
        await self._answer.aclose()
