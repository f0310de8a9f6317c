"""A damaged e-mail, hook, delivery or event is set aside and reported, and the rest goes out."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from tests.store.small import HOUR, NOON, a_hook, a_mail, an_event, keep_issued

from kitwright.keeping.record import DueDelivery, Mail
from kitwright.keeping.store import Records
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.sqlite import sqlite3

EVENTS = 3


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Return a store with three e-mails, two hooks, and three events that wait for each hook."""

    def work(records: Records) -> None:
        quote = keep_issued(records).number
        for number in range(3):
            records.mails.add(a_mail(quote, message_id=f"<m{number}@shop.example>"))
        for _ in range(2):
            records.hooks.add(a_hook(kinds=()))
        for _ in range(EVENTS):
            records.events.add(an_event())

    with closing(SqliteStore.open(tmp_path)) as opened:
        opened.write_now(work)
        yield opened


def damage(folder: Path, statement: str) -> None:
    with closing(sqlite3.connect(str(folder / FILE), isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER IF EXISTS events_stay")
        assert connection.execute(statement).rowcount == 1


def mails(records: Records) -> tuple[Mail, ...]:
    return records.mails.due(NOON + HOUR, 10)


def deliveries(records: Records) -> tuple[DueDelivery, ...]:
    return records.events.due(NOON + HOUR, 10)


def test_mails_beside_a_damaged_one_go_out(store: SqliteStore, tmp_path: Path) -> None:
    damage(tmp_path, "UPDATE mails SET recipient = recipient || 'x' WHERE number = 1")

    assert [mail.number for mail in store.read(mails)] == [2, 3]
    assert store.read(lambda records: records.mails.soonest()) is not None
    assert store.damage.records == {("mails", (1,))}


@pytest.mark.parametrize(
    ("statement", "due", "table"),
    [
        ("UPDATE hooks SET url = url || 'x' WHERE number = 1", [(2, 0)], "hooks"),
        (
            "UPDATE deliveries SET attempt = 7 WHERE hook = 1 AND event ="
            " (SELECT min(event) FROM deliveries)",
            [(1, 1), (2, 0)],
            "deliveries",
        ),
        (
            "UPDATE events SET subject = 'quote:77' WHERE seq ="
            " (SELECT min(event) FROM deliveries)",
            [(1, 1), (2, 1)],
            "events",
        ),
    ],
)
def test_deliveries_beside_a_damaged_record_go_out(
    store: SqliteStore, tmp_path: Path, statement: str, due: list[tuple[int, int]], table: str
) -> None:
    first = min(event for _, event in store.read(lambda records: records.events.deliveries()))
    damage(tmp_path, statement)

    found = store.read(deliveries)

    assert sorted((one.hook.number, one.event.seq - first) for one in found) == due
    assert store.read(lambda records: records.events.soonest()) is not None
    assert {name for name, _ in store.damage.records} == {table}
