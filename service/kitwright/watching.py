"""Watching: the figures of a running service that its metrics show."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from kitwright.door import Door
from kitwright.keeping.record import Waiting
from kitwright.keeping.store import Records
from kitwright.store.engine import SqliteStore
from kitwright.web.calls.desk import Desk
from kitwright.web.edge.metrics import Metrics


def watch_desk(metrics: Metrics, desk: Desk) -> None:
    """Show the queues of a desk and what its workshop remembers."""
    queues: tuple[tuple[str, str, Callable[[Records], Waiting]], ...] = (
        ("mail", "E-mails", lambda records: records.mails.waiting()),
        ("webhook", "Events for webhooks", lambda records: records.events.waiting()),
    )
    for name, told, find in queues:
        _watch_queue(metrics, desk, f"kitwright_{name}_waiting", told, find)
    memory = desk.service.workshop.memory
    metrics.watch(
        "kitwright_memory_bytes", "Bytes of results that are remembered.", lambda: memory.held
    )
    metrics.watch("kitwright_memory_most_bytes", "The most of these bytes.", lambda: memory.budget)


def _watch_queue(
    metrics: Metrics, desk: Desk, name: str, told: str, find: Callable[[Records], Waiting]
) -> None:
    def age() -> float:
        since = desk.store.read(find).since
        return 0.0 if since is None else max(0.0, (desk.now() - since).total_seconds())

    metrics.watch(name, f"{told} that wait.", lambda: desk.store.read(find).number)
    metrics.watch(f"{name}_seconds", f"{told}: how long the oldest has been waiting.", age)


def watch_store(metrics: Metrics, store: SqliteStore, folder: Path) -> None:
    """Show the disk of a data folder and how long changes wait."""
    metrics.watch(
        "kitwright_disk_free_bytes",
        "Bytes that are free on the data folder's volume.",
        lambda: shutil.disk_usage(folder).free,
    )
    metrics.watch("kitwright_database_bytes", "Bytes of the database and its log.", store.size)
    metrics.watch(
        "kitwright_writer_waiting", "Changes that wait to be written.", lambda: store.waiting
    )
    metrics.watch(
        "kitwright_writer_wait_seconds",
        "The longest that a change waited to be stored, in the last minute or two.",
        lambda: store.wait,
    )


def watch_door(metrics: Metrics, door: Door) -> None:
    """Show the connections and how late the event loop is."""
    metrics.watch("kitwright_connections", "Open connections.", lambda: len(door))
    metrics.watch(
        "kitwright_connections_most",
        "The most connections that are kept.",
        lambda: door.bounds.connections,
    )
    metrics.watch(
        "kitwright_loop_lag_seconds",
        "The longest that the event loop was late, in the last minute or two.",
        lambda: door.lag.value,
    )
