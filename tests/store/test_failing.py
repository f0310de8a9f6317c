"""What the engine does where the disk, the folder or the file won't have it."""

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.store import hardship
from tests.store.asking import kept, together
from tests.store.small import NOON, a_key, an_answer, an_event

from kitwright.keeping.store import QuoteFilter, Records, StoreFull, StoreUnavailable
from kitwright.store import engine
from kitwright.store.engine import FILE, NewerSchema, NotOurs, SqliteStore, connect
from kitwright.store.schema import MIGRATIONS
from kitwright.store.sqlite import sqlite3

REPOSITORY = Path(__file__).resolve().parents[2]


def start(folder: Path, *names: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "tests.store.hardship", str(folder), *names],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY / "service")},
    )


NAMES = [one.__name__ for one in hardship.ALL]


@pytest.fixture(scope="module")
def endured() -> Iterator[tuple[str, str]]:
    """Return the hardships that were come through, and the complaints of the others."""
    # not pytest's own folder, which only its owner may come to
    with tempfile.TemporaryDirectory(prefix="kept-") as place:
        Path(place).chmod(0o755)
        yield start(Path(place), *NAMES).communicate(timeout=120)


@pytest.mark.parametrize("name", NAMES)
def test_store_bears(endured: tuple[str, str], name: str) -> None:
    said, complaint = endured

    assert name in said.splitlines(), complaint


def test_killed_writer_leaves_what_it_acknowledged(tmp_path: Path) -> None:
    with start(tmp_path) as running:
        assert running.stdout is not None
        told = [int(running.stdout.readline()) for _ in range(20)]
        running.send_signal(signal.SIGKILL)
        told += map(int, running.stdout.read().split())
        running.wait(20)

    with closing(SqliteStore.open(tmp_path)) as store:
        newest = store.read(lambda records: records.quotes.find(QuoteFilter(most=1)))[0].number
        events = store.read(lambda records: records.events.after(0, 2**40))
    assert newest >= told[-1]
    assert [event.seq for event in events] == list(range(1, 2 * newest + 1))


Limit = Callable[[int | None], None]


@pytest.fixture
def limit(monkeypatch: pytest.MonkeyPatch) -> Limit:
    """Return a function that bounds how many pages a database of a new connection may have."""
    pages: list[int | None] = [None]

    def limited(file: Path, **how: bool) -> Any:
        connection = connect(file, **how)
        if pages[0] is not None:
            connection.execute(f"PRAGMA max_page_count = {pages[0]}")
        return connection

    def bound(most: int | None) -> None:
        pages[0] = most

    monkeypatch.setattr(engine, "connect", limited)
    return bound


def pages(folder: Path) -> int:
    with closing(connect(folder / FILE)) as connection:
        count: int = connection.execute("PRAGMA page_count").fetchone()[0]
        return count


def test_full_database_refuses_a_group_whole_and_goes_on_later(
    tmp_path: Path, limit: Limit
) -> None:
    with closing(SqliteStore.open(tmp_path)) as store:
        limit(pages(tmp_path) + 4)
        kept(store, lambda records: records.keys.add(a_key()))

        def large(records: Records) -> None:
            records.answers.add(an_answer(body=os.urandom(60_000)), NOON)

        outcomes = together(store, large, lambda records: records.events.add(an_event()))

        # a full disk is everybody's: nobody is told a thing that is not kept
        assert isinstance(outcomes[0], StoreFull)
        assert store.read(lambda records: records.events.last()) == len(
            [one for one in outcomes if not isinstance(one, StoreFull)]
        )
        assert store.read(lambda records: records.keys.every()) == (a_key(),)
        limit(None)
        kept(store, large)
        assert store.read(lambda records: records.answers.get("k1", "once", NOON)) is not None


def test_open_of_a_file_that_is_no_database_says_so(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"this is a letter, not a database" * 99)

    with pytest.raises(StoreUnavailable, match=r"can't open .*kitwright\.db: file is not a"):
        SqliteStore.open(tmp_path)


def test_open_of_a_folder_that_is_a_file_says_so(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("a file")

    with pytest.raises(StoreUnavailable, match=r"can't open .*kept"):
        SqliteStore.open(tmp_path / "kept")


def test_open_refuses_what_a_newer_version_has_changed(tmp_path: Path) -> None:
    SqliteStore.open(tmp_path).close()
    with closing(connect(tmp_path / FILE)) as connection:
        connection.execute(
            f"INSERT INTO {MIGRATIONS.migrations_table} (migration_set, name, applied_at)"
            " VALUES ('kitwright', '9999', '2099-01-01')"
        )

    with pytest.raises(NewerSchema, match="9999") as refused:
        SqliteStore.open(tmp_path)

    assert refused.value.unknown == ("9999",)


def test_failed_migration_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def second(db: Any) -> None:
        db.conn.execute("CREATE TABLE half (a) STRICT")

    steps = [*MIGRATIONS._migrations, MIGRATIONS._Migration("0003", second)]
    monkeypatch.setattr(MIGRATIONS, "_migrations", steps)

    with pytest.raises(StoreUnavailable, match="can't open"):
        SqliteStore.open(tmp_path)

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is empty"),
        (b"\0", ""),
        (b"a letter" * 999, ""),
        (b"SQLite format 3\0" + bytes(4080), ""),
    ],
)
def test_open_takes_no_other_file_for_an_empty_shop(
    tmp_path: Path, content: bytes, told: str
) -> None:
    (tmp_path / FILE).write_bytes(content)

    with pytest.raises(StoreUnavailable, match=f"{FILE}.*{told}"):
        SqliteStore.open(tmp_path)

    assert (tmp_path / FILE).read_bytes() == content


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_open_refuses_the_database_of_another_program(tmp_path: Path, mode: str) -> None:
    with closing(sqlite3.connect(str(tmp_path / FILE))) as other:
        other.execute(f"PRAGMA journal_mode = {mode}")
        other.execute("CREATE TABLE notes (text)")

    with pytest.raises(NotOurs, match="not a database of this service"):
        SqliteStore.open(tmp_path)


def test_open_refuses_a_log_without_its_database(tmp_path: Path) -> None:
    store = SqliteStore.open(tmp_path)
    kept(store, lambda records: records.events.add(an_event()))
    (tmp_path / FILE).rename(tmp_path / "elsewhere")

    with pytest.raises(NotOurs, match="log of a database that is missing"):
        SqliteStore.open(tmp_path)

    (tmp_path / "elsewhere").rename(tmp_path / FILE)
    store.close()


def test_database_that_is_taken_away_is_not_made_anew(tmp_path: Path) -> None:
    with closing(SqliteStore.open(tmp_path)) as store:
        for file in tmp_path.iterdir():
            file.unlink()

        with pytest.raises(StoreUnavailable):
            store.read(lambda records: records.events.last())
        with pytest.raises(StoreUnavailable):
            kept(store, lambda records: records.events.add(an_event()))

        assert list(tmp_path.iterdir()) == []


def test_closed_store_says_so(tmp_path: Path) -> None:
    store = SqliteStore.open(tmp_path)
    store.close()
    store.close()

    with pytest.raises(StoreUnavailable, match="closed"):
        kept(store, lambda records: records.events.add(an_event()))
    with pytest.raises(StoreUnavailable, match="closed"):
        store.write_now(lambda records: records.events.add(an_event()))
