"""The contract holds for an engine that shares nothing with SQLite, so it asks nothing of it."""

import ast
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.store.contract import StoreContract
from tests.store.memory import MemoryStore, State

from kitwright.keeping import store as protocols


class TestMemoryStore(StoreContract):
    @pytest.fixture
    def open_store(self) -> Callable[[], MemoryStore]:
        place = dict[str, State]()
        return lambda: MemoryStore(place)


def test_contract_calls_every_method_of_every_protocol() -> None:
    called = {
        node.attr
        for file in Path(__file__).parent.glob("contract_*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
    }
    names = (
        "Quotes",
        "People",
        "Orders",
        "Photos",
        "Keys",
        "Events",
        "Answers",
        "Records",
        "Store",
    )
    methods = {
        method for name in names for method in vars(getattr(protocols, name)) if method[0] != "_"
    }

    assert len(methods) > 50
    assert not methods - called
