"""Databases of every released schema open, migrate, and still hold everything."""

import json
import shutil
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.store.make_version import FOLDER, found, make
from tests.store.small import NOON, a_bill

from kitwright.keeping.record import KeptBill
from kitwright.keeping.store import RecordDamaged, Records
from kitwright.quote import encode_quote, for_customer, read_quote
from kitwright.store.engine import FILE, OlderSchema, SqliteStore, all_names, connect
from kitwright.store.rows import moment, packed
from kitwright.store.schema import MIGRATIONS
from kitwright.store.seal import seal_of

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


def test_buyers_of_older_invoices_are_filled_in_if_they_are_the_quotes_customers(
    tmp_path: Path,
) -> None:
    file = tmp_path / FILE
    shutil.copy(FOLDER / "0018.db", file)
    with closing(connect(file)) as connection:
        (quote, customer, name) = connection.execute(
            "SELECT quotes.number, customers.number, customers.name FROM quotes"
            " JOIN customers ON customers.number = quotes.customer"
            " WHERE customers.erased_at IS NULL LIMIT 1"
        ).fetchone()
        for place, (buyer, damage) in enumerate(
            ((f" {name.upper()} ", 0), ("Somebody Else", 0), (name, 1)), start=1
        ):
            bill = a_bill(quote, series="I0", place=place, entered_at=NOON)
            body = packed(json.dumps({"buyer": {"name": buyer}}).encode())
            _insert(connection, structs.replace(bill, number=900 + place), body, damage)
        connection.commit()

    with closing(SqliteStore.open(tmp_path)) as store:
        first, second = store.read(
            lambda records: (records.bills.named("I0", 1), records.bills.named("I0", 2))
        )
        assert first is not None
        assert second is not None
        assert (first.buyer, second.buyer) == (customer, None)
        with pytest.raises(RecordDamaged):
            store.read(lambda records: records.bills.named("I0", 3))


def _insert(connection: Any, bill: KeptBill, body: bytes, damage: int) -> None:
    """Add an invoice as the version before did, without a buyer; one cent off if damaged."""
    row = {
        "number": bill.number,
        "series": bill.series,
        "place": bill.place,
        "kind": bill.kind.value,
        "quote": bill.quote,
        "at": moment(bill.at),
        "day": bill.day.isoformat(),
        "net": bill.net.minor,
        "gross": bill.gross.minor,
        "currency": bill.gross.currency,
        "sha256": bill.sha256,
        "body": body,
        "entered_at": moment(NOON),
    }
    seal = seal_of("bills", sorted(row.items()))
    row = {**row, "gross": bill.gross.minor + damage, "seal": seal}
    marks = ", ".join("?" * len(row))
    connection.execute(
        f"INSERT INTO bills ({', '.join(row)}) VALUES ({marks})", tuple(row.values())
    )
