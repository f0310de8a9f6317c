"""Looking ahead is done beside the event loop, so that other calls are answered meanwhile."""

import gc
from pathlib import Path
from typing import Any

import pytest
from tests.bench.hold import ASKED, holds_of, holds_of_ticks

from kitwright.web.calls.desk import Desk
from kitwright.web.calls.service import Service

HALF = 0.5
"""A share of a request's work: the event loop is held for more at once if it looks ahead itself, or
else for a few milliseconds at a time.
"""

MOST = 50_000
"""Objects in a portion: looking through that many takes about 15 ms."""


@pytest.mark.parametrize("name", ["100 alike", "100 units, with courses"])
def test_event_loop_turns_while_a_quote_looks_ahead(name: str, tmp_path: Path) -> None:
    first, _ = holds_of(tmp_path / "data", *ASKED[name])

    assert max(first) < HALF * sum(first)


def test_event_loop_turns_while_ticks_are_priced(tmp_path: Path) -> None:
    first, _ = holds_of_ticks(tmp_path / "data")

    assert max(first) < HALF * sum(first)


def test_unused_objects_are_looked_for_in_small_portions(tmp_path: Path) -> None:
    portions = list[int]()
    usual = gc.get_threshold()

    def note(phase: str, facts: dict[str, int]) -> None:
        if phase == "start" and gc.get_threshold() != usual:
            looked_through = range(facts["generation"] + 1)
            portions.append(sum(len(gc.get_objects(one)) for one in looked_through))

    gc.callbacks.append(note)
    try:
        holds_of(tmp_path / "data", *ASKED["100 units, with courses"])
    finally:
        gc.callbacks.remove(note)

    assert portions
    assert max(portions) < MOST


@pytest.mark.parametrize("name", ["100 alike", "ticks"])
def test_event_loop_would_not_turn_if_it_looked_ahead_itself(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def on_the_loop(_: Desk, service: Service, work: Any, *given: Any) -> Any:
        return work(service, *given)

    monkeypatch.setattr(Desk, "beside_with", on_the_loop)

    folder = tmp_path / "data"
    first, _ = holds_of_ticks(folder) if name == "ticks" else holds_of(folder, *ASKED[name])

    assert max(first) > HALF * sum(first)
