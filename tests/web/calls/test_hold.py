"""Looking ahead is done beside the event loop, so that other calls are answered meanwhile."""

from pathlib import Path

import pytest
from tests.bench.hold import ASKED, holds_of


@pytest.mark.parametrize("name", ["100 alike", "100 units, with courses"])
def test_looking_ahead_does_not_hold_the_event_loop(name: str, tmp_path: Path) -> None:
    first, _ = holds_of(tmp_path / "data", *ASKED[name])

    assert max(first) < sum(first) / 3
