"""The contract holds for SQLite."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from tests.store.contract import StoreContract

from kitwright.store.engine import SqliteStore


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder with its tables, to be copied: making them takes the longest."""
    folder = tmp_path_factory.mktemp("empty")
    SqliteStore.open(folder).close()
    return folder


class TestSqliteStore(StoreContract):
    @pytest.fixture
    def open_store(self, empty: Path, tmp_path: Path) -> Iterator[Callable[[], SqliteStore]]:
        shutil.copytree(empty, tmp_path / "kept")
        with ExitStack() as opened:
            yield lambda: opened.enter_context(closing(SqliteStore.open(tmp_path / "kept")))
