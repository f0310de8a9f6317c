"""The contract holds for an engine that shares nothing with SQLite, so it asks nothing of it."""

import ast
from collections.abc import Callable
from pathlib import Path
from typing import get_origin, get_type_hints

import pytest
from tests.store.contract import StoreContract
from tests.store.memory import MemoryStore, State

from kitwright.keeping.store import Records


class TestMemoryStore(StoreContract):
    @pytest.fixture
    def open_store(self) -> Callable[[], MemoryStore]:
        place = dict[str, State]()
        return lambda: MemoryStore(place)


def test_contract_calls_every_method_of_every_kind_of_record() -> None:
    called = {
        (node.value.attr, node.attr)
        for file in Path(__file__).parent.glob("contract_*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Attribute)
    }
    methods = {
        (name, method)
        for name, kind in get_type_hints(Records).items()
        for protocol in (get_origin(kind) or kind).__mro__
        for method in vars(protocol)
        if getattr(protocol, "_is_protocol", False) and method[0] != "_"
    }

    assert len(methods) > 50
    assert methods - called == set()
