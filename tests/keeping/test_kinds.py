"""Kinds of events: the list is what the acts add, no more and no less."""

import ast
from pathlib import Path
from typing import Final

import kitwright
from kitwright.keeping.kinds import KINDS

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
