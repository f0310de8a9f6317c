"""What the contract asserts is told in full, though it is in no test module by its name."""

from collections.abc import Callable

import pytest

from kitwright.__main__ import main
from kitwright.settings import ENVIRONMENT

Run = Callable[..., tuple[int, str, str]]
"""Runs the command here: its exit code, and what it said and complained of."""

for part in ("events", "generations", "keeping", "quotes", "search", "things"):
    pytest.register_assert_rewrite(f"tests.store.contract_{part}")


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Return a function that runs the command here."""
    for name in ENVIRONMENT.values():
        monkeypatch.delenv(name, raising=False)

    def here(*arguments: object) -> tuple[int, str, str]:
        code = main([*map(str, arguments)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return here
