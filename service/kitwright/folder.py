"""Folder: a data folder in service: whose it is, what is written anew at its start, its ledger."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from kitwright.keeping.generation import Belonging, check_belonging
from kitwright.keeping.store import StoreError, StoreFull, StoreUnavailable
from kitwright.outbound.waking import PATIENCE_SECONDS, Waking
from kitwright.store.engine import SqliteStore
from kitwright.store.sqlite import sqlite3
from kitwright.store.sweep import sweep
from kitwright.web.calls.service import Service

_LOG: Final = logging.getLogger(__name__)
_MARK_SECONDS: Final = 60.0
"""How often a running service writes the ledger of erasures and revocations."""


def belonging_of(service: Service) -> Belonging:
    """Return what a data folder has to belong to so that a service may use it."""
    shop = service.workshop.shop
    return Belonging(
        shop=shop.id,
        currency=shop.currency,
        tax_area=shop.tax_area,
        families=tuple(sorted(service.workshop.catalogue.families)),
    )


def claim(store: SqliteStore, asked: Belonging) -> None:
    """Note whose folder it is, if it is new or its catalogue has changed.

    Raises: FolderOfAnother, StoreError.
    """
    kept = store.read(lambda records: records.generations.belonging())
    check_belonging(kept, asked)
    if kept != asked:
        # a folder that can't be written to is still read from
        with suppress(StoreFull, StoreUnavailable):
            store.write_now(lambda records: records.generations.belong(asked))


def sweep_erased(store: SqliteStore) -> None:
    """Write a database anew if something was erased, before anybody waits for it."""
    try:
        sweep(store.file)
    except (StoreError, sqlite3.Error) as error:
        # tried again at the next start
        _LOG.warning("not written anew after an erasure: %s: %s", store.file, error)


class LedgerMark(Waking):
    """Calls a function at intervals while an application runs, and at its end.

    Args:
        mark: writes the ledger with the present time.
    """

    def __init__(self, mark: Callable[[], None]) -> None:
        super().__init__(PATIENCE_SECONDS)
        self._mark = mark

    def wake(self) -> None:
        """Do nothing: the time alone counts."""

    async def run(self, stop: asyncio.Event) -> None:
        """Mark until told to stop."""
        await super().run(stop)
        self._mark()

    async def send_due(self, stop: asyncio.Event) -> float:  # noqa: ARG002 - it takes no time
        """Mark. Returns: seconds until the next time."""
        self._mark()
        return _MARK_SECONDS
