"""How much memory one process comes to hold, whatever it is asked.

    python -m tests.bench.memory [REQUESTS] [MIB]

Drives `kitwright serve` with previews of which no two share a draft (20,000 where no number is
given), and prints after each tenth of them the memory that the process holds, how many it answered
a second, and the processor time of each. The last line says how much more it holds than at first,
and the budget in MiB of all that is remembered (the default where none is given).
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile

from tests.bench.load import drive, post
from tests.bench.preview import ROOT, SERVE, once, processor_seconds, resident_mib, started
from tests.bench.requests import distinct_requests, varied_requests

from kitwright.settings import ENVIRONMENT, Settings, built_in_catalog

PARTS = 10


def main() -> None:
    """Measure, and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    budget = int(sys.argv[2]) if len(sys.argv) > 2 else Settings(catalog=built_in_catalog()).memory
    os.environ[ENVIRONMENT["memory"]] = str(budget)
    bodies = varied_requests(count)
    with tempfile.TemporaryDirectory() as data, started([*SERVE, "--data", data]) as server:
        process = server.process.pid
        once(server.port, server.key, distinct_requests(1)[0])
        empty = full = resident_mib(process)
        print(f"{empty:.0f} MiB after the first answer")
        headers = {"Authorization": f"Bearer {server.key}"}
        for part in range(PARTS):
            some = bodies[part * count // PARTS : (part + 1) * count // PARTS]
            requests = [post("/v1/quotes/preview", body, **headers) for body in some]
            used = processor_seconds(process)
            took, _ = asyncio.run(drive(server.port, requests, may_refuse=True))
            each = (processor_seconds(process) - used) / len(some) * 1e3
            full = resident_mib(process)
            done = (part + 1) * count // PARTS
            print(
                f"{done:>7} answered, {len(some) / took:>5.1f}/s, {each:>5.1f} ms of processor "
                f"time each, {full:>5.0f} MiB",
                flush=True,
            )
        print(f"{full - empty:.0f} MiB more than at first, with a budget of {budget} MiB")


if __name__ == "__main__":
    os.environ.setdefault("PYTHONPATH", str(ROOT / "service"))
    main()
