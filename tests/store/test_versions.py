"""Databases of every released schema open, migrate, and still hold everything."""

import json
import shutil
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.store.make_version import FOLDER, found, make
from tests.store.small import NOON

from kitwright.keeping.store import Records
from kitwright.quote import encode_quote, for_customer, read_quote
from kitwright.store.engine import FILE, OlderSchema, SqliteStore, all_names, connect
from kitwright.store.schema import MIGRATIONS

VERSIONS = sorted(file.stem for file in FOLDER.glob("*.db"))


def schema(file: Path) -> list[tuple[str, str]]:
    with closing(connect(file)) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_schema WHERE sql <> ''").fetchall()
        return sorted(row for row in rows if row[0] != MIGRATIONS.migrations_table)


def opened(version: str, folder: Path) -> SqliteStore:
    shutil.copy(FOLDER / f"{version}.db", folder / FILE)
    return SqliteStore.open(folder)


def lacking(held: Any, now: Any, path: str = "") -> list[str]:
    """Return where something that was held is lacking now; there may be more than there was."""
    if isinstance(held, dict) and isinstance(now, dict):
        return [
            fault for name in held for fault in lacking(held[name], now.get(name), f"{path}/{name}")
        ]
    if isinstance(held, list) and isinstance(now, list) and len(held) == len(now):
        pairs = enumerate(zip(held, now, strict=True))
        return [fault for n, (one, two) in pairs for fault in lacking(one, two, f"{path}/{n}")]
    return [] if held == now else [f"{path}: {held!r} is {now!r}"]


def test_database_from_before_the_release_is_refused_untouched(tmp_path: Path) -> None:
    file = tmp_path / FILE
    shutil.copy(FOLDER / "before-release.0001", file)
    before = file.read_bytes()

    with pytest.raises(OlderSchema, match="start with an empty folder"):
        SqliteStore.open(tmp_path)

    assert file.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize("version", VERSIONS)
def test_quote_of_a_version_is_read_whole_and_shown_alike(version: str) -> None:
    answer = (FOLDER / f"{version}.quote.json").read_bytes().rstrip(b"\n")
    shown = (FOLDER / f"{version}.shown.json").read_bytes().rstrip(b"\n")

    quote = read_quote(answer)

    assert for_customer(answer) == shown
    assert lacking(json.loads(answer), json.loads(encode_quote(quote))) == []


def test_every_schema_has_its_database() -> None:
    assert sorted(all_names()) == VERSIONS


@pytest.mark.parametrize("version", VERSIONS)
def test_database_of_a_version_holds_everything(version: str, tmp_path: Path) -> None:
    held = json.loads((FOLDER / f"{version}.json").read_text(encoding="utf-8"))

    with closing(opened(version, tmp_path)) as store:
        assert lacking(held, store.read(found)) == []


@pytest.mark.parametrize("version", VERSIONS)
def test_database_of_a_version_comes_to_the_schema_of_a_new_one(
    version: str, tmp_path: Path
) -> None:
    (tmp_path / "new").mkdir()
    SqliteStore.open(tmp_path / "new").close()
    (tmp_path / "old").mkdir()
    opened(version, tmp_path / "old").close()

    assert schema(tmp_path / "old" / FILE) == schema(tmp_path / "new" / FILE)


@pytest.mark.parametrize("version", VERSIONS)
def test_database_of_a_version_is_written_to_further(version: str, tmp_path: Path) -> None:
    def work(records: Records) -> int:
        (newest, *_) = records.events.after(records.events.last() - 1, 1)
        return records.events.add(newest).seq

    with closing(opened(version, tmp_path)) as store:
        before = store.read(lambda records: records.events.last())
        assert store.write_now(work) == before + 1


def test_copies_of_an_old_database_begin_with_the_same_epoch(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()

    epochs = []
    for name in ("one", "two"):
        with closing(opened("0002", tmp_path / name)) as store:
            (first,) = store.read(lambda records: records.generations.every())
            answer = store.read(lambda records: records.answers.get("k1", "once", NOON))
        epochs.append(first.epoch)
        assert answer is not None
        assert answer.epoch is None, "it is of the first generation, and given again"
        assert not first.is_held

    assert epochs[0] == epochs[1]


@pytest.mark.parametrize("version", VERSIONS)
def test_database_of_a_version_has_a_row_in_every_table(version: str, tmp_path: Path) -> None:
    file = tmp_path / FILE
    shutil.copy(FOLDER / f"{version}.db", file)
    with closing(connect(file)) as connection:
        names = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM pragma_table_list WHERE type IN ('table', 'virtual')"
                " AND name NOT LIKE 'sqlite_%'"
            )
        ]
        empty = [
            name
            for name in names
            if connection.execute(f"SELECT count(*) FROM {name}").fetchone() == (0,)
        ]

    assert len(names) > 15
    assert empty == []


def test_newest_database_is_what_its_maker_makes(tmp_path: Path) -> None:
    newest = VERSIONS[-1]
    held = json.loads((FOLDER / f"{newest}.json").read_text(encoding="utf-8"))

    assert make(tmp_path / "one.db") == held
    make(tmp_path / "two.db")
    assert (tmp_path / "one.db").read_bytes() == (tmp_path / "two.db").read_bytes()
