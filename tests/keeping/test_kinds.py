"""Kinds of events: the list is what the acts add, no more and no less."""

import ast
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from tests.keeping.facts import told_words

import kitwright
from kitwright.keeping.kinds import KINDS
from kitwright.keeping.record import Event, Hand

ADDERS: Final = dict.fromkeys(
    ("add_event", "add_record", "change_record", "keep_change", "note_event", "_note", "_end"), 2
) | {"_record": 1, "change_claim": 4, "_done": 4}
"""Function that adds an event -> which of its arguments is the kind."""


def added() -> set[str]:
    """Return every kind that is written where an event is added."""
    found = set()
    top = Path(kitwright.__file__).parent
    for path in (*top.glob("keeping/*.py"), *top.glob("web/calls/*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", None) or getattr(node.func, "attr", "")
            if name in ADDERS:
                kind = node.args[ADDERS[name]]
                if isinstance(kind, ast.Constant):
                    found.add(str(kind.value))
                else:
                    # only passed on by another of them
                    assert isinstance(kind, ast.Name)
                    assert kind.id == "kind"
    return found


def test_kinds_are_those_that_acts_add() -> None:
    assert added() == set(KINDS)


def test_events_are_added_nowhere_else() -> None:
    top = Path(kitwright.__file__).parent
    makers = {
        path.relative_to(top).as_posix()
        for path in top.rglob("*.py")
        if "events.add(" in path.read_text(encoding="utf-8")
    }

    assert makers == {"keeping/event.py"}


def test_kinds_are_sorted_and_name_a_record() -> None:
    assert list(KINDS) == sorted(KINDS)
    assert all(kind.count(".") == 1 for kind in KINDS)


def test_facts_with_words_are_found() -> None:
    facts: dict[str, str | int | None] = {"number": "I1-00001", "lines": "3, 4"}
    facts |= {"unbooked": "Taken from the van.", "who": "Ida M.", "revision": 1}
    event = Event(
        seq=0,
        at=datetime(2026, 11, 25, tzinfo=UTC),
        kind="quote.finished",
        subject="quote:1",
        facts=facts,
        hand=Hand.key,
        by="3fK9sQ0aZx",
        request_id="",
    )

    assert [*told_words(event)] == ["unbooked", "who"]
