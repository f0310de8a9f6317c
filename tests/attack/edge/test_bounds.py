"""Bounds of the door: what is too much, too slow or not HTTP ends there, and nothing else does."""

import json
import socket
import time
from collections.abc import Iterable, Iterator

import pytest
from tests.attack.edge.raw import (
    GET,
    answer_on,
    connect,
    is_closed_within,
    only_linux,
    seconds_of_get,
    served,
    status_of,
    told,
)

CLOSE = b"Connection: close\r\n"


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    """Return the port of a server with short deadlines."""
    with served() as port:
        yield port


def code_of(answer: bytes) -> str:
    """Return the code of a problem document that ends its connection."""
    head, _, body = answer.partition(b"\r\n\r\n")
    assert b"connection: close" in head
    assert b"content-type: application/problem+json" in head
    problem = json.loads(body)
    assert problem["status"] == status_of(answer)
    return str(problem["code"])


def head(*lines: bytes, first: bytes = b"GET / HTTP/1.1") -> bytes:
    return b"\r\n".join((first, *lines, b"", b""))


@pytest.mark.parametrize(
    ("request_head", "status"),
    [
        (head(b"Connection: close"), 400),
        (head(b"Host: a", b"Host: a", b"Connection: close"), 400),
        (head(b"Host: a", b"host: b", b"Connection: close"), 400),
        (head(first=b"GET / HTTP/1.0"), 200),
        (head(b"Host: a", b"Host: a", first=b"GET / HTTP/1.0"), 400),
        (head(b"Host: a", b"Connection: close"), 200),
        (head(b"Host:", b"Connection: close"), 200),
    ],
)
def test_request_names_its_host_once(port: int, request_head: bytes, status: int) -> None:
    assert status_of(told(port, request_head)) == status


def test_headers_up_to_the_bound_are_taken(port: int) -> None:
    many = [b"X-%d: 1" % each for each in range(98)]
    long = b"X: " + b"a" * 32_000

    assert status_of(told(port, head(b"Host: a", CLOSE.strip(), *many))) == 200
    assert status_of(told(port, head(b"Host: a", CLOSE.strip(), long))) == 200


@pytest.mark.parametrize(
    "lines",
    [
        [b"X-%d: 1" % each for each in range(100)],
        [b"X: " + b"a" * 33_000],
        [b"X" * 33_000 + b": a"],
        [b"X-%d: %s" % (each, b"a" * 1_000) for each in range(40)],
    ],
)
def test_headers_beyond_the_bound_are_refused(port: int, lines: list[bytes]) -> None:
    assert code_of(told(port, head(b"Host: a", *lines))) == "headers-too-large"


def test_request_line_is_bounded(port: int) -> None:
    path = b"/?" + b"a" * 8_000
    longer = b"/?" + b"a" * 9_000

    taken = told(port, head(b"Host: a", CLOSE.strip(), first=b"GET " + path + b" HTTP/1.1"))
    refused = told(port, head(b"Host: a", first=b"GET " + longer + b" HTTP/1.1"))

    assert status_of(taken) == 200
    assert code_of(refused) == "path-too-long"


def sent_until_closed(raw: socket.socket, pieces: Iterable[bytes], pause: float = 0) -> int:
    """Send pieces until the server closes the connection; return the bytes sent."""
    sent = 0
    try:
        for piece in pieces:
            sent += raw.send(piece)
            time.sleep(pause)
    except ConnectionError:
        return sent
    raise AssertionError(f"{sent} bytes were taken")


def test_endless_header_is_refused_early(port: int) -> None:
    with connect(port) as raw:
        raw.sendall(b"GET / HTTP/1.1\r\nX: ")

        assert sent_until_closed(raw, [b"a" * 65_536] * 1_000) < 20_000_000


@pytest.mark.parametrize("end", [b"", b"\r\n"])
def test_endless_trailers_are_refused(port: int, end: bytes) -> None:
    begun = head(b"Host: a", b"Transfer-Encoding: chunked", first=b"POST / HTTP/1.1")
    with connect(port) as raw:
        raw.sendall(begun + b"1\r\na\r\n0\r\nX: ")

        assert sent_until_closed(raw, [b"X: " + b"a" * 65_536 + end] * 1_000) < 20_000_000


def test_endless_body_is_refused(port: int) -> None:
    begun = head(b"Host: a", b"Transfer-Encoding: chunked", first=b"POST / HTTP/1.1")

    answer = told(
        port,
        begun,
        b"10000\r\n" + b"a" * 65_536 + b"\r\n",
        *[b"10000\r\n" + b"a" * 65_536 + b"\r\n" for _ in range(30)],
    )

    assert not answer or code_of(answer) == "body-too-large"


def test_what_is_not_http_is_refused(port: int) -> None:
    assert code_of(told(port, b"hello there\r\n\r\n")) == "bad-request"
    assert code_of(told(port, b"\x16\x03\x01\x02\x00\x01\x00")) == "bad-request"


def test_requests_in_a_row_are_answered_in_order(port: int) -> None:
    begun = head(b"Host: a", b"Content-Length: 3", first=b"POST /slow HTTP/1.1") + b"abc"
    last = head(b"Host: a", CLOSE.strip())

    answer = told(port, begun + GET * 10 + last)

    assert answer.count(b"HTTP/1.1 200 OK") == 12
    assert answer.index(b"\r\n\r\n3HTTP/1.1") < answer.index(b"\r\n\r\n0HTTP/1.1")


def test_too_many_requests_in_a_row_end_after_an_answer(port: int) -> None:
    answer = told(port, head(b"Host: a", first=b"GET /slow HTTP/1.1") + GET * 10_000)

    assert 1 <= answer.count(b"HTTP/1.1 200 OK") <= 40


def test_error_after_a_good_request_leaves_its_answer_whole(port: int) -> None:
    answer = told(port, head(b"Host: a", first=b"GET /slow HTTP/1.1") + b"not http\r\n\r\n")

    assert answer.startswith(b"HTTP/1.1 200 OK")
    assert answer.endswith(b"\r\n\r\n0")


@pytest.mark.parametrize("begun", [b"", b"G", b"GET / HTTP/1.1\r\nHost: a\r\nX"])
def test_head_that_does_not_come_is_given_up(port: int, begun: bytes) -> None:
    with connect(port) as raw:
        raw.sendall(begun)
        started = time.monotonic()
        answer = answer_on(raw)

    assert time.monotonic() - started < 4
    assert (not answer and len(begun) == 0) or code_of(answer) == "request-timeout"


def test_head_that_drips_is_given_up(port: int) -> None:
    with connect(port) as raw:
        started = time.monotonic()
        raw.sendall(b"GET / HTTP/1.1\r\nX: ")
        sent_until_closed(raw, [b"a"] * 200, 0.05)

    assert time.monotonic() - started < 4


def test_body_that_drips_is_given_up(port: int) -> None:
    with connect(port) as raw:
        raw.sendall(head(b"Host: a", b"Content-Length: 1000", first=b"POST / HTTP/1.1"))
        started = time.monotonic()
        sent_until_closed(raw, [b"a"] * 1_000, 0.05)

    assert time.monotonic() - started < 4


def test_idle_connection_is_closed(port: int) -> None:
    with connect(port) as raw:
        raw.sendall(GET)
        started = time.monotonic()

        assert answer_on(raw).endswith(b"\r\n\r\n0")

    assert 0.5 < time.monotonic() - started < 4


def test_slow_answer_is_waited_for(port: int) -> None:
    started = time.monotonic()
    answer = told(port, head(b"Host: a", CLOSE.strip(), first=b"GET /slow HTTP/1.1"))

    assert status_of(answer) == 200
    assert time.monotonic() - started >= 1


def test_client_that_does_not_read_is_given_up(port: int) -> None:
    with socket.socket() as raw:
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8_192)
        raw.settimeout(10)
        raw.connect(("127.0.0.1", port))
        raw.sendall(head(b"Host: a", first=b"GET /large HTTP/1.1"))
        time.sleep(4)
        answer = answer_on(raw)

    assert len(answer) < 64 * 1024 * 1024


def test_client_that_reads_gets_all(port: int) -> None:
    answer = told(port, head(b"Host: a", CLOSE.strip(), first=b"GET /large HTTP/1.1"))

    assert len(answer.partition(b"\r\n\r\n")[2]) == 64 * 1024 * 1024 + 1


@only_linux
def test_one_address_has_so_many_connections_and_others_their_own() -> None:
    with served(connections_per_address=8, head_seconds=30, idle_seconds=30) as port:
        mine = [connect(port, "127.0.0.5") for _ in range(8)]
        other = [connect(port, "127.0.0.6") for _ in range(8)]

        # the newest makes the oldest of its own address go
        assert seconds_of_get(port, "127.0.0.5") < 5
        assert is_closed_within(mine[0], 2)
        assert not is_closed_within(mine[7], 0.1)
        assert not any(is_closed_within(each, 0.01) for each in other)
        # but a proxy's address stands for many
        many = [connect(port, "127.0.0.77") for _ in range(20)]
        assert seconds_of_get(port, "127.0.0.77") < 5
        assert not any(is_closed_within(each, 0.01) for each in many)
        for each in (*mine, *other, *many):
            each.close()


@only_linux
def test_full_house_makes_room_and_keeps_requests_that_have_arrived() -> None:
    with served(connections=8, head_seconds=30, idle_seconds=30, connections_per_address=9) as port:
        busy = [connect(port, "127.0.0.5") for _ in range(4)]
        for each in busy:
            each.sendall(head(b"Host: a", CLOSE.strip(), first=b"GET /slow HTTP/1.1"))
        time.sleep(0.3)
        idle = [connect(port, f"127.0.0.{each}") for each in range(10, 14)]

        assert seconds_of_get(port, "127.0.0.20") < 5
        assert is_closed_within(idle[0], 2)
        assert [status_of(answer_on(each)) for each in busy] == [200] * 4
        for each in (*busy, *idle):
            each.close()


@only_linux
def test_address_with_nothing_but_requests_under_way_waits() -> None:
    with served(connections_per_address=2) as port:
        busy = [connect(port, "127.0.0.5") for _ in range(2)]
        for each in busy:
            each.sendall(head(b"Host: a", CLOSE.strip(), first=b"GET /slow HTTP/1.1"))
        time.sleep(0.3)

        assert code_of(told(port, GET, source="127.0.0.5")) == "too-many-connections"
        assert seconds_of_get(port, "127.0.0.6") < 5
        assert [status_of(answer_on(each)) for each in busy] == [200] * 2
        for each in busy:
            each.close()
