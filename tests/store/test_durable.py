"""What was acknowledged is on the disk: the settings of the connection that writes."""

from contextlib import closing
from pathlib import Path

from kitwright.keeping.store import Records
from kitwright.store.engine import SqliteStore
from kitwright.store.table import Table

FULL, ON = 2, 1
"""As SQLite answers them."""


def settings(records: Records) -> dict[str, object]:
    assert isinstance(records.hooks, Table)
    session = records.hooks.session
    names = ("journal_mode", "synchronous", "foreign_keys", "secure_delete", "trusted_schema")
    return {name: session.value(f"PRAGMA {name}") for name in names}


def test_writer_waits_for_the_disk_at_every_commit(tmp_path: Path) -> None:
    with closing(SqliteStore.open(tmp_path)) as store:
        found = store.write_now(settings)

    assert found == {
        "journal_mode": "wal",
        "synchronous": FULL,
        "foreign_keys": ON,
        "secure_delete": ON,
        "trusted_schema": 0,
    }
