"""The contract of a store: generations, and numbers that are never given twice."""

from __future__ import annotations

import pytest
from msgspec import structs
from tests.store.asking import OpenStore, kept
from tests.store.small import (
    HOUR,
    NOON,
    a_customer,
    a_holding,
    a_hook,
    a_machine,
    a_mail,
    a_move,
    a_photo,
    a_quote,
    a_revision,
    an_event,
    an_order,
)

from kitwright.keeping.generation import Belonging, Generation
from kitwright.keeping.store import Records, Store

SECOND = Generation(
    number=0,
    epoch="ffffffffff",
    after=0,
    begun_at=NOON,
    taken_at=NOON - HOUR,
    known_until=NOON - HOUR,
    is_confirmed=False,
)


def one_of_each(records: Records) -> list[int]:
    """Return the numbers of a new record of every kind that has one."""
    quote = records.quotes.add(a_quote()).number
    records.revisions.add(a_revision(quote, 1))
    holding = records.shelf.hold(a_holding(item=f"G-{quote}")).number
    mail = a_mail(quote, message_id=f"<m{quote}@shop.example>")
    return [
        records.customers.add(a_customer("Zoe")).number,
        records.machines.add(a_machine(customer=None)).number,
        quote,
        records.orders.add(an_order(quote)).number,
        records.photos.add(a_photo(quote)).number,
        records.hooks.add(a_hook()).number,
        records.mails.add(mail).number,
        records.events.add(an_event()).seq,
        holding,
        records.shelf.add(a_move(holding)).number,
    ]


class GenerationsContract:
    """Generations, and numbers that are never given twice."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_new_folder_has_a_generation_that_nothing_holds(self, store: Store) -> None:
        (first,) = store.read(lambda records: records.generations.every())

        assert (first.number, first.after, first.taken_at) == (1, 0, None)
        assert first.is_confirmed
        assert not first.is_held
        assert len(first.epoch) == 10

    def test_generation_begins_held_after_the_last_event(self, store: Store) -> None:
        kept(store, lambda records: records.events.add(an_event()))

        begun = kept(store, lambda records: records.generations.begin(SECOND, 5000))

        assert begun == structs.replace(SECOND, number=2, after=1)
        assert begun.is_held
        assert store.read(lambda records: records.generations.current()) == begun
        assert store.read(lambda records: len(records.generations.every())) == 2

    def test_generation_is_replaced_by_its_number(self, store: Store) -> None:
        begun = kept(store, lambda records: records.generations.begin(SECOND, 5000))
        released = structs.replace(begun, released_at=NOON + HOUR, is_confirmed=True)

        kept(store, lambda records: records.generations.put(released))

        assert store.read(lambda records: records.generations.current()) == released

    @pytest.mark.parametrize("there", [0, 2])
    def test_numbers_after_a_restore_leave_out_all_that_may_have_been_given(
        self, store: Store, there: int
    ) -> None:
        for _ in range(there):
            kept(store, one_of_each)
        kept(store, lambda records: records.generations.begin(SECOND, 5000))

        assert kept(store, one_of_each) == [there + 5001] * 10
        assert kept(store, one_of_each) == [there + 5002] * 10

    def test_event_tells_numbers_of_records_made_long_after_a_backup(self, store: Store) -> None:
        years = 10 * 366 * 86_400_000
        kept(store, lambda records: records.generations.begin(SECOND, years))
        quote, *_ = kept(store, one_of_each)[2:]
        copied = an_event(facts={"copy_of": quote})

        seq = kept(store, lambda records: records.events.add(copied)).seq

        (found,) = store.read(lambda records: records.events.after(seq - 1, 1))
        assert found.facts == {"copy_of": years + 1}

    def test_two_restores_leave_out_twice(self, store: Store) -> None:
        kept(store, lambda records: records.generations.begin(SECOND, 5000))
        again = structs.replace(SECOND, epoch="eeeeeeeeee")
        kept(store, lambda records: records.generations.begin(again, 7000))

        assert kept(store, one_of_each) == [12001] * 10

    def test_folder_belongs_to_nobody_until_it_is_told(self, store: Store) -> None:
        own = Belonging(shop="a", currency="EUR", tax_area="t", families=("F1", "F2"))

        assert store.read(lambda records: records.generations.belonging()) == Belonging()
        kept(store, lambda records: records.generations.belong(own))

        assert store.read(lambda records: records.generations.belonging()) == own

    def test_all_deliveries_are_listed_also_those_not_due(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.hooks.add(a_hook())
            records.hooks.add(a_hook())
            records.events.add(an_event())
            records.events.add(an_event(), 2)
            records.events.defer(1, 1, NOON + 99 * HOUR)

        kept(store, work)

        assert store.read(lambda records: records.events.deliveries()) == ((1, 1), (2, 1), (2, 2))
