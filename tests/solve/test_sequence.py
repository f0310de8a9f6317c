"""Orders of items, against every order there is."""

from itertools import pairwise, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.solve.sequence import Circle, Clash, Entry, order_items

Entries = dict[str, Entry[str]]


def is_valid(entries: Entries, order: tuple[str, ...]) -> bool:
    """Return whether an order respects precedence and holds, told item by item."""
    done: set[str] = set()
    held: dict[str, str] = {}
    for name in order:
        row = entries[name]
        if any(need in entries and need not in done for need in row.after):
            return False
        held = {thing: until for thing, until in held.items() if until != name}
        if any(thing in held for thing in row.needs_free):
            return False
        if row.takes is not None:
            if row.takes in held:
                return False
            if row.until in entries and row.until not in done:
                held[row.takes] = str(row.until)
        done.add(name)
    return sorted(order) == sorted(entries)


def changes(entries: Entries, order: tuple[str, ...], levels: int) -> tuple[int, ...]:
    """Return how often each level's label changes, those without a label passed over."""
    found = []
    for level in range(levels):
        labels = [entries[name].labels[level] for name in order]
        told = [label for label in labels if label is not None]
        found.append(sum(one != other for one, other in pairwise(told)))
    return tuple(found)


def least(entries: Entries, levels: int) -> tuple[int, ...] | None:
    """Return the fewest changes of all orders, None if no order is valid."""
    valid = (order for order in permutations(entries) if is_valid(entries, order))
    return min((changes(entries, order, levels) for order in valid), default=None)


@st.composite
def drawn(draw: st.DrawFn, most: int = 6, levels: int = 2) -> Entries:
    count = draw(st.integers(0, most))
    names = [f"i{place}" for place in range(count)]
    label = st.sampled_from([None, "a", "b", "c"])
    entries: Entries = {}
    for place, name in enumerate(names):
        takes = draw(st.sampled_from([None, None, "crank"]))
        later = names[place + 1 :]
        until = draw(st.sampled_from(later)) if takes and later else None
        entries[name] = Entry(
            after=tuple(draw(st.lists(st.sampled_from(names[:place]), max_size=2)))
            if place
            else (),
            labels=tuple(draw(label) for _ in range(levels)),
            takes=takes,
            until=until,
            needs_free=draw(st.sampled_from([(), (), ("crank",)])) if takes is None else (),
        )
    # an end of a hold comes after its beginning
    for name, row in list(entries.items()):
        if row.until is not None:
            end = entries[row.until]
            entries[row.until] = Entry(
                after=(*end.after, name),
                labels=end.labels,
                takes=end.takes,
                until=end.until,
                needs_free=end.needs_free,
            )
    return entries


@given(drawn())
def test_order_items_has_the_fewest_changes_of_all_valid_orders(entries: Entries) -> None:
    expected = least(entries, 2)

    if expected is None:
        with pytest.raises(Clash):
            order_items(entries)
        return
    found = order_items(entries)

    assert is_valid(entries, found.items)
    if entries:
        assert found.changes == changes(entries, found.items, 2) == expected
    assert found.is_least


@given(drawn(), st.integers(0, 3))
def test_order_items_without_time_is_valid_and_bounded(entries: Entries, states: int) -> None:
    expected = least(entries, 2)
    if expected is None:
        return
    found = order_items(entries, states=states)

    assert is_valid(entries, found.items)
    if entries:
        assert found.bound <= expected <= found.changes == changes(entries, found.items, 2)


def side(label: str | None, *after: str) -> Entry[str]:
    return Entry(after=after, labels=(label,))


def test_order_items_finishes_one_side_before_the_other() -> None:
    entries = {
        "off 1": side("1"),
        "off 2": side("2"),
        "on 1": side("1", "off 1"),
        "on 2": side("2", "off 2"),
        "run": side(None, "on 1", "on 2"),
    }

    assert order_items(entries).items == ("off 1", "on 1", "off 2", "on 2", "run")
    assert order_items(entries).changes == (1,)


def test_order_items_holds_one_thing_at_a_time() -> None:
    entries = {
        "hold 1": Entry[str](takes="crank", until="free 1"),
        "hold 2": Entry[str](takes="crank", until="free 2"),
        "turn": Entry[str](needs_free=("crank",), after=("hold 2",)),
        "free 1": Entry[str](after=("hold 1",)),
        "free 2": Entry[str](after=("hold 2",)),
    }

    order = order_items(entries).items

    assert is_valid(entries, order)
    assert order.index("free 2") < order.index("turn")


def test_order_items_puts_the_more_important_level_first() -> None:
    entries = {
        "frame a": Entry[str](labels=("frame", "a")),
        "bench b": Entry[str](labels=("bench", "b")),
        "frame b": Entry[str](labels=("frame", "b")),
        "bench a": Entry[str](labels=("bench", "a")),
    }

    assert order_items(entries).changes == (1, 2)


def test_order_items_takes_what_stands_earlier_first() -> None:
    entries = {name: side(None) for name in ("c", "a", "b")}

    assert order_items(entries).items == ("c", "a", "b")


def test_order_items_passes_over_what_is_not_to_be_ordered() -> None:
    assert order_items({"a": side(None, "not there")}).items == ("a",)


def test_order_items_names_a_circle() -> None:
    entries = {"a": side(None, "c"), "b": side(None, "a"), "c": side(None, "b"), "d": side(None)}

    with pytest.raises(Circle) as refused:
        order_items(entries)

    assert sorted(refused.value.items) == ["a", "b", "c"]
    assert str(refused.value).startswith("no order is possible: 'a' after 'c'")


def test_order_items_names_what_holds_keep_from_being_done() -> None:
    entries = {
        "hold": Entry[str](takes="crank", until="free"),
        "turn": Entry[str](needs_free=("crank",), after=("hold",)),
        "free": Entry[str](after=("hold", "turn")),
    }

    with pytest.raises(Clash) as refused:
        order_items(entries)

    assert refused.value.left == ("turn", "free")
