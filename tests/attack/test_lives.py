"""No kill, whatever it hits, loses anything, brings anybody back or gives an id twice."""

import asyncio
import os
from pathlib import Path

from tests.attack.lives import LIFE, NAME, live, told, traces
from tests.store.pictures import a_png
from tests.store.small import a_customer

from kitwright.store.engine import SqliteStore
from kitwright.store.files import PhotoFiles

KILLS = 300 if os.environ.get("KITWRIGHT_LONG") == "1" else LIFE


def test_life_of_a_shop_goes_on_after_every_kill(tmp_path: Path) -> None:
    life = asyncio.run(live(tmp_path, KILLS))

    print(told(life))
    assert life.kills == KILLS
    assert life.restores == len(life.people) == KILLS // LIFE
    assert life.again > 0, "writes have to be under way when the service is killed"
    assert sum(life.hits.values()) > 0, "acts have to be under way when they are killed"


def test_attack_sees_who_was_not_erased(tmp_path: Path) -> None:
    store = SqliteStore.open(tmp_path)
    assert list(traces(tmp_path)) == []
    store.write_now(lambda records: records.customers.add(a_customer(f"Ada {NAME}")))
    PhotoFiles(tmp_path).put(a_png())
    store.close()

    assert len(list(traces(tmp_path))) == 2
