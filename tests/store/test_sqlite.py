"""The contract holds for SQLite."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from tests.store.contract import StoreContract

from kitwright.store.engine import SqliteStore


class TestSqliteStore(StoreContract):
    @pytest.fixture
    def open_store(self, tmp_path: Path) -> Iterator[Callable[[], SqliteStore]]:
        with ExitStack() as opened:
            yield lambda: opened.enter_context(closing(SqliteStore.open(tmp_path / "kept")))
