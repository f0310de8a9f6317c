"""Limits: what is too long is refused before it is read, over real connections too."""

import json
import re
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any
from urllib.parse import urlsplit

import pytest
from tests.desks import Counter, Live
from tests.web.asgi import Header, ask
from tests.web.problem import sound_problem

from kitwright.web.edge.body import MOST_BYTES
from kitwright.web.edge.edge import Edge

PREVIEW = "/v1/quotes/preview"
JSON = (b"content-type", b"application/json")
MANY = 10_000_000


@pytest.fixture
def keyed(counter: Counter) -> Header:
    return b"authorization", f"Bearer {counter.key}".encode()


def padded(request: dict[str, Any], length: int) -> bytes:
    return json.dumps(request).encode().ljust(length)


def test_body_of_the_greatest_length_is_read(
    app: Edge, keyed: Header, leaking_valve: dict[str, Any]
) -> None:
    body = padded(leaking_valve, MOST_BYTES)

    assert ask(app, PREVIEW, headers=[JSON, keyed], parts=[body]).status_code == 200


def test_body_in_many_parts_is_read(
    app: Edge, keyed: Header, leaking_valve: dict[str, Any]
) -> None:
    body = json.dumps(leaking_valve).encode()
    parts = [body[place : place + 1] for place in range(len(body))]

    assert ask(app, PREVIEW, headers=[JSON, keyed], parts=parts).status_code == 200


def test_body_one_byte_longer_is_too_large(
    app: Edge, keyed: Header, leaking_valve: dict[str, Any]
) -> None:
    body = padded(leaking_valve, MOST_BYTES + 1)

    answer = ask(app, PREVIEW, headers=[JSON, keyed], parts=[body])

    assert sound_problem(answer)["code"] == "body-too-large"


@pytest.mark.parametrize("length", [str(MOST_BYTES + 1), str(MANY), "9" * 30, "9" * 5_000])
def test_body_announced_too_large_is_not_read(app: Edge, keyed: Header, length: str) -> None:
    headers = [JSON, keyed, (b"content-length", length.encode())]

    answer = ask(app, PREVIEW, headers=headers, parts=[b" " * MANY])

    assert sound_problem(answer)["code"] == "body-too-large"
    assert answer.taken == 0


def test_body_that_turns_out_too_large_is_read_no_further(app: Edge, keyed: Header) -> None:
    parts = (b" " * 65_536 for _ in range(1_000))

    answer = ask(app, PREVIEW, headers=[JSON, keyed], parts=parts)

    assert sound_problem(answer)["code"] == "body-too-large"
    assert answer.taken == 5 * 65_536


def test_body_longer_than_announced_is_held_to_its_length(app: Edge, keyed: Header) -> None:
    headers = [JSON, keyed, (b"content-length", b"2")]

    answer = ask(app, PREVIEW, headers=headers, parts=[b" " * 65_536] * 1_000)

    assert sound_problem(answer)["code"] == "body-too-large"
    assert answer.taken <= MOST_BYTES + 65_536


def test_caller_that_leaves_gets_no_fault_of_the_service(app: Edge, keyed: Header) -> None:
    headers = [JSON, keyed, (b"content-length", b"100")]

    answer = ask(app, PREVIEW, headers=headers, parts=[b'{"family":'], leaves=True)

    assert sound_problem(answer)["code"] == "bad-request"


@contextmanager
def connected(address: str) -> Iterator[socket.socket]:
    place = urlsplit(address)
    assert place.hostname is not None
    with closing(socket.create_connection((place.hostname, place.port or 80), timeout=20)) as raw:
        yield raw


def head(key: str, *lines: str) -> bytes:
    first = (f"POST {PREVIEW} HTTP/1.1", "Host: localhost", f"Authorization: Bearer {key}")
    return "\r\n".join((*first, *lines, "", "")).encode()


def answered(raw: socket.socket) -> tuple[int, bytes]:
    """Return status and body of the next answer on a connection."""
    got = b""
    while b"\r\n\r\n" not in got:
        part = raw.recv(65_536)
        assert part, got
        got += part
    top, _, body = got.partition(b"\r\n\r\n")
    lines = top.decode().split("\r\n")
    lengths = [line for line in lines if line.lower().startswith("content-length:")]
    length = int(lengths[0].partition(":")[2])
    while len(body) < length:
        body += raw.recv(65_536)
    return int(lines[0].split()[1]), body


def test_live_service_refuses_a_large_body_before_it_comes(running: Live) -> None:
    with connected(running.address) as raw:
        raw.sendall(head(running.key, "Content-Type: application/json", f"Content-Length: {MANY}"))

        status, body = answered(raw)

    assert status == 413
    assert json.loads(body)["code"] == "body-too-large"


def test_live_service_spares_a_caller_that_waits_to_be_told(running: Live) -> None:
    with connected(running.address) as raw:
        raw.sendall(
            head(
                running.key,
                "Content-Type: application/json",
                f"Content-Length: {MANY}",
                "Expect: 100-continue",
            )
        )

        status, _ = answered(raw)

    assert status == 413


def test_live_service_goes_on_after_a_large_body(
    running: Live, leaking_valve: dict[str, Any]
) -> None:
    good = json.dumps(leaking_valve).encode()
    with connected(running.address) as raw:
        raw.sendall(head(running.key, "Content-Type: application/json", f"Content-Length: {MANY}"))
        assert answered(raw)[0] == 413
        raw.sendall(b" " * MANY)

        raw.sendall(
            head(running.key, "Content-Type: application/json", f"Content-Length: {len(good)}")
            + good
        )

        assert answered(raw)[0] == 200


def test_live_service_stops_an_endless_chunked_body(running: Live) -> None:
    chunk = b"10000\r\n" + b" " * 65_536 + b"\r\n"
    with connected(running.address) as raw:
        raw.sendall(
            head(running.key, "Content-Type: application/json", "Transfer-Encoding: chunked")
        )
        for _ in range(5):
            raw.sendall(chunk)

        status, body = answered(raw)

    assert status == 413
    assert json.loads(body)["code"] == "body-too-large"


def test_live_service_reads_a_chunked_body(running: Live, leaking_valve: dict[str, Any]) -> None:
    good = json.dumps(leaking_valve).encode()
    chunks = b"".join(b"1\r\n" + good[place : place + 1] + b"\r\n" for place in range(len(good)))
    with connected(running.address) as raw:
        raw.sendall(
            head(running.key, "Content-Type: application/json", "Transfer-Encoding: chunked")
        )
        raw.sendall(chunks + b"0\r\n\r\n")

        assert answered(raw)[0] == 200


def test_live_service_takes_a_length_that_lies_short_at_its_word(
    running: Live, leaking_valve: dict[str, Any]
) -> None:
    good = json.dumps(leaking_valve).encode()
    with connected(running.address) as raw:
        raw.sendall(head(running.key, "Content-Type: application/json", "Content-Length: 10"))
        raw.sendall(good[:10])
        status, body = answered(raw)
        # what is left over is no request
        raw.sendall(good[10:])
        rest_status, rest = answered(raw)

    assert (status, json.loads(body)["code"]) == (400, "not-json")
    assert (rest_status, json.loads(rest)["code"]) == (400, "bad-request")


def test_live_service_survives_a_length_that_lies_long(
    running: Live, leaking_valve: dict[str, Any]
) -> None:
    good = json.dumps(leaking_valve).encode()
    with connected(running.address) as raw:
        raw.sendall(
            head(running.key, "Content-Type: application/json", f"Content-Length: {len(good) + 9}")
        )
        raw.sendall(good)
        raw.shutdown(socket.SHUT_WR)

    with connected(running.address) as raw:
        raw.sendall(
            head(running.key, "Content-Type: application/json", f"Content-Length: {len(good)}")
            + good
        )
        assert answered(raw)[0] == 200


@pytest.mark.parametrize("length", ["-1", "1e3", "ten", "1, 2"])
def test_live_service_refuses_a_length_that_is_none(running: Live, length: str) -> None:
    with connected(running.address) as raw:
        raw.sendall(
            head(running.key, "Content-Type: application/json", f"Content-Length: {length}")
        )

        status, body = answered(raw)

    assert status == 400
    assert json.loads(body)["code"] == "bad-request"


@pytest.mark.parametrize(
    "noise",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n",
        b"FETCH / HTTP/1.1\r\n\r\n",
        b"GET /\x00 HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nA header\r\n\r\n",
    ],
)
def test_live_service_refuses_what_is_no_http(running: Live, noise: bytes) -> None:
    with connected(running.address) as raw:
        raw.sendall(noise)

        status, body = answered(raw)

    assert status == 400
    assert json.loads(body)["code"] == "bad-request"


def test_live_service_refuses_a_very_long_path(running: Live) -> None:
    with connected(running.address) as raw:
        raw.sendall(f"GET /v1/families/{'A' * 60_000} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())

        status, body = answered(raw)

    assert status == 414
    assert json.loads(body)["code"] == "path-too-long"


def test_live_service_answers_an_upgrade_as_if_it_were_none(running: Live) -> None:
    with connected(running.address) as raw:
        raw.sendall(
            b"GET /health/live HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade\r\n"
            b"Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
            b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
        )

        status, body = answered(raw)

    assert (status, json.loads(body)) == (200, {"status": "alive"})


def test_live_service_answers_requests_sent_at_once_in_order(running: Live) -> None:
    with connected(running.address) as raw:
        raw.sendall(
            b"".join(
                f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
                for path in ("/health/live", "/nothing", "/health/live")
            )
        )

        got = b""
        while got.count(b"HTTP/1.1 ") < 3 or not got.endswith(b'{"status":"alive"}'):
            got += raw.recv(65_536)

    assert re.findall(rb"HTTP/1\.1 (\d+)", got) == [b"200", b"404", b"200"]
