"""No changed answer is ever served from a damaged database, whichever bit, page or end it lost."""

import os
import random
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.attack.damage import a_shop, answers, attack, cut, findings, flips, zeroed

from kitwright.store.engine import SqliteStore

IS_LONG = bool(os.environ.get("KITWRIGHT_LONG"))
FLIPS = 500 if IS_LONG else 60

Shop = tuple[bytes, dict[str, Any], frozenset[str]]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    folder = tmp_path_factory.mktemp("sound") / "shop"
    data = a_shop(folder)
    with closing(SqliteStore.open(folder)) as store:
        return data, answers(store), findings(folder)


def some(changed: Iterator[tuple[str, bytes]]) -> Iterator[tuple[str, bytes]]:
    """Yield all changes, or each fifth if time is short."""
    return (one for number, one in enumerate(changed) if IS_LONG or number % 5 == 0)


def used(data: bytes) -> float:
    """Return the share of bytes that hold something: about a quarter."""
    return 1 - data.count(0) / len(data)


@pytest.mark.parametrize(
    ("change", "least_noticed"),
    [
        # of few flips, chance may have fewer hit bytes that hold something
        (
            lambda data: flips(data, FLIPS, random.Random(7)),
            lambda data: used(data) * (0.8 if IS_LONG else 0.5),
        ),
        (lambda data: some(zeroed(data)), lambda _: 0.9),
        (lambda data: some(cut(data, random.Random(7))), lambda _: 1.0),
    ],
    ids=["single bits", "zeroed pages", "cut files"],
)
def test_damage_is_never_served(
    shop: Shop,
    tmp_path: Path,
    change: Callable[[bytes], Iterator[tuple[str, bytes]]],
    least_noticed: Callable[[bytes], float],
) -> None:
    data, sound, known = shop

    ends, served = attack(tmp_path, sound, known, change(data))

    total = sum(ends.values()) - ends["noticed"]
    assert served == []
    assert total > 3
    assert ends["noticed"] / total >= least_noticed(data), ends


def test_attack_tells_what_is_served_from_a_sound_looking_change(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, sound, known = shop
    monkeypatch.setattr("kitwright.store.table.Table._is_sound", lambda *_: True)
    monkeypatch.setattr("kitwright.store.engine.damaged_rows", lambda _: ())
    at = data.index(b"Ada 11")

    changed = data[:at] + b"E" + data[at + 1 :]
    _, served = attack(tmp_path, sound, known, iter([("a name", changed)]))

    assert served == ["a name"]
