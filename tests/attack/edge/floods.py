"""What floods of connections and headers do to other clients: `python -m tests.attack.edge.floods`.

    python -m tests.attack.edge.floods [CONNECTIONS]

Starts the real service, and asks it for previews from one address while so many connections (1,000
where no number is given) from others attack it. Prints, for each attack, the 99th percentile of the
seconds of an answer and the memory of the service.
"""

from __future__ import annotations

import contextlib
import resource
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from tests.attack.edge.raw import connect
from tests.bench.preview import resident_mib
from tests.bench.requests import distinct_requests
from tests.desks import Live, run_live

ASKED: Final = 300
"""Requests in each measurement of the program."""


class Seen(NamedTuple):
    """Of one attack: its name, the median and 99th percentile of seconds, and MiB of memory."""

    attack: str
    middle: float
    p99: float
    mib: float


def ask_previews(live: Live, bodies: Sequence[bytes]) -> list[float]:
    """Return the sorted seconds of requests, each on a new connection."""
    port = int(live.address.rpartition(":")[2])
    seconds = []
    for body in bodies:
        head = (
            f"POST /v1/quotes/preview HTTP/1.1\r\nHost: a\r\nAuthorization: Bearer {live.key}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
            "Connection: close\r\n\r\n"
        )
        begun = time.perf_counter()
        with connect(port) as raw:
            raw.sendall(head.encode() + body)
            answer = bytearray()
            while piece := raw.recv(65_536):
                answer += piece
        seconds.append(time.perf_counter() - begun)
        assert answer.startswith(b"HTTP/1.1 200"), bytes(answer[:300])
    return sorted(seconds)


def source(number: int) -> str:
    """Return one of many addresses of this machine: eight connections share each."""
    return f"127.1.{number // 8 // 250}.{number // 8 % 250 + 1}"


@contextmanager
def held(port: int, connections: int, begun: bytes) -> Iterator[list[socket.socket]]:
    """Open connections that send the start of something, and close them at the end."""
    opened: list[socket.socket] = []
    try:
        for number in range(connections):
            raw = connect(port, source(number))
            raw.sendall(begun)
            opened.append(raw)
        yield opened
    finally:
        for raw in opened:
            raw.close()


@contextmanager
def idle(port: int, connections: int) -> Iterator[None]:
    """Hold connections that say nothing."""
    with held(port, connections, b""):
        yield


@contextmanager
def slow(port: int, connections: int) -> Iterator[None]:
    """Hold connections that send a head byte by byte, and open again when they are closed."""
    stop = threading.Event()

    def drip() -> None:
        with held(port, connections, b"GET / HTTP/1.1\r\nHost: a\r\nX: ") as opened:
            ready.set()
            while not stop.wait(1):
                for number, raw in enumerate(opened):
                    try:
                        raw.send(b"a")
                    except OSError:
                        raw.close()
                        with contextlib.suppress(OSError):
                            opened[number] = connect(port, source(number))

    ready = threading.Event()
    with _in_thread(drip, stop):
        ready.wait(30)
        yield


@contextmanager
def headers(port: int, connections: int) -> Iterator[None]:
    """Send heads without an end over some connections, one after the other, all the time."""
    stop = threading.Event()
    lines = b"".join(b"X-%d: %d\r\n" % (each, each) for each in range(1_000))
    pieces = (b"a" * 65_536, lines * 4)

    def flood() -> None:
        number = 0
        while not stop.wait(0.01):
            number += 1
            with contextlib.suppress(OSError), connect(port, source(number)) as raw:
                raw.sendall(b"GET / HTTP/1.1\r\nHost: a\r\nX: ")
                for _ in range(64):
                    raw.sendall(pieces[number % 2])

    large = held(port, connections // 2, b"GET / HTTP/1.1\r\nX: " + b"a" * 30_000)
    with large, _in_thread(flood, stop):
        yield


@contextmanager
def _in_thread(work: Callable[[], None], stop: threading.Event) -> Iterator[None]:
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


ATTACKS: Final = (idle, slow, headers)


def measure(folder: Path, connections: int, asked: int = ASKED) -> list[Seen]:
    """Return what was seen without an attack, and during each, in so many requests."""
    allow_files(4 * connections + 256)
    bodies = distinct_requests(asked)
    with run_live(folder, "--log", "faults") as live:
        port = int(live.address.rpartition(":")[2])
        # the service remembers what it is asked, so its memory grows with the first requests
        ask_previews(live, bodies)

        def look(name: str) -> Seen:
            seconds = ask_previews(live, bodies)
            middle, p99 = seconds[len(seconds) // 2], seconds[-max(1, len(seconds) // 100)]
            return Seen(name, middle, p99, resident_mib(live.process.pid))

        seen = [look("none")]
        for attack in ATTACKS:
            with attack(port, connections):
                seen.append(look(attack.__name__))
        return seen


def send_line(folder: Path, mebibytes: int, asked: int = ASKED) -> tuple[float, float]:
    """Send one header line without an end to the real service, up to a size; return the longest
    seconds that another client waited meanwhile, and the MiB by which the service grew.
    """
    with run_live(folder, "--log", "faults") as live:
        port = int(live.address.rpartition(":")[2])
        bodies = distinct_requests(asked)
        ask_previews(live, bodies)
        before = resident_mib(live.process.pid)
        stop = threading.Event()

        def send() -> None:
            sent = 0
            while sent < mebibytes * 2**20:
                with contextlib.suppress(OSError), connect(port, "127.1.9.9") as raw:
                    raw.sendall(b"GET / HTTP/1.1\r\nHost: a\r\nX: ")
                    while sent < mebibytes * 2**20:
                        sent += raw.send(b"a" * 65_536)

        with _in_thread(send, stop):
            seconds = ask_previews(live, bodies)
        return seconds[-1], resident_mib(live.process.pid) - before


def allow_files(wanted: int) -> None:
    """Let this process open more files."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(wanted, hard), hard))


def main() -> None:
    """Print what was seen."""
    connections = int(sys.argv[1]) if sys.argv[1:] else 1_000
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a").mkdir()
        (Path(folder) / "b").mkdir()
        for seen in measure(Path(folder) / "a", connections):
            told = f"{1000 * seen.middle:6.1f} ms, p99 {1000 * seen.p99:6.1f} ms"
            print(f"{seen.attack:8} {told}, {seen.mib:6.1f} MiB")
        longest, grown = send_line(Path(folder) / "b", 300)
        print(f"300 MiB in header lines: others waited {longest:.3f} s, {grown:.1f} MiB more")


if __name__ == "__main__":
    main()
