"""Posts to receivers on this machine that answer well, badly, slowly, for ever or not at all."""

import asyncio
import time
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from typing import Any

import pytest
import uvloop
from httpcore import ConnectError
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.outbound.receiver import Handler, answered, client_tls, receiving, server_tls

from kitwright.outbound.post import Outcome, Poster, resolve

BODY = b'{"n": 1}'

Run = Callable[[Coroutine[Any, Any, Any]], Any]


@pytest.fixture(params=[asyncio.new_event_loop, uvloop.new_event_loop], ids=["asyncio", "uvloop"])
def run(request: pytest.FixtureRequest) -> Run:
    """Return what runs a coroutine, on either of the loops that the service runs on."""

    def runner(work: Coroutine[Any, Any, Any]) -> Any:
        with asyncio.Runner(loop_factory=request.param) as loop:
            return loop.run(work)

    return runner


async def post_once(answer: bytes | Handler, deadline_seconds: float = 5) -> Outcome:
    """Return what became of one post to a receiver, which must be its only one."""
    async with receiving(answer) as receiver:
        # Trusting one certificate instead of all the usual ones is only quicker here.
        tls = client_tls()
        async with Poster(allow_private=True, deadline_seconds=deadline_seconds, tls=tls) as poster:
            outcome = await poster.post(receiver.url, {}, BODY)
            assert receiver.connections == 1
        return outcome


def addresses(*given: Sequence[str]) -> Callable[[str, int], Awaitable[Sequence[str]]]:
    """Return a resolver that answers each time with the next of some lists, at last with none."""
    answers = iter(given)

    async def answer(_host: str, _port: int) -> Sequence[str]:
        return next(answers, ())

    return answer


def test_post_delivers_body_and_headers_and_nothing_of_its_own_kept(run: Run) -> None:
    async def work() -> None:
        answer = answered("200 OK", "Set-Cookie: a=b; Path=/", body=b"thanks")
        async with receiving(answer) as receiver, Poster(allow_private=True) as poster:
            outcomes = [
                await poster.post(receiver.url + "?k=1", {"webhook-id": "m1"}, BODY)
                for _ in range(2)
            ]

        delivered = Outcome(status=200, is_delivered=True, is_gone=False, detail="answered 200")
        assert outcomes == [delivered, delivered]
        assert receiver.connections == 2
        for head, body in receiver.requests:
            assert head.startswith("POST /in?k=1 HTTP/1.1\r\n")
            assert f"\r\nhost: 127.0.0.1:{receiver.port}\r\n" in head.lower()
            assert "\r\nwebhook-id: m1\r\n" in head
            assert "cookie" not in head.lower()
            assert body == BODY

    run(work())


@pytest.mark.parametrize(
    ("status", "is_delivered", "is_gone"),
    [
        ("202 Accepted", True, False),
        ("204 No Content", True, False),
        ("299 Odd", True, False),
        ("304 Not Modified", False, False),
        ("400 Bad Request", False, False),
        ("404 Not Found", False, False),
        ("410 Gone", False, True),
        ("500 Internal Server Error", False, False),
        ("999 Odd", False, False),
    ],
)
def test_post_judges_by_the_status(
    run: Run, status: str, is_delivered: bool, is_gone: bool
) -> None:
    outcome = run(post_once(answered(status)))

    assert (outcome.status, outcome.is_delivered, outcome.is_gone) == (
        int(status[:3]),
        is_delivered,
        is_gone,
    )
    assert status[:3] in outcome.detail


@pytest.mark.parametrize("status", ["301 Moved", "302 Found", "303 See", "307 Keep", "308 Stay"])
@pytest.mark.parametrize("location", ["/elsewhere", "http://[::", "\xff\xfe"])
def test_post_follows_no_redirect(status: str, location: str) -> None:
    outcome = asyncio.run(post_once(answered(status, f"Location: {location}")))

    assert outcome.status == int(status[:3])
    assert not outcome.is_delivered
    assert "redirects are not followed" in outcome.detail


def test_post_gives_up_on_an_answer_that_drips_its_head(run: Run) -> None:
    async def drip(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\n")
        while True:
            writer.write(b"A: b\r\n")
            await writer.drain()
            await asyncio.sleep(0.02)

    start = time.monotonic()
    outcome = run(post_once(drip, deadline_seconds=0.3))

    assert outcome.status is None
    assert outcome.detail == "no answer in time"
    assert 0.25 <= time.monotonic() - start < 2


def test_post_takes_the_status_of_an_answer_that_drips_its_body(run: Run) -> None:
    async def drip(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 99999\r\n\r\n")
        while True:
            writer.write(b"a")
            await writer.drain()
            await asyncio.sleep(0.02)

    start = time.monotonic()
    outcome = run(post_once(drip, deadline_seconds=0.3))

    assert outcome.is_delivered
    assert 0.25 <= time.monotonic() - start < 2


def test_post_reads_no_more_of_a_huge_answer_than_it_has_to(run: Run) -> None:
    async def work() -> None:
        async def pour(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 10000000000\r\n\r\n")
            while True:
                writer.write(b"a" * 65536)
                await writer.drain()
                receiver.sent += 65536

        async with receiving(pour) as receiver, Poster(allow_private=True) as poster:
            start = time.monotonic()
            outcome = await poster.post(receiver.url, {}, BODY)
            assert time.monotonic() - start < 5
            await asyncio.sleep(0.1)
            assert receiver.open == 0

        assert outcome.is_delivered
        # What the system's buffers hold comes on top.
        assert receiver.sent < 20_000_000

    run(work())


def test_post_unpacks_no_answer(run: Run) -> None:
    packed = answered("200 OK", "Content-Encoding: gzip", body=b"no gzip at all")

    assert run(post_once(packed)).is_delivered


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"220 mail.example ESMTP\r\n",
        b"\x16\x03\x01\x00\xa5\x01" * 50,
        b"HTTP/1.1 200",
        b"HTTP/1.1 101 Switching Protocols\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: 5, 6\r\n\r\n",
        b"HTTP/1.1 OK 200\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nA: " + b"a" * 300_000,
        b"HTTP/1.1 100 Continue\r\n\r\n" * 50,
    ],
)
def test_post_fails_on_what_is_no_answer(run: Run, answer: bytes) -> None:
    outcome = run(post_once(answer))

    assert (outcome.status, outcome.is_delivered, outcome.is_gone) == (None, False, False)
    assert outcome.detail in {"the answer is not HTTP", "the connection broke"}


@settings(max_examples=60)
@given(
    st.lists(
        st.binary(max_size=20)
        | st.sampled_from([b"HTTP/1.1 ", b"200 OK", b"\r\n", b"\r\n\r\n", b"Set-Cookie: "])
        | st.sampled_from([b"Transfer-Encoding: chunked", b"Content-Length: ", b"5", b"ff\r\n"]),
        max_size=12,
    ).map(b"".join)
)
def test_post_raises_for_no_answer(answer: bytes) -> None:
    outcome = asyncio.run(post_once(b"HTTP/1.1 200 OK\r\n" + answer))

    assert outcome.is_delivered is (outcome.status is not None and 200 <= outcome.status < 300)


def test_post_fails_where_the_connection_is_dropped(run: Run) -> None:
    async def drop(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.transport.abort()

    assert run(post_once(drop)).status is None


def test_post_fails_where_nobody_listens(run: Run) -> None:
    async def work() -> Outcome:
        async with receiving(b"") as receiver:
            pass
        async with Poster(allow_private=True) as poster:
            return await poster.post(receiver.url, {}, BODY)

    assert run(work()).detail == "no connection"


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1", "127.1", "2130706433", "0x7f.1", "[::1]", "[::ffff:127.0.0.1]", "localhost"],
)
def test_post_reaches_nothing_on_this_machine_unless_allowed(host: str) -> None:
    async def work() -> Outcome:
        async with receiving(answered("200 OK")) as receiver, Poster() as poster:
            outcome = await poster.post(f"https://{host}:{receiver.port}/", {}, BODY)
            assert receiver.connections == 0
            return outcome

    outcome = asyncio.run(work())

    assert outcome.status is None
    assert "is not public" in outcome.detail


@pytest.mark.parametrize(
    "url", ["", "https://", "ftp://hook.example/", "https://a:b@hook.example/"]
)
def test_post_fails_on_what_is_no_url(url: str) -> None:
    async def work() -> Outcome:
        async with Poster() as poster:
            return await poster.post(url, {}, BODY)

    assert asyncio.run(work()).detail.startswith("the webhook's URL ")


@pytest.mark.parametrize(
    "resolved",
    [["127.0.0.1"], ["9.9.9.9", "127.0.0.1"], ["::ffff:127.0.0.1"], ["fe80::1%lo"]],
)
def test_post_refuses_a_name_when_any_of_its_addresses_is_not_public(
    run: Run, resolved: list[str]
) -> None:
    async def work() -> Outcome:
        async with (
            receiving(answered("200 OK"), server_tls()) as receiver,
            Poster(tls=client_tls(), resolver=addresses(resolved)) as poster,
        ):
            outcome = await poster.post(f"https://hook.example:{receiver.port}/", {}, BODY)
            assert receiver.connections == 0
            return outcome

    assert run(work()).detail == "the webhook's host hook.example is not public"


def test_post_connects_to_the_address_it_checked_and_resolves_once(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name is public when it is checked and this machine ever after."""
    asked: list[str] = []

    async def turn(host: str, _port: int) -> Sequence[str]:
        asked.append(host)
        return ["9.9.9.9"] if len(asked) == 1 else ["127.0.0.1"]

    async def work() -> Outcome:
        connected: list[tuple[str, int]] = []

        async def connect(_: Any, host: str, port: int, *_rest: Any, **_named: Any) -> Any:
            connected.append((host, port))
            raise ConnectError

        monkeypatch.setattr("httpcore.AnyIOBackend.connect_tcp", connect)
        async with Poster(resolver=turn) as poster:
            outcome = await poster.post("https://hook.example/in", {}, BODY)
            assert connected == [("9.9.9.9", 443)]
            again = await poster.post("https://hook.example/in", {}, BODY)
            assert connected == [("9.9.9.9", 443)]
        assert again.detail == "the webhook's host hook.example is not public"
        return outcome

    assert run(work()).detail == "no connection"
    assert asked == ["hook.example", "hook.example"]


def test_post_goes_on_to_the_next_address(run: Run) -> None:
    async def work() -> Outcome:
        async with (
            receiving(answered("200 OK")) as receiver,
            Poster(allow_private=True, resolver=addresses(["::1", "127.0.0.1"])) as poster,
        ):
            return await poster.post(f"http://hook.example:{receiver.port}/", {}, BODY)

    assert run(work()).is_delivered


def test_post_fails_on_a_name_that_is_not_known(run: Run) -> None:
    async def unknown(_host: str, _port: int) -> Sequence[str]:
        raise OSError

    async def work(resolver: Callable[[str, int], Awaitable[Sequence[str]]]) -> Outcome:
        async with Poster(resolver=resolver) as poster:
            return await poster.post("https://hook.example/", {}, BODY)

    for resolver in (unknown, addresses()):
        assert run(work(resolver)).detail == "the host's name is not known"


def test_post_gives_up_on_a_name_that_takes_too_long(run: Run) -> None:
    async def slow(_host: str, _port: int) -> Sequence[str]:
        await asyncio.sleep(60)
        return ()

    async def work() -> Outcome:
        async with Poster(deadline_seconds=0.1, resolver=slow) as poster:
            return await poster.post("https://hook.example/", {}, BODY)

    assert run(work()).detail == "no answer in time"


@pytest.mark.parametrize(
    ("host", "is_trusted", "detail"),
    [
        ("hook.example", True, "answered 200"),
        ("other.example", True, "the host's certificate is not valid for its name"),
        ("127.0.0.1", True, "the host's certificate is not valid for its name"),
        ("hook.example", False, "the host's certificate is not valid for its name"),
    ],
)
def test_post_proves_the_name_and_not_the_address(
    run: Run, host: str, is_trusted: bool, detail: str
) -> None:
    async def work() -> Outcome:
        async with (
            receiving(answered("200 OK"), server_tls()) as receiver,
            Poster(
                allow_private=True,
                tls=client_tls() if is_trusted else None,
                resolver=addresses(["127.0.0.1"]),
            ) as poster,
        ):
            return await poster.post(f"https://{host}:{receiver.port}/", {}, BODY)

    assert run(work()).detail == detail


def test_post_says_that_a_host_does_not_speak_tls(run: Run) -> None:
    async def work() -> Outcome:
        async def blurt(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await reader.read(1)
            writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(blurt, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        async with server, Poster(allow_private=True) as poster:
            return await poster.post(f"https://127.0.0.1:{port}/", {}, BODY)

    assert run(work()).detail == "the TLS connection to the host failed"


def test_post_minds_no_proxy_of_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> Outcome:
        async with receiving(answered("500 Proxy")) as proxy:
            for name in ("http_proxy", "HTTP_PROXY", "ALL_PROXY", "all_proxy"):
                monkeypatch.setenv(name, f"http://127.0.0.1:{proxy.port}")
            monkeypatch.delenv("no_proxy", raising=False)
            monkeypatch.delenv("NO_PROXY", raising=False)
            outcome = await post_once(answered("200 OK"))
            assert proxy.connections == 0
            return outcome

    assert asyncio.run(work()).is_delivered


def test_post_ends_when_it_is_cancelled(run: Run) -> None:
    async def work() -> None:
        async def wait(*_: object) -> None:
            arrived.set()
            await asyncio.sleep(60)

        arrived = asyncio.Event()
        async with receiving(wait) as receiver, Poster(allow_private=True) as poster:
            task = asyncio.create_task(poster.post(receiver.url, {}, BODY))
            await arrived.wait()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task

    run(work())


def test_resolve_returns_the_addresses_of_this_machine(run: Run) -> None:
    assert run(resolve("127.0.0.1", 80)) == ("127.0.0.1",)
    assert run(resolve("0x7f.1", 80)) == ("127.0.0.1",)
