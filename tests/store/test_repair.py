"""What repairing mends, and what it leaves for a backup."""

import os
import time
from contextlib import closing
from pathlib import Path

import pytest
from tests.store.small import NOON, a_customer, a_quote

from kitwright.keeping.store import QuoteFilter, Records
from kitwright.store.doctor import examine
from kitwright.store.engine import FILE, SqliteStore, StoreDamaged, connect
from kitwright.store.repair import clean, repair

PAGE = 4096


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    def work(records: Records) -> None:
        for number in range(200):
            customer = records.customers.add(a_customer(f"Ada {number}")).number
            records.quotes.add(a_quote(customer=customer))

    with closing(SqliteStore.open(tmp_path)) as store:
        store.write_now(work)
    return tmp_path


def codes(folder: Path) -> set[str]:
    found = examine(folder, now=NOON, version=(3, 53, 0))
    return {finding.code for finding in found if finding.severity == "error"}


def damage_index(folder: Path, name: str) -> None:
    """Change an entry of an index, past SQLite."""
    with closing(connect(folder / FILE)) as connection:
        query = "SELECT rootpage FROM sqlite_schema WHERE name = ?"
        page = connection.execute(query, (name,)).fetchone()[0]
    data = bytearray((folder / FILE).read_bytes())
    data[page * PAGE - 1] ^= 1
    (folder / FILE).write_bytes(data)


def found(folder: Path, word: str) -> int:
    with closing(SqliteStore.open(folder)) as store:
        return len(store.read(lambda records: records.quotes.find(QuoteFilter(words=(word,)))))


def test_repair_does_nothing_in_a_sound_folder(shop: Path) -> None:
    before = (shop / FILE).read_bytes()

    assert repair(shop) == ()

    assert (shop / FILE).read_bytes() == before


@pytest.mark.parametrize("index", ["quotes_state", "quotes_customer", "quotes_made_on"])
def test_repair_makes_a_damaged_index_anew(shop: Path, index: str) -> None:
    damage_index(shop, index)
    assert "damaged-database" in codes(shop)
    with pytest.raises(StoreDamaged, match="--repair"):
        SqliteStore.open(shop)

    done = repair(shop)

    assert done == ("made the indexes and the search anew",)
    assert "damaged-database" not in codes(shop)
    assert found(shop, "ada") == 50


def test_repair_makes_a_damaged_search_anew(shop: Path) -> None:
    with closing(connect(shop / FILE)) as connection:
        connection.execute("UPDATE quote_words_data SET block = x'00' WHERE id > 10")
    assert "damaged-database" in codes(shop)

    assert "made the indexes and the search anew" in repair(shop)

    assert "damaged-database" not in codes(shop)
    assert found(shop, "ada") == 50


def test_repair_leaves_a_changed_record_to_a_backup(shop: Path) -> None:
    with closing(connect(shop / FILE)) as connection:
        connection.execute("UPDATE customers SET note = 'other' WHERE number = 7")

    assert repair(shop) == ()

    assert "damaged-record" in codes(shop)


def test_clean_deletes_what_was_never_finished(shop: Path) -> None:
    places = [".new-1", ".restore-1", ".room-1", "photos/ab/.new-2", "mail/.new-3"]
    for place in places:
        (shop / place).parent.mkdir(parents=True, exist_ok=True)
        (shop / place).write_bytes(b"half")
    (shop / "mail" / "m.eml").write_bytes(b"whole")
    old = time.time() - 7200
    os.utime(shop / ".new-1", (old, old))

    young = {str(path.relative_to(shop)) for path in clean(shop, age_seconds=3600)}

    # a backup may be at work in the folder, but uploads and letters are the service's own
    assert young == {".new-1", "photos/ab/.new-2", "mail/.new-3"}
    assert {path.name for path in clean(shop)} == {".restore-1", ".room-1"}
    assert (shop / "mail" / "m.eml").exists()
