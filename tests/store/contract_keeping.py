"""The contract of a store: how pieces of work are kept."""

from __future__ import annotations

import asyncio
import threading
from typing import NoReturn

import pytest
from tests.store.asking import FAR, OpenStore, Slip, kept, slip, together
from tests.store.small import (
    NOON,
    a_customer,
    a_hook,
    a_key,
    an_answer,
    an_authorisation,
    an_event,
    keep_issued,
)

from kitwright.keeping.record import KeyRecord
from kitwright.keeping.store import (
    QuoteFilter,
    RecordConflict,
    RecordMissing,
    Records,
    Store,
    StoreError,
    StoreUnavailable,
)


class KeepingContract:
    """How pieces of work are kept."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_write_returns_what_the_work_returns(self, store: Store) -> None:
        assert kept(store, lambda _: "done") == "done"

    def test_write_is_seen_by_every_store_of_the_place(self, open_store: OpenStore) -> None:
        kept(open_store(), lambda records: records.keys.add(a_key()))

        assert open_store().read(lambda records: records.keys.get("k1")) == a_key()

    def test_write_keeps_nothing_of_work_that_raises(self, store: Store) -> None:
        def half(records: Records) -> None:
            quote = keep_issued(records)
            records.authorisations.add(an_authorisation(quote.number))
            records.customers.add(a_customer())
            records.keys.add(a_key())
            records.keys.add_secret("links", b"s")
            records.hooks.add(a_hook())
            records.events.add(an_event())
            records.answers.add(an_answer(), NOON)
            raise Slip

        with pytest.raises(Slip):
            kept(store, half)

        def left(records: Records) -> tuple[object, ...]:
            return (
                records.quotes.find(QuoteFilter()),
                records.authorisations.of_quote(1),
                records.customers.find((), None, 9),
                records.customers.find(("ada",), None, 9),
                records.keys.every(),
                records.hooks.every(),
                records.events.after(0, 9),
                records.events.due(NOON, 9),
            )

        assert store.read(left) == ((),) * 8
        assert store.read(lambda records: records.keys.secret("links")) is None
        assert store.read(lambda records: records.answers.get("k1", "once", NOON)) is None

    def test_write_undoes_only_the_work_that_raised(self, store: Store) -> None:
        outcomes = together(
            store,
            lambda records: records.keys.add(a_key("k1")),
            slip,
            lambda records: records.keys.add(a_key("k1")),
            lambda records: records.keys.put(a_key("k9")),
            lambda records: records.events.add(an_event()).seq,
            lambda records: records.keys.add(a_key("k2")),
        )

        assert [type(one) for one in outcomes] == [
            KeyRecord,
            Slip,
            RecordConflict,
            RecordMissing,
            int,
            KeyRecord,
        ]
        assert [key.id for key in store.read(lambda records: records.keys.every())] == ["k1", "k2"]

    @pytest.mark.parametrize(
        "raised", [StoreError("mine"), StopIteration(), SystemExit(3), KeyError("x"), Slip()]
    )
    def test_write_goes_on_whatever_work_raises(self, store: Store, raised: BaseException) -> None:
        def bad(_: Records) -> NoReturn:
            raise raised

        async def ask() -> tuple[object, ...]:
            first = asyncio.ensure_future(store.write(lambda records: records.keys.add(a_key())))
            second = asyncio.ensure_future(store.write(bad))
            third = asyncio.ensure_future(store.write(lambda records: records.keys.every()))
            return await asyncio.wait_for(
                asyncio.gather(first, second, third, return_exceptions=True), 20
            )

        first, second, third = asyncio.run(ask())

        assert first == a_key()
        assert isinstance(second, Exception)
        assert raised in (second, second.__cause__)
        assert third == (a_key(),)

    def test_write_lets_work_go_on_after_a_refusal(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.keys.add(a_key())
            with pytest.raises(RecordConflict):
                records.keys.add(a_key())
            records.keys.add(a_key("k2"))

        kept(store, work)

        assert len(store.read(lambda records: records.keys.every())) == 2

    def test_write_bears_a_caller_that_leaves(self, store: Store) -> None:
        async def leave() -> None:
            asked = asyncio.ensure_future(store.write(lambda records: records.keys.add(a_key())))
            await asyncio.sleep(0)
            asked.cancel()
            await store.write(lambda records: records.keys.add(a_key("k2")))

        asyncio.run(leave())

        assert store.read(lambda records: records.keys.get("k2")) is not None

    def test_work_sees_its_own_changes_and_those_before(self, store: Store) -> None:
        kept(store, lambda records: records.events.add(an_event()))

        def work(records: Records) -> tuple[int, int]:
            before = records.events.last()
            records.events.add(an_event())
            return before, records.events.last()

        assert kept(store, work) == (1, 2)

    def test_read_sees_one_view_while_others_write(self, store: Store) -> None:
        kept(store, lambda records: records.events.add(an_event()))

        def work(records: Records) -> tuple[int, int, bool]:
            before = records.events.last()
            other = threading.Thread(
                target=kept, args=(store, lambda changed: changed.events.add(an_event()))
            )
            other.start()
            other.join(20)
            return before, records.events.last(), other.is_alive()

        assert store.read(work) == (1, 1, False)
        assert store.read(lambda records: records.events.last()) == 2

    def test_read_changes_nothing(self, store: Store) -> None:
        with pytest.raises(StoreUnavailable):
            store.read(lambda records: records.keys.add(a_key()))

        assert store.read(lambda records: records.keys.every()) == ()

    def test_read_raises_what_the_work_raises(self, store: Store) -> None:
        def work(_: Records) -> NoReturn:
            raise Slip

        with pytest.raises(Slip):
            store.read(work)
        assert store.read(lambda records: records.events.last()) == 0

    def test_a_number_beyond_all_finds_nothing(self, store: Store) -> None:
        kept(store, keep_issued)

        def work(records: Records) -> tuple[object, ...]:
            return (
                records.quotes.get(FAR),
                records.customers.get(FAR),
                records.orders.get(FAR),
                records.photos.get(FAR),
                records.revisions.get(1, FAR),
                records.events.after(FAR, 9) or None,
            )

        assert store.read(work) == (None,) * 6
        every = QuoteFilter(before=FAR, most=FAR)
        assert len(store.read(lambda records: records.quotes.find(every))) == 1
