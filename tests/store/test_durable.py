"""What was acknowledged is on the disk: the settings of the connection that writes."""

from contextlib import closing
from pathlib import Path

from kitwright.keeping.store import Records
from kitwright.store.engine import SqliteStore, Tables

FULL, ON = 2, 1
"""As SQLite answers them."""


def settings(records: Records) -> dict[str, object]:
    assert isinstance(records, Tables)
    found = {}
    for name in ("journal_mode", "synchronous", "foreign_keys", "secure_delete", "trusted_schema"):
        row = records.session.row(f"PRAGMA {name}")
        assert row is not None
        found[name] = row[0]
    return found


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
