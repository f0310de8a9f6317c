"""The contract of a store: the feed, and what of it waits to be posted."""

from __future__ import annotations

import pytest
from msgspec import structs
from tests.store.asking import OpenStore, kept, slip, together
from tests.store.small import (
    HOUR,
    NOON,
    a_hook,
    an_event,
)

from kitwright.keeping.record import DueDelivery, Waiting
from kitwright.keeping.store import (
    RecordConflict,
    RecordMissing,
    Records,
    Store,
)


class EventsContract:
    """The feed, and what of it waits to be posted."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_feed_has_no_gap_after_work_that_was_undone(self, store: Store) -> None:
        def add(records: Records) -> int:
            return records.events.add(an_event()).seq

        outcomes = together(store, add, slip, add, slip, slip, add)
        outcomes += together(store, slip, add)

        assert [one for one in outcomes if isinstance(one, int)] == [1, 2, 3, 4]
        events = store.read(lambda records: records.events.after(0, 9))
        assert [event.seq for event in events] == [1, 2, 3, 4]
        assert {event.kind for event in events} == {"quote.created"}

    def test_events_are_kept_whole_and_read_from_a_place(self, store: Store) -> None:
        assert store.read(lambda records: records.events.last()) == 0

        def work(records: Records) -> None:
            for number in range(4):
                records.events.add(an_event(subject=f"quote:{number % 2}", at=NOON - number * HOUR))

        kept(store, work)

        assert store.read(lambda r: r.events.after(1, 2)) == (
            an_event(seq=2, subject="quote:1", at=NOON - HOUR),
            an_event(seq=3, subject="quote:0", at=NOON - 2 * HOUR),
        )
        assert store.read(lambda r: [one.seq for one in r.events.of_subject("quote:1")]) == [2, 4]
        assert store.read(lambda records: records.events.last()) == 4
        assert store.read(lambda records: records.events.after(4, 9)) == ()

    def test_hooks_are_kept_until_dropped(self, store: Store) -> None:
        kept(store, lambda records: records.hooks.add(a_hook(kinds=("a", "b"))))
        kept(store, lambda records: records.hooks.add(a_hook(is_active=False)))
        changed = a_hook(number=1, version=2, failure="gone", is_active=False)

        kept(store, lambda records: records.hooks.put(changed))

        second = a_hook(number=2, is_active=False)
        assert store.read(lambda records: records.hooks.every()) == (changed, second)
        assert store.read(lambda records: records.hooks.get(2)) == second
        kept(store, lambda records: records.hooks.drop(2))
        kept(store, lambda records: records.hooks.drop(2))
        assert store.read(lambda records: records.hooks.get(2)) is None
        # a number is never given twice: what a partner knows by it stays its own
        assert kept(store, lambda records: records.hooks.add(a_hook())).number == 3
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.hooks.put(a_hook(number=2)))

    def due(self, store: Store, hours: float = 0, most: int = 9) -> list[tuple[int, int, int]]:
        """Return hook, event and attempt of what is due some hours after noon."""
        found = store.read(lambda records: records.events.due(NOON + hours * HOUR, most))
        return [(one.hook.number, one.event.seq, one.attempt) for one in found]

    def test_event_waits_for_every_active_hook_that_takes_it(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.events.add(an_event())
            records.hooks.add(a_hook())
            records.hooks.add(a_hook(kinds=("quote.issued",)))
            records.hooks.add(a_hook(is_active=False))
            records.events.add(an_event())
            records.events.add(an_event("quote.issued", at=NOON + HOUR))

        kept(store, work)

        assert self.due(store, -1) == []
        assert self.due(store) == [(1, 2, 1)]
        # of each hook the longest due alone, so that one that fails keeps no other waiting
        assert self.due(store, 1) == [(1, 2, 1), (2, 3, 1)]
        assert self.due(store, 1, most=1) == [(1, 2, 1)]
        (first,) = store.read(lambda records: records.events.due(NOON, 9))
        assert first == DueDelivery(hook=a_hook(number=1), event=an_event(seq=2), attempt=1)
        assert store.read(lambda records: records.events.soonest()) == NOON

    def test_deferred_event_waits_and_settled_one_is_gone(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.hooks.add(a_hook())
            records.events.add(an_event())
            records.events.add(an_event())

        kept(store, work)

        kept(store, lambda records: records.events.defer(1, 1, NOON + 2 * HOUR))
        kept(store, lambda records: records.events.defer(1, 9, NOON))
        assert self.due(store, 1) == [(1, 2, 1)]
        # the first of the feed goes first, as soon as it is due again
        assert self.due(store, 2) == [(1, 1, 2)]
        kept(store, lambda records: records.events.settle(1, 2))
        kept(store, lambda records: records.events.settle(1, 2))
        assert self.due(store, 2) == [(1, 1, 2)]
        assert store.read(lambda records: records.events.soonest()) == NOON + 2 * HOUR
        kept(store, lambda records: records.events.settle(1, 1))
        assert store.read(lambda records: records.events.soonest()) is None

    def test_deliveries_that_wait_are_counted(self, store: Store) -> None:
        assert store.read(lambda records: records.events.waiting()) == Waiting(0, None)

        def work(records: Records) -> None:
            records.hooks.add(a_hook())
            records.hooks.add(a_hook())
            records.events.add(an_event(at=NOON + HOUR))
            records.events.add(an_event(at=NOON))
            records.hooks.put(a_hook(number=2, version=2, is_active=False))
            records.events.defer(1, 1, NOON + 2 * HOUR)

        kept(store, work)

        # since the first of the feed, whenever it is tried again
        found = store.read(lambda records: records.events.waiting())
        assert found == Waiting(2, NOON + HOUR)

    def test_what_waits_rests_with_its_hook_and_goes_with_it(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.hooks.add(a_hook())
            records.hooks.add(a_hook())
            records.events.add(an_event())
            records.hooks.put(a_hook(number=1, version=2, is_active=False))

        kept(store, work)

        assert self.due(store) == [(2, 1, 1)]
        kept(store, lambda records: records.hooks.drop(2))
        assert self.due(store) == []
        assert store.read(lambda records: records.events.soonest()) is None
        kept(store, lambda r: r.hooks.put(a_hook(number=1, version=3)))
        assert self.due(store) == [(1, 1, 1)]

    def test_only_the_request_of_an_event_is_ever_erased(self, store: Store) -> None:
        event = kept(store, lambda records: records.events.add(an_event()))

        kept(store, lambda r: r.events.put(structs.replace(event, request_id="")))

        assert store.read(lambda r: r.events.after(0, 1))[0].request_id == ""
        with pytest.raises(RecordConflict):
            kept(store, lambda r: r.events.put(structs.replace(event, kind="quote.issued")))
