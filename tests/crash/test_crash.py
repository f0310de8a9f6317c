"""No kill undoes, doubles or tears what was acknowledged."""

import asyncio
import os
from pathlib import Path

from tests.crash import orders
from tests.crash.rounds import run

from kitwright.store.doctor import examine


def test_service_loses_nothing_when_it_is_killed(tmp_path: Path) -> None:
    kills = 500 if os.environ.get("KITWRIGHT_LONG") == "1" else 24

    rounds = asyncio.run(run(tmp_path / "data", kills))

    assert rounds.kills == kills
    assert rounds.again >= kills, "writes have to be under way when the service is killed"
    assert [one for one in examine(tmp_path / "data") if one.severity == "error"] == []


def test_no_order_is_lost_or_doubled_when_the_service_is_killed(tmp_path: Path) -> None:
    kills = 200 if os.environ.get("KITWRIGHT_LONG") == "1" else 8

    rounds = asyncio.run(orders.run(tmp_path / "data", kills))

    assert rounds.kills == kills
    assert rounds.again >= kills, "writes have to be under way when the service is killed"
    assert [one for one in examine(tmp_path / "data") if one.severity == "error"] == []
