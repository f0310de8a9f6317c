"""Floods of connections and headers: other clients are answered, and memory stays bounded.

With KITWRIGHT_LONG=1 they are as large as the program `floods` makes them.
"""

import os
from pathlib import Path

from tests.attack.edge.floods import measure, send_line
from tests.attack.edge.raw import only_linux

IS_LONG = os.environ.get("KITWRIGHT_LONG") == "1"
SLACK_SECONDS = 0.1
"""Machines that do other work are late by themselves."""


@only_linux
def test_floods_leave_other_clients_alone(tmp_path: Path) -> None:
    calm, *attacked = measure(tmp_path, 1_000 if IS_LONG else 200)

    assert all(seen.p99 < 3 * calm.p99 + SLACK_SECONDS for seen in attacked), (calm, attacked)
    assert all(seen.mib < calm.mib + 100 for seen in attacked), (calm, attacked)


@only_linux
def test_one_long_header_line_stops_nobody(tmp_path: Path) -> None:
    longest, grown = send_line(tmp_path, 300 if IS_LONG else 50)

    assert longest < 2
    assert grown < 100
