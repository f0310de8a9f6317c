"""How fast the preview answers, against a bare handler of the same framework and server.

    python -m tests.bench.preview [REQUESTS]

Starts `kitwright serve` and a bare Litestar handler that returns a body of the same size, and
drives both with one load generator, in turns of so many requests (2,000 where no number is given):

- never seen: no two requests of the run ask for the same work, and none is sent twice. This is what
  a quote takes.
- replay: the same requests again and again. This is what memory takes, and says nothing of quotes.

Prints requests per second, the middle and the 99th percentile of answer times, the processor time
of each, and the ratio of both to the bare handler. Machines are noisy: only ratios of one run mean
anything, and where others work on the machine, only those of processor time.
"""

from __future__ import annotations

import asyncio
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import NamedTuple

from tests.bench.load import drive, post
from tests.bench.requests import distinct_requests, unseen_requests

ROOT = Path(__file__).parents[2]
# any rate: the limit itself is asked, but never reached
SERVE = [sys.executable, "-m", "kitwright", "serve", "--port", "0", "--shop", "hire-yard"]
SERVE += ["--rate", "1000000"]
TURNS = 3
BARE = """
import sys
from litestar import Litestar, Request, Response, post
BODY = b"[" + b"0," * (int(sys.argv[1]) // 2 - 1) + b"0]"
@post("/v1/quotes/preview", status_code=200)
async def bare(request: Request) -> Response[bytes]:
    await request.body()
    return Response(BODY, media_type="application/json")
app = Litestar([bare], openapi_config=None, logging_config=None)
import asyncio, socket, uvicorn
listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
listener.bind(("127.0.0.1", 0))
listener.listen(2048)
print("listening on http://127.0.0.1:%d" % listener.getsockname()[1], flush=True)
config = uvicorn.Config(app, log_level="warning", access_log=False)
asyncio.run(uvicorn.Server(config).serve(sockets=[listener]))
"""


class Started(NamedTuple):
    """A server: its port, its process, the seconds until it listened, and its owner's key."""

    port: int
    process: subprocess.Popen[str]
    ready: float
    key: str


@contextmanager
def started(command: Sequence[str]) -> Iterator[Started]:
    """Run a server."""
    begun = time.perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT
    ) as server:
        try:
            assert server.stdout is not None
            line = server.stdout.readline()
            key = ""
            if line.startswith("owner key: "):
                key = line.removeprefix("owner key: ").strip()
                line = server.stdout.readline()
            if not line.startswith("listening on "):
                sys.exit("a server did not start")
            ready = time.perf_counter() - begun
            yield Started(int(line.rsplit(":", 1)[1]), server, ready, key)
        finally:
            server.terminate()


def once(port: int, key: str, body: bytes) -> tuple[int, float]:
    """Post one request; return the size of the answer and the seconds it took."""
    begun = time.perf_counter()
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/v1/quotes/preview",
        data=body,
        headers={"Authorization": f"Bearer {key}", "Content-Type": "application/json"},
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        return len(answer.read()), time.perf_counter() - begun


def resident_mib(process: int) -> float:
    """Return the memory that a process holds, in MiB."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


def processor_seconds(process: int) -> float:
    """Return the processor time that a process has taken."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Speed(NamedTuple):
    """Requests per second, and the milliseconds of processor time of each."""

    rate: float
    cost: float

    def beside(self, bare: Speed) -> Speed:
        """Return the ratios to a bare handler, by requests per second and by processor time."""
        return Speed(self.rate / bare.rate, bare.cost / self.cost)


def measured(name: str, server: Started, bodies: Sequence[bytes]) -> Speed:
    """Drive a server with previews, print and return what came of it."""
    key = f"Bearer {server.key}"
    requests = [post("/v1/quotes/preview", body, Authorization=key) for body in bodies]
    before = processor_seconds(server.process.pid)
    rate = driven(name, server.port, requests)
    ticks = max(processor_seconds(server.process.pid) - before, 1 / os.sysconf("SC_CLK_TCK"))
    cost = ticks / len(bodies) * 1e3
    print(f"{'':<24}{cost:>9.2f} ms of processor time each")
    return Speed(rate, cost)


def driven(name: str, port: int, requests: Sequence[bytes]) -> float:
    """Drive a server and print what came of it; return its requests per second."""
    took, seconds = asyncio.run(drive(port, requests))
    rate = len(requests) / took
    middle = statistics.median(seconds) * 1e3
    late = seconds[int(len(seconds) * 0.99)] * 1e3
    print(f"{name:<24}{rate:>9.0f}/s   p50 {middle:>7.2f} ms   p99 {late:>7.2f} ms")
    return rate


def middle(ratios: Sequence[Speed]) -> str:
    """Return the middle ratios of some turns in words."""
    rate = statistics.median(each.rate for each in ratios)
    cost = statistics.median(each.cost for each in ratios)
    return f"{rate:.3f} by requests per second, {cost:.3f} by processor time"


def main() -> None:
    """Measure, and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    unseen = unseen_requests()
    # drawn before anything is measured
    drawn = [[*islice(unseen, count)] for _ in range(TURNS)]
    replayed = distinct_requests(count)
    with tempfile.TemporaryDirectory() as data, started([*SERVE, "--data", data]) as server:
        _, first = once(server.port, server.key, next(unseen))
        print(
            f"start to listening {server.ready:.2f} s, to the first answer "
            f"{server.ready + first:.2f} s"
        )
        empty = resident_mib(server.process.pid)
        measured("replay, first time", server, replayed)
        size = statistics.mean(once(server.port, server.key, body)[0] for body in replayed[:200])
        with started([sys.executable, "-c", BARE, str(int(size))]) as other:
            cold: list[Speed] = []
            warm: list[Speed] = []
            for turn, bodies in enumerate(drawn, start=1):
                bare = measured(f"bare handler, turn {turn}", other, replayed)
                cold.append(measured(f"never seen, turn {turn}", server, bodies).beside(bare))
                # what has been forgotten for those is remembered again first
                measured(f"replay, again, turn {turn}", server, replayed)
                warm.append(measured(f"replay, turn {turn}", server, replayed).beside(bare))
        print(f"answers of {size / 1024:.0f} KiB on average; {count} requests a turn")
        print(
            f"never seen to bare: {middle(cold)} ({count * TURNS} requests, each sent once, no "
            "two of the same work)"
        )
        print(f"replay to bare: {middle(warm)} (memory, not quotes)")
        full = resident_mib(server.process.pid)
        print(f"memory {empty:.0f} MiB after the first answer, {full:.0f} MiB after the run")


if __name__ == "__main__":
    os.environ.setdefault("PYTHONPATH", str(ROOT / "service"))
    main()
