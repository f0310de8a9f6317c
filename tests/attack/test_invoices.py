"""No kill and no restore leaves a gap in a series of numbers, or gives a number twice."""

import os
import random
from pathlib import Path

from tests.attack.invoices import gaps, kept, killed, restored, saved
from tests.documents.billing import drawn_statements

from kitwright.store.engine import FILE, SqliteStore

KILLS = 200 if os.environ.get("KITWRIGHT_LONG") == "1" else 9
"""A third of them in the first folder, and in each of two that are restored from one backup."""


def test_numbers_have_no_gaps_whatever_is_killed_and_restored(tmp_path: Path) -> None:
    chance = random.Random(1)
    statement = next(drawn_statements(range(1)))
    first, copy = tmp_path / "first", tmp_path / "copy"
    # the schema is made before anything is killed
    SqliteStore.open(first).close()
    told = dict[Path, list[str]]()
    lives = [first, tmp_path / "second", tmp_path / "third"]
    for folder in lives:
        if folder is not first:
            assert {one[:1] for one in restored(copy, folder)} <= {"I", "C"}
        acknowledged = told.setdefault(folder, [])
        for round_ in range(-(-KILLS // len(lives))):
            acknowledged += killed(folder, statement, chance)
            has = kept(folder)
            assert list(gaps(has)) == []
            assert set(acknowledged) <= set(has)
            if folder is first and round_ == 0:
                saved(folder, copy)

    assert (first / FILE).is_file()
    # what the two restored folders made since has numbers that no other folder gave
    since = [{one.split()[0] for one in told[folder]} for folder in lives]
    assert all(since)
    assert not since[0] & since[1]
    assert not since[0] & since[2]
    assert not since[1] & since[2]


def test_a_gap_is_seen() -> None:
    assert list(gaps(["I1-00001 a", "I1-00003 b", "C1-00001 c"])) == ["I1"]
