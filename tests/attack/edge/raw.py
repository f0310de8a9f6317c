"""What the attacks on the edge share: raw connections from any loopback address, and a server."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
GET = b"GET / HTTP/1.1\r\nHost: a\r\n\r\n"

only_linux = pytest.mark.skipif(
    sys.platform != "linux", reason="only Linux has all of 127.0.0.0/8 without asking"
)


def connect(port: int, source: str = "127.0.0.1", seconds: float = 10.0) -> socket.socket:
    """Return a connection from an address of this machine."""
    raw = socket.socket()
    raw.settimeout(seconds)
    raw.bind((source, 0))
    raw.connect(("127.0.0.1", port))
    return raw


def answer_on(raw: socket.socket) -> bytes:
    """Return everything that comes until the connection is closed or reset."""
    found = bytearray()
    try:
        while piece := raw.recv(65_536):
            found += piece
    except ConnectionError:
        pass
    return bytes(found)


def status_of(answer: bytes) -> int:
    """Return the status of an answer, 0 if there is none."""
    return int(answer.split(b" ", 2)[1]) if answer else 0


def told(port: int, *pieces: bytes, source: str = "127.0.0.1") -> bytes:
    """Send pieces on a connection of their own; return everything that is answered."""
    with connect(port, source) as raw:
        try:
            for piece in pieces:
                raw.sendall(piece)
        except ConnectionError:
            # answered and closed before the end: the answer may still be read
            pass
        return answer_on(raw)


def is_closed_within(raw: socket.socket, seconds: float) -> bool:
    """Return whether the server closes a connection in time, without having answered."""
    raw.settimeout(seconds)
    try:
        return raw.recv(1) == b""
    except ConnectionError:
        return True
    except TimeoutError:
        return False


@contextmanager
def served(**bounds: float) -> Iterator[int]:
    """Run the small application behind the door; give its port."""
    given = [f"{name}={value}" for name, value in bounds.items()]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.attack.edge.served", *given],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as server:
        try:
            assert server.stdout is not None
            line = server.stdout.readline()
            assert line.startswith("listening on "), server.communicate()[1]
            yield int(line.rpartition(":")[2])
        finally:
            server.terminate()
            complaint = server.communicate(timeout=20)[1]
    assert "Traceback" not in complaint, complaint


def seconds_of_get(port: int, source: str = "127.0.0.1") -> float:
    """Return how long a new connection takes to be answered."""
    begun = time.perf_counter()
    answer = told(port, b"GET / HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", source=source)
    assert status_of(answer) == 200, answer
    return time.perf_counter() - begun
