"""Drill: restores a backup into a temporary folder, checks everything in it and deletes it."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic
from typing import Final

from msgspec import Struct

from kitwright.keeping.record import Revision
from kitwright.store.doctor import Finding, examine
from kitwright.store.engine import FILE, connect_to_read
from kitwright.store.failure import of_disk
from kitwright.store.restore import Restored, restore

_COUNTED: Final = ("customers", "machines", "quotes", "orders", "photos", "events", "keys")


class Drill(Struct, frozen=True, kw_only=True):
    """The outcome of a drill.

    `counts` are the records by kind. `age` is how old the backup is: what would be lost now.
    `seconds` is the time that restoring and checking took.
    """

    restored: Restored
    counts: dict[str, int]
    findings: tuple[Finding, ...]
    age: timedelta
    seconds: float


def drill(
    source: Path, *, redact: Callable[[Revision], Revision], within: Path | None = None
) -> Drill:
    """Return the outcome of restoring a backup for trial. Nothing is left of it.

    Args:
        source: the backup.
        redact: removes personal data from a revision.
        within: the folder for the temporary folder, None for that of the system.

    Raises: those of `restore`.
    """
    begun = monotonic()
    try:
        with tempfile.TemporaryDirectory(prefix="kitwright-drill-", dir=within) as place:
            folder = Path(place) / "data"
            restored = restore(source, folder, redact=redact)
            findings = examine(folder)
            counts = _counts(folder)
    except OSError as error:
        raise of_disk(error, "no place for a trial") from error
    return Drill(
        restored=restored,
        counts=counts,
        findings=findings,
        age=datetime.now(UTC) - restored.manifest.taken_at,
        seconds=monotonic() - begun,
    )


def _counts(folder: Path) -> dict[str, int]:
    connection, _ = connect_to_read(folder / FILE)
    with contextlib.closing(connection):
        return {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in _COUNTED
        }
