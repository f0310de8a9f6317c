"""A process that is killed while it works on a data folder.

Each line on standard input is a JSON list: an act, its arguments, and after how many microseconds
the act is killed. A child does the act. Prints `done`, its status and the microseconds that it
took if it ended by itself, else `killed`.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from kitwright.keeping.record import Hand, Stamp
from kitwright.keeping.release import release
from kitwright.store.closings import read_ledger
from kitwright.store.engine import SqliteStore
from kitwright.store.lock import hold_folder
from kitwright.store.restore import restore
from kitwright.store.snapshots import take_snapshot
from kitwright.web.calls.erasure import redact


class Victim:
    """A process that does acts and is killed in them."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.attack.restore.victim"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.luck = random.Random(5)

    def act(self, name: str, *arguments: Path, seconds: float = 60) -> float:
        """Do an act, killed after so many seconds; return how long it took, 0 if it was killed."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        line = [name, [*map(str, arguments)], int(seconds * 1e6)]
        self._process.stdin.write(f"{json.dumps(line)}\n")
        self._process.stdin.flush()
        word, _, rest = self._process.stdout.readline().strip().partition(" ")
        if word == "killed":
            return 0
        status, _, took = rest.partition(" ")
        assert (word, status) == ("done", "0")
        return int(took) / 1e6

    def at_once(self, name: str, *arguments: Path, within: float) -> float:
        """Do an act, killed at any time while it works; `within` is how long it takes."""
        return self.act(name, *arguments, seconds=self.luck.uniform(0.1, 1.1) * within)

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(10)


def _restore(source: str, folder: str, ledger: str) -> None:
    given = Path(ledger), read_ledger(Path(ledger))
    restore(Path(source), Path(folder), redact=redact, ledger=given)


def _release(folder: str) -> None:
    now = datetime.now(UTC)
    stamp = Stamp(at=now, today=now.date(), hand=Hand.service, by="test")
    with hold_folder(Path(folder), "test"), closing(SqliteStore.open(Path(folder))) as store:
        store.write_now(
            lambda records: release(records, stamp, mail="drop", webhooks="drop", is_confirmed=True)
        )


def _back_up(folder: str, into: str) -> None:
    take_snapshot(Path(folder), Path(into))


_ACTS: Final[dict[str, Callable[..., None]]] = {
    "restore": _restore,
    "release": _release,
    "back up": _back_up,
}


def main() -> None:
    """Do what each line asks."""
    for line in sys.stdin:
        act, arguments, microseconds = json.loads(line)
        child = os.fork()
        if child == 0:
            try:
                _ACTS[act](*arguments)
            except BaseException as error:  # noqa: BLE001 - told in the log of the test
                print(repr(error), file=sys.stderr, flush=True)
                os._exit(1)
            os._exit(0)
        begun, ended, status = time.monotonic(), 0, 0
        while not ended and (left := begun + microseconds / 1e6 - time.monotonic()) > 0:
            time.sleep(min(left, 0.001))
            ended, status = os.waitpid(child, os.WNOHANG)
        if not ended:
            os.kill(child, signal.SIGKILL)
            _, status = os.waitpid(child, 0)
        took = int((time.monotonic() - begun) * 1e6)
        print("killed" if os.WIFSIGNALED(status) else f"done {status} {took}", flush=True)


if __name__ == "__main__":
    main()
