"""Desks: what tests of kept records share, in one process and with the real service."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from litestar.testing import TestClient

from kitwright.app import make_app
from kitwright.desk_opening import first_key, open_desk
from kitwright.settings import Settings, built_in_catalog
from kitwright.store.engine import SqliteStore
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.service import Service
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.log import Journal

DAY = date(2027, 3, 1)
_OWNER = "owner key: "
_SAID = "listening on "


class Clock:
    """A clock that tests set."""

    def __init__(self) -> None:
        self.now = datetime(2027, 3, 1, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_days(self, days: int) -> None:
        """Let days go by."""
        self.now += timedelta(days=days)


class Counter(NamedTuple):
    """A desk with all that tests need of it."""

    desk: Desk
    store: SqliteStore
    key: str
    clock: Clock


@contextmanager
def open_counter(
    service: Service,
    folder: Path,
    *,
    rate: int = 0,
    public_url: str | None = "https://quotes.shop.example",
    local_links: bool = False,
) -> Iterator[Counter]:
    """Open the desk of a new data folder, on a day in March 2027."""
    clock = Clock()
    settings = Settings(
        catalog=built_in_catalog(),
        data=folder,
        rate=rate,
        public_url=public_url,
        local_links=local_links,
    )
    desk, store = open_desk(service, settings, now=clock)
    key = first_key(desk, store)
    assert key is not None
    try:
        yield Counter(desk, store, key, clock)
    finally:
        desk.pricing.close()
        store.close()


@contextmanager
def client_alone(
    service: Service, folder: Path, journal: Journal | None = None
) -> Iterator[TestClient[Any]]:
    """Open a client of a service with a data folder of its own, with the owner's key."""
    with (
        open_counter(service, folder) as counter,
        client_of(make_app(counter.desk, journal), counter.key) as client,
    ):
        yield client


def client_of(app: Edge, key: str | None) -> TestClient[Any]:
    """Return a client with a key, not yet opened."""
    client = TestClient(app)
    if key is not None:
        client.headers["Authorization"] = f"Bearer {key}"
    return client


class Live(NamedTuple):
    """The real service as it runs, and what it writes to standard error."""

    address: str
    key: str
    process: subprocess.Popen[str]
    log: Path


@contextmanager
def run_live(data: Path, *options: str, files: int | None = None) -> Iterator[Live]:
    """Run the real service on a new data folder, if given with so many files that may be open."""

    def limit() -> None:
        if files is not None:
            # only where it is asked for: not every system has it
            import resource

            resource.setrlimit(resource.RLIMIT_NOFILE, (files, files))

    # other users of the machine may read nothing in the folder
    (data / "log").touch(mode=0o600)
    with (data / "log").open("wb") as log:
        command = [sys.executable, "-m", "kitwright", "serve", "--port", "0", "--rate", "0"]
        with subprocess.Popen(
            [*command, "--shop", "hire-yard", "--data", str(data), *options],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
            preexec_fn=None if files is None else limit,
        ) as process:
            try:
                key = address = ""
                while not address:
                    line = process.stdout.readline() if process.stdout is not None else ""
                    assert line, (data / "log").read_text()
                    if line.startswith(_OWNER):
                        key = line.removeprefix(_OWNER).strip()
                    elif line.startswith(_SAID):
                        address = line.removeprefix(_SAID).strip()
                yield Live(address, key, process, data / "log")
            finally:
                process.terminate()
