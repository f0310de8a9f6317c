"""Floods of connections and headers: other clients are answered, and memory stays bounded.

With KITWRIGHT_LONG=1 they are as large as the program `floods` makes them.
"""

import os
from pathlib import Path

import pytest
from tests.attack.edge.floods import allow_files, ask_previews, held, measure, send_line
from tests.attack.edge.raw import only_linux
from tests.bench.requests import distinct_requests
from tests.desks import run_live

IS_LONG = os.environ.get("KITWRIGHT_LONG") == "1"
ASKED = 300 if IS_LONG else 120
SLACK_SECONDS = 0.1
"""Machines that do other work are late by themselves."""


@only_linux
def test_floods_leave_other_clients_alone(tmp_path: Path) -> None:
    calm, *attacked = measure(tmp_path, 1_000 if IS_LONG else 200, ASKED)

    assert all(seen.p99 < 3 * calm.p99 + SLACK_SECONDS for seen in attacked), (calm, attacked)
    assert all(seen.mib < calm.mib + 100 for seen in attacked), (calm, attacked)


@only_linux
@pytest.mark.parametrize("files", [256, 1_024])
def test_more_connections_than_files_shut_nobody_out(tmp_path: Path, files: int) -> None:
    allow_files(4 * files)
    bodies = distinct_requests(20)
    with run_live(tmp_path, files=files) as live:
        port = int(live.address.rpartition(":")[2])
        with held(port, files + 100, b""), held(port, files + 100, b"GET / HTTP/1.1\r\nX: "):
            assert ask_previews(live, bodies)[-1] < 5
        opened = len(list(Path(f"/proc/{live.process.pid}/fd").iterdir()))

    log = live.log.read_text()
    assert "Too many open files" not in log
    assert ("ulimit -n" in log) == (files == 256)
    assert opened < files


@only_linux
def test_one_long_header_line_stops_nobody(tmp_path: Path) -> None:
    longest, grown = send_line(tmp_path, 300 if IS_LONG else 50, ASKED)

    assert longest < 2
    assert grown < 100
