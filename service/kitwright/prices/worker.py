"""Worker: reads a price file in a process of its own, so that the service goes on answering.

`python -m kitwright.prices.worker` takes a `Job` on standard input. It writes a line of JSON for
each `Told`, the last of which has the outcome.
"""

from __future__ import annotations

import asyncio
import os
import sys
from asyncio.subprocess import PIPE
from collections.abc import Callable
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.errors import KitwrightError, reason_of
from kitwright.prices.difference import OldPrice, OpenQuote, PriceDifference, find_difference
from kitwright.prices.reading import Progress, Read, read_prices
from kitwright.prices.record import FileNumber, Terms

_LESS_URGENT: Final = 10
"""The `nice` value by which reading yields to the service."""


Outcome = tuple[Read, PriceDifference | None]
"""The outcome of reading a file, and what the file changes, None if it has errors."""


class Job(Struct, frozen=True, kw_only=True):
    """A file to read: the paths of the file and of the book to build, and what it is compared with.

    `before` is the path of the book in force, `old` are the catalogue's prices if there is none.
    """

    source: str
    target: str
    terms: Terms
    against: FileNumber | None
    before: str | None
    old: tuple[OldPrice, ...]
    quotes: tuple[OpenQuote, ...]


class Told(Struct, frozen=True, kw_only=True):
    """A line that a worker writes: its progress, or its outcome, or why it failed."""

    progress: Progress | None = None
    read: Read | None = None
    difference: PriceDifference | None = None
    failure: str | None = None


class ReadingFailed(KitwrightError):
    """A file that could not be read, for a reason outside the file."""

    code = "reading-failed"

    def __init__(self, reason: str) -> None:
        super().__init__(f"the file could not be read: {reason}")


def do_job(job: Job, told: Callable[[Progress], None]) -> Outcome:
    """Read a file, and return the outcome and the difference, None if the file has errors.

    Raises: OSError, and the database's errors.
    """
    target = Path(job.target)
    read = read_prices(Path(job.source), job.terms, target, told)
    if read.errors:
        return read, None
    found = find_difference(
        target,
        job.old if job.before is None else Path(job.before),
        against=job.against,
        quotes=job.quotes,
    )
    return read, found


async def run_job(
    job: Job, told: Callable[[Progress], None]
) -> tuple[Read, PriceDifference | None]:
    """Do a job in a process of low priority. Raises: ReadingFailed."""
    worker = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "kitwright.prices.worker", stdin=PIPE, stdout=PIPE
    )
    last = Told(failure="its process ended")
    try:
        if sys.platform != "win32":
            os.setpriority(os.PRIO_PROCESS, worker.pid, _LESS_URGENT)
        if worker.stdin is None or worker.stdout is None:
            raise ReadingFailed("its process can't be spoken to")
        worker.stdin.write(msgspec.json.encode(job))
        worker.stdin.close()
        # a line may hold a complete difference
        rest = b""
        while piece := await worker.stdout.read(65_536):
            *lines, rest = (rest + piece).split(b"\n")
            for line in lines:
                last = msgspec.json.decode(line, type=Told)
                if last.progress is not None:
                    told(last.progress)
        await worker.wait()
    finally:
        if worker.returncode is None:
            worker.kill()
    if last.read is None:
        raise ReadingFailed(last.failure or "its process ended")
    return last.read, last.difference


def main() -> None:
    """Do the job that standard input holds."""

    def tell(told: Told) -> None:
        sys.stdout.buffer.write(msgspec.json.encode(told) + b"\n")
        sys.stdout.buffer.flush()

    job = msgspec.json.decode(sys.stdin.buffer.read(), type=Job)
    try:
        read, difference = do_job(job, lambda progress: tell(Told(progress=progress)))
    except OSError as error:
        tell(Told(failure=reason_of(error)))
    except Exception as error:  # noqa: BLE001 - the service tells it; nothing was changed
        tell(Told(failure=f"{type(error).__name__}: {error}"))
    else:
        tell(Told(read=read, difference=difference))


if __name__ == "__main__":
    main()
