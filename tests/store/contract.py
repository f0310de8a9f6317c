"""What every engine must do, told in nothing but the words of `kitwright.keeping.store`.

An engine passes where a class that inherits `StoreContract` finds an `open_store` fixture: a
function that opens a store on one place of the test's own, twice where it is called twice.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from datetime import date
from typing import NoReturn, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from tests.store.memory import MemoryStore
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    TODAY,
    a_customer,
    a_hook,
    a_key,
    a_machine,
    a_photo,
    a_quote,
    a_revision,
    an_addition,
    an_answer,
    an_authorisation,
    an_event,
    an_issued_revision,
    an_order,
    keep_issued,
)

from kitwright.keeping.record import DueDelivery, KeptQuote, QuoteState, Revision, RevisionState
from kitwright.keeping.store import (
    QuoteFilter,
    RecordConflict,
    RecordMissing,
    Records,
    RevisionSealed,
    Store,
    StoreError,
    StoreUnavailable,
)
from kitwright.money import Money

T = TypeVar("T")
OpenStore = Callable[[], Store]
FAR = 2**70
"""A number that no record has, and that no column holds."""


class Slip(Exception):
    """What a piece of work of a test raises."""


def kept(store: Store, work: Callable[[Records], T]) -> T:
    return asyncio.run(store.write(work))


def together(store: Store, *works: Callable[[Records], object]) -> list[object]:
    """Return what pieces of work return or raise that are asked for at once."""

    async def ask() -> list[object]:
        return await asyncio.gather(*map(store.write, works), return_exceptions=True)

    return asyncio.run(ask())


def slip(records: Records) -> NoReturn:
    records.events.add(an_event("slip"))
    raise Slip


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
            records.quotes.authorise(an_authorisation(quote.number))
            records.people.add_customer(a_customer())
            records.keys.add(a_key())
            records.keys.add_secret("links", b"s")
            records.events.add_hook(a_hook())
            records.events.add(an_event())
            records.answers.add(an_answer(), NOON)
            raise Slip

        with pytest.raises(Slip):
            kept(store, half)

        def left(records: Records) -> tuple[object, ...]:
            return (
                records.quotes.find(QuoteFilter()),
                records.quotes.authorisations(1),
                records.people.customers((), None, 9),
                records.people.customers(("ada",), None, 9),
                records.keys.every(),
                records.events.hooks(),
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
            type(None),
            Slip,
            RecordConflict,
            RecordMissing,
            int,
            type(None),
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

        assert first is None
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
                records.people.customer(FAR),
                records.orders.get(FAR),
                records.photos.get(FAR),
                records.quotes.revision(1, FAR),
                records.events.after(FAR, 9) or None,
            )

        assert store.read(work) == (None,) * 6
        every = QuoteFilter(before=FAR, most=FAR)
        assert len(store.read(lambda records: records.quotes.find(every))) == 1


class QuotesContract:
    """Quotes, revisions, authorisations and additions."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_quotes_are_numbered_and_kept_whole(self, store: Store) -> None:
        def work(records: Records) -> tuple[KeptQuote, ...]:
            customer = records.people.add_customer(a_customer())
            machine = records.people.add_machine(a_machine(customer=customer.number))
            return (
                records.quotes.add(a_quote()),
                records.quotes.add(
                    a_quote(
                        state=QuoteState.in_work,
                        latest=3,
                        offered=3,
                        agreed=2,
                        customer=customer.number,
                        machine=machine.number,
                        serial=77,
                        gross=None,
                        net=Money(-5, "JPY"),
                        version=8,
                    )
                ),
            )

        first, second = kept(store, work)

        assert (first.number, second.number) == (1, 2)
        assert store.read(lambda records: records.quotes.get(1)) == first
        assert store.read(lambda records: records.quotes.get(2)) == second
        assert store.read(lambda records: records.quotes.get(3)) is None

    def test_put_quote_replaces_it(self, store: Store) -> None:
        quote = kept(store, lambda records: records.quotes.add(a_quote()))
        changed = structs.replace(quote, version=2, state=QuoteState.issued, offered=1, serial=5)

        kept(store, lambda records: records.quotes.put(changed))

        assert store.read(lambda records: records.quotes.get(quote.number)) == changed
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.quotes.put(structs.replace(changed, number=9)))

    def test_quote_of_nobody_that_is_kept_is_refused(self, store: Store) -> None:
        for said in ({"customer": 9}, {"machine": 9}):
            with pytest.raises(RecordConflict):
                kept(store, lambda records, said=said: records.quotes.add(a_quote(**said)))  # type: ignore[misc]

    def test_overdue_gives_offers_whose_last_day_has_passed(self, store: Store) -> None:
        def work(records: Records) -> list[int]:
            past, today = (keep_issued(records, valid_until=TODAY - n * DAY) for n in (1, 0))
            keep_issued(records, valid_until=TODAY + DAY)
            agreed = keep_issued(records, valid_until=TODAY - DAY)
            records.quotes.mark_revision(agreed.number, 1, RevisionState.accepted)
            records.quotes.put(structs.replace(agreed, offered=None, agreed=1))
            draft = records.quotes.add(a_quote(valid_until=TODAY - DAY))
            records.quotes.add_revision(a_revision(draft.number, valid_until=TODAY - DAY))
            return [past.number, today.number]

        past, today = kept(store, work)

        def overdue(day: date) -> list[int]:
            return [quote.number for quote in store.read(lambda r: r.quotes.overdue(day))]

        assert overdue(TODAY - DAY) == []
        assert overdue(TODAY) == [past]
        assert overdue(TODAY + DAY) == [past, today]

    def test_revisions_are_kept_in_order(self, store: Store) -> None:
        def work(records: Records) -> None:
            number = records.quotes.add(a_quote(latest=2)).number
            records.quotes.add_revision(an_issued_revision(number, 1))
            records.quotes.add_revision(a_revision(number, 2, gross=None, is_provisional=True))

        kept(store, work)

        first, second = an_issued_revision(1, 1), a_revision(1, 2, gross=None, is_provisional=True)
        assert store.read(lambda records: records.quotes.revision(1, 1)) == first
        assert store.read(lambda records: records.quotes.revision(1, 2)) == second
        assert store.read(lambda records: records.quotes.revision(1, 3)) is None
        assert store.read(lambda records: records.quotes.revisions(1)) == tuple(
            structs.replace(one, request=b"", answer=b"") for one in (first, second)
        )
        assert store.read(lambda records: records.quotes.revisions(2)) == ()

    def test_revision_is_refused_where_its_place_is_taken_or_missing(self, store: Store) -> None:
        kept(store, keep_issued)

        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.quotes.add_revision(a_revision(1, 1)))
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.quotes.add_revision(a_revision(9, 1)))
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.quotes.put_revision(a_revision(1, 2)))
        with pytest.raises(RecordMissing):
            kept(
                store,
                lambda records: records.quotes.mark_revision(1, 2, RevisionState.declined),
            )

    def test_draft_may_be_replaced_and_issued(self, store: Store) -> None:
        def work(records: Records) -> Revision | None:
            records.quotes.add_revision(a_revision(records.quotes.add(a_quote()).number))
            records.quotes.put_revision(a_revision(1, net=Money(7, "EUR"), gross=None))
            records.quotes.put_revision(a_revision(1, answer=b"other"))
            records.quotes.mark_revision(
                1, 1, RevisionState.issued, issued_at=NOON + HOUR, sha256="ab"
            )
            return records.quotes.revision(1, 1)

        assert kept(store, work) == a_revision(
            1, state=RevisionState.issued, issued_at=NOON + HOUR, sha256="ab", answer=b"other"
        )

    @pytest.mark.parametrize(
        "change",
        [
            {"state": RevisionState.draft},
            {"made_at": NOON + HOUR},
            {"issued_at": NOON + HOUR},
            {"issued_at": None},
            {"valid_until": TODAY},
            {"catalogue_revision": "c-2"},
            {"tax_state": "unknown"},
            {"is_provisional": True},
            {"net": Money(10001, "USD")},
            {"gross": Money(10826, "USD")},
            {"gross": None},
            {"net": Money(10000, "EUR"), "gross": Money(10825, "EUR")},
            {"sha256": "0" * 64},
            {"sha256": None},
            {"request": b"{}"},
            {"answer": b"{}"},
            {"is_erased": True, "answer": b"{}", "net": Money(1, "USD")},
        ],
        ids=lambda change: "-".join(change),
    )
    def test_issued_revision_is_sealed(self, store: Store, change: dict[str, object]) -> None:
        kept(store, keep_issued)
        before = store.read(lambda records: records.quotes.revision(1, 1))
        assert before is not None

        changed, other = together(
            store,
            lambda records: records.quotes.put_revision(structs.replace(before, **change)),
            lambda records: records.keys.add(a_key()),
        )

        assert isinstance(changed, RevisionSealed)
        assert other is None
        assert store.read(lambda records: records.quotes.revision(1, 1)) == before

    def test_issued_revision_is_not_issued_again(self, store: Store) -> None:
        kept(store, keep_issued)

        for said in ({"issued_at": NOON + HOUR}, {"sha256": "0" * 64}):
            with pytest.raises(RevisionSealed):
                kept(
                    store,
                    lambda records, said=said: records.quotes.mark_revision(  # type: ignore[misc]
                        1, 1, RevisionState.issued, **said
                    ),
                )
        with pytest.raises(RevisionSealed):
            kept(store, lambda records: records.quotes.mark_revision(1, 1, RevisionState.draft))

    def test_issued_revision_takes_another_state_and_may_be_erased(self, store: Store) -> None:
        def work(records: Records) -> Revision | None:
            quote = keep_issued(records)
            records.quotes.mark_revision(quote.number, 1, RevisionState.accepted)
            revision = records.quotes.revision(quote.number, 1)
            assert revision is not None
            records.quotes.put_revision(
                structs.replace(revision, request=b"-", answer=b"-", is_erased=True)
            )
            return records.quotes.revision(quote.number, 1)

        assert kept(store, work) == an_issued_revision(
            1, state=RevisionState.accepted, request=b"-", answer=b"-", is_erased=True
        )

        def restored(records: Records) -> None:
            revision = records.quotes.revision(1, 1)
            assert revision is not None
            records.quotes.put_revision(structs.replace(revision, is_erased=False))

        with pytest.raises(RevisionSealed):
            kept(store, restored)

    def test_authorisations_are_kept_one_a_revision(self, store: Store) -> None:
        second = an_authorisation(1, 2, contact=None, includes_tax=False)

        def work(records: Records) -> None:
            number = keep_issued(records).number
            records.quotes.add_revision(an_issued_revision(number, 2))
            records.quotes.authorise(an_authorisation(number, 1))
            records.quotes.authorise(second)

        kept(store, work)

        assert store.read(lambda r: r.quotes.authorisations(1)) == (an_authorisation(1, 1), second)
        assert store.read(lambda r: r.quotes.authorisations(2)) == ()
        for one in (an_authorisation(1, 1), an_authorisation(1, 3), an_authorisation(9, 1)):
            with pytest.raises(RecordConflict):
                kept(store, lambda records, one=one: records.quotes.authorise(one))  # type: ignore[misc]

    def test_put_authorisation_replaces_it(self, store: Store) -> None:
        kept(store, keep_issued)
        kept(store, lambda records: records.quotes.authorise(an_authorisation(1)))
        erased = an_authorisation(1, who="erased", contact=None, text="erased")

        kept(store, lambda records: records.quotes.put_authorisation(erased))

        assert store.read(lambda records: records.quotes.authorisations(1)) == (erased,)
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.quotes.put_authorisation(an_authorisation(1, 2)))

    def test_additions_count_within_their_quote(self, store: Store) -> None:
        def work(records: Records) -> list[int]:
            quotes = [keep_issued(records).number for _ in range(2)]
            return [
                records.quotes.add_addition(an_addition(quotes[place])).number
                for place in (0, 1, 0, 0)
            ]

        assert kept(store, work) == [1, 1, 2, 3]
        erased = an_addition(1, number=2, description="erased")
        kept(store, lambda records: records.quotes.put_addition(erased))
        assert store.read(lambda records: records.quotes.additions(1)) == (
            an_addition(1, number=1),
            erased,
            an_addition(1, number=3),
        )
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.quotes.put_addition(an_addition(1, number=4)))
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.quotes.add_addition(an_addition(9)))


NAMES = (
    "Ada Okafor",
    "Müller & Söhne",
    "O'Brien-Walsh",
    'the "Green" yard',
    "straße 12",
    "Ångström * Ltd",
    "🙂 ∑ -",
    "NUL\x00inside",
    "АНДРЕЙ Ёлкин",
    "漢字 園芸",
    "x" * 300,
    "",
)
WORDS = st.one_of(
    st.sampled_from(
        (
            *(
                "ada",
                "OKA",
                "kafor",
                "mull",
                "mül",
                "Mu\u0308",
                "sohne",
                "o'b",
                "brien-w",
                "brien w",
            ),
            *('"green"', 'gr" OR "x', "str", "STRASS", "strasse 1", "1", "angs", "*", "-", "NEAR("),
            *("\x00", "nul\x00in", "inside", "🙂", "∑", "анд", "елк", "漢", "字", "園", "x" * 200),
            *(
                "",
                " ",
                "214",
                "2140077",
                "77",
                "AND",
                "OR",
                "NOT ada",
                "name:ada",
                "^ada",
                "ﬁ",
                "İ",
            ),
        )
    ),
    st.text(max_size=4),
)


class SearchContract:
    """Which quotes, customers and machines are found."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_find_finds_what_a_plain_search_finds(self, store: Store) -> None:
        plain = MemoryStore({})
        states = list(QuoteState)

        def work(records: Records) -> None:
            for name in NAMES:
                records.people.add_customer(a_customer(name))
            for number, name in enumerate(reversed(NAMES), start=1):
                whose = number if number % 2 else None
                serial = None if number % 3 else 2140000 + 7 * number
                records.people.add_machine(a_machine(name, customer=whose, serial=serial))
            for number in range(60):
                records.quotes.add(
                    a_quote(
                        state=states[number % len(states)],
                        customer=number % 13 or None,
                        machine=number % 11 or None,
                        serial=2140077 - 70 * number if number % 4 else None,
                        # days that run with the numbers, but for a clock set back and forth
                        made_on=TODAY + (number // 4 + (-9 if number % 17 == 3 else 0)) * DAY,
                    )
                )
            # names change after they were indexed
            for number in (2, 5, 9):
                after = a_customer(NAMES[number], number=number, version=2)
                records.people.put_customer(after)
            for number in (1, 4, 7):
                after_machine = a_machine(NAMES[number], number=number, serial=77 + number)
                records.people.put_machine(after_machine)
            for number in (7, 30):
                quote = records.quotes.get(number)
                assert quote is not None
                records.quotes.put(structs.replace(quote, customer=3, machine=None, serial=12))
            for number in (11, 41):
                quote = records.quotes.get(number)
                assert quote is not None
                records.quotes.put(structs.replace(quote, made_on=TODAY + (50 - number) // 2 * DAY))

        kept(store, work)
        kept(plain, work)
        days = st.integers(-12, 20).map(lambda days: TODAY + days * DAY)
        wanted = st.builds(
            QuoteFilter,
            states=st.lists(st.sampled_from(states), max_size=4).map(tuple),
            customer=st.none() | st.integers(0, 14),
            machine=st.none() | st.integers(0, 13),
            made_from=st.none() | days,
            made_to=st.none() | days,
            words=st.lists(WORDS, max_size=2).map(tuple),
            before=st.none() | st.integers(0, 62),
            most=st.integers(1, 70),
        )

        @given(wanted)
        def agrees(asked: QuoteFilter) -> None:
            found = store.read(lambda records: records.quotes.find(asked))

            assert found == plain.read(lambda records: records.quotes.find(asked))

        @given(st.lists(WORDS, max_size=2), st.none() | st.integers(0, 14), st.integers(1, 13))
        def agrees_on_customers(words: list[str], before: int | None, most: int) -> None:
            found = store.read(lambda records: records.people.customers(words, before, most))

            assert found == plain.read(lambda r: r.people.customers(words, before, most))

        agrees()
        agrees_on_customers()

    @pytest.mark.parametrize(
        ("word", "name"),
        [
            ("ada", "Ada Okafor"),
            ("OKAF", "Ada Okafor"),
            ("mull", "Müller & Söhne"),
            ("MÜLLER", "Muller & sons"),
            ("o'brien", "O'Brien"),
            ("brien", "O'Brien"),
            ('"green"', 'the "Green" yard'),
            ("strass", "Straße"),
            ("elk", "Elk* - yard"),
            ("fi", "ﬁne tools"),
        ],
    )
    def test_word_begins_a_word_of_the_name(self, store: Store, word: str, name: str) -> None:
        def work(records: Records) -> tuple[int, int]:
            records.people.add_customer(a_customer("somebody else"))
            customer = records.people.add_customer(a_customer(name)).number
            return customer, records.quotes.add(a_quote(customer=customer)).number

        customer, quote = kept(store, work)

        (found,) = store.read(lambda r: r.quotes.find(QuoteFilter(words=(word,))))
        assert found.number == quote
        (whom,) = store.read(lambda records: records.people.customers((word,), None, 9))
        assert whom.number == customer

    @pytest.mark.parametrize("word", ["da", "okafora", "ada okaf x", "oka ada", "🙂a"])
    def test_word_that_begins_none_finds_nothing(self, store: Store, word: str) -> None:
        def work(records: Records) -> None:
            customer = records.people.add_customer(a_customer("Ada Okafor"))
            records.quotes.add(a_quote(customer=customer.number))

        kept(store, work)

        # a sign parts words, so that what follows it must begin one
        expected = 1 if word == "🙂a" else 0
        assert len(store.read(lambda r: r.quotes.find(QuoteFilter(words=(word,))))) == expected

    def test_find_knows_a_new_name_and_not_the_old(self, store: Store) -> None:
        customer = kept(store, lambda records: records.people.add_customer(a_customer("Ada")))
        machine = kept(
            store, lambda records: records.people.add_machine(a_machine("Tractor", serial=555))
        )
        kept(store, lambda r: r.quotes.add(a_quote(customer=1, machine=1, serial=777)))

        kept(store, lambda r: r.people.put_customer(structs.replace(customer, name="Grace")))
        kept(
            store,
            lambda r: r.people.put_machine(structs.replace(machine, name="Mower", serial=666)),
        )

        def found(word: str) -> int:
            return len(store.read(lambda records: records.quotes.find(QuoteFilter(words=(word,)))))

        assert [found(word) for word in ("ada", "tractor", "555")] == [0, 0, 0]
        assert [found(word) for word in ("grace", "mower", "666", "777")] == [1, 1, 1, 1]
        assert store.read(lambda records: records.people.customers(("ada",), None, 9)) == ()
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.people.put_customer(a_customer(number=9)))
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.people.put_machine(a_machine(number=9)))

    def test_find_pages_to_the_end_without_gap_or_repeat(self, store: Store) -> None:
        def work(records: Records) -> None:
            customer = records.people.add_customer(a_customer())
            for number in range(23):
                records.quotes.add(a_quote(customer=customer.number if number % 2 else None))

        kept(store, work)

        for words, numbers in (((), range(23, 0, -1)), (("oka",), range(22, 0, -2))):
            paged, before = list[int](), None
            while page := store.read(
                lambda records, words=words, before=before: records.quotes.find(  # type: ignore[misc]
                    QuoteFilter(words=words, before=before, most=5)
                )
            ):
                paged += [quote.number for quote in page]
                before = paged[-1]
            assert paged == list(numbers)

    def test_customers_and_machines_are_kept_whole_and_listed(self, store: Store) -> None:
        def work(records: Records) -> None:
            for number in (1, 2, 3):
                records.people.add_customer(
                    a_customer(f"Ada {number}", erased_at=NOON if number == 2 else None)
                )
            records.people.add_machine(a_machine(customer=1))
            records.people.add_machine(a_machine(serial=None, plate={}, hours=None))
            records.people.add_machine(a_machine(customer=1, erased_at=NOON))

        kept(store, work)

        def read(records: Records) -> tuple[object, ...]:
            people = records.people
            return (
                people.customer(2),
                people.customer(4),
                [one.number for one in people.customers((), None, 2)],
                [one.number for one in people.customers((), 3, 9)],
                [one.number for one in people.customers(("ad",), 3, 1)],
                people.machine(2),
                people.machine(4),
                [one.number for one in people.machines(None, None, 2)],
                [one.number for one in people.machines(1, None, 9)],
                [one.number for one in people.machines(1, 3, 9)],
                people.machines(2, None, 9),
            )

        assert store.read(read) == (
            a_customer("Ada 2", number=2, erased_at=NOON),
            None,
            [3, 2],
            [2, 1],
            [2],
            a_machine(number=2, serial=None, plate={}, hours=None),
            None,
            [3, 2],
            [3, 1],
            [1],
            (),
        )
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.people.add_machine(a_machine(customer=9)))


class ThingsContract:
    """Orders, photographs, keys and answers."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_orders_are_kept_and_found(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                quote = keep_issued(records).number
                records.orders.add(an_order(quote))
                records.orders.add(an_order(quote, supplier="sou\x00th"))

        kept(store, work)

        def numbers(
            quote: int | None, supplier: str | None, before: int | None, most: int
        ) -> list[int]:
            found = store.read(lambda r: r.orders.find(quote, supplier, before, most))
            return [order.number for order in found]

        assert numbers(None, None, None, 3) == [4, 3, 2]
        assert numbers(1, None, None, 9) == [2, 1]
        assert numbers(None, "sou\x00th", None, 9) == [4, 2]
        assert numbers(None, "south", None, 9) == []
        assert numbers(2, "north", 4, 9) == [3]
        assert store.read(lambda records: records.orders.get(3)) == an_order(2, number=3)
        assert store.read(lambda records: records.orders.get(5)) is None
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.orders.add(an_order(1)))
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.orders.add(an_order(1, 2)))

    def test_put_order_replaces_it(self, store: Store) -> None:
        kept(store, keep_issued)
        order = kept(store, lambda records: records.orders.add(an_order(1)))
        changed = structs.replace(order, version=2, body=b"other")

        kept(store, lambda records: records.orders.put(changed))

        assert store.read(lambda records: records.orders.get(1)) == changed
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.orders.put(an_order(1, number=2)))

    def test_photos_are_kept_until_dropped(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                keep_issued(records)
            for quote, name in ((1, "aa"), (2, "bb"), (1, "bb")):
                records.photos.add(a_photo(quote, sha256=name, cylinder=None))

        kept(store, work)

        assert store.read(lambda r: [one.number for one in r.photos.of_quote(1)]) == [1, 3]
        assert store.read(lambda records: records.photos.hashes()) == {"aa", "bb"}
        assert store.read(lambda r: r.photos.get(2)) == a_photo(
            2, number=2, sha256="bb", cylinder=None
        )
        kept(store, lambda records: records.photos.drop(3))
        kept(store, lambda records: records.photos.drop(3))
        assert store.read(lambda records: records.photos.get(3)) is None
        assert store.read(lambda records: records.photos.hashes()) == {"aa", "bb"}
        again = kept(store, lambda records: records.photos.add(a_photo(1)))
        assert again.number == 4
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.photos.add(a_photo(9)))

    def test_keys_are_kept_oldest_first(self, store: Store) -> None:
        kept(store, lambda records: records.keys.add(a_key("zz")))
        kept(store, lambda records: records.keys.add(a_key("aa", scopes=frozenset())))
        used = a_key("zz", last_used_on=TODAY, revoked_at=NOON, name="old")

        kept(store, lambda records: records.keys.put(used))

        assert store.read(lambda records: records.keys.every()) == (
            used,
            a_key("aa", scopes=frozenset()),
        )
        assert store.read(lambda records: records.keys.get("zz")) == used
        assert store.read(lambda records: records.keys.get("none")) is None
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.keys.put(a_key("none")))

    def test_secret_is_kept_once(self, store: Store) -> None:
        kept(store, lambda records: records.keys.add_secret("links", b"\x00\xff"))

        assert store.read(lambda records: records.keys.secret("links")) == b"\x00\xff"
        assert store.read(lambda records: records.keys.secret("hooks")) is None
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.keys.add_secret("links", b"other"))

    def test_answer_is_given_again_until_it_expires(self, store: Store) -> None:
        kept(store, lambda records: records.answers.add(an_answer(), NOON))

        def get(key: str, once: str, days: float) -> object:
            return store.read(lambda records: records.answers.get(key, once, NOON + days * DAY))

        assert get("k1", "once", 0.999) == an_answer()
        assert get("k1", "once", 1) is None
        assert get("k2", "once", 0) is None
        assert get("k1", "twice", 0) is None

    def test_answer_takes_the_place_of_an_expired_one_alone(self, store: Store) -> None:
        kept(store, lambda records: records.answers.add(an_answer(), NOON))
        other = an_answer(status=200, expires_at=NOON + 3 * DAY)

        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.answers.add(other, NOON + DAY - HOUR))
        kept(store, lambda records: records.answers.add(an_answer(key="k2"), NOON))
        kept(store, lambda records: records.answers.add(other, NOON + DAY))

        now = NOON + DAY
        assert store.read(lambda records: records.answers.get("k1", "once", now)) == other

    def test_answer_is_kept_though_many_have_expired(self, store: Store) -> None:
        def work(records: Records) -> None:
            for number in range(60):
                expires = NOON + number * HOUR
                records.answers.add(an_answer(f"n{number}", expires_at=expires), NOON - DAY)
            # the last of those that expired: not among the first that are forgotten
            records.answers.add(
                an_answer("n59", status=200, expires_at=NOON + 9 * DAY), NOON + 3 * DAY
            )

        kept(store, work)

        answer = store.read(lambda records: records.answers.get("k1", "n59", NOON + 3 * DAY))
        assert answer is not None
        assert answer.status == 200


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
        kept(store, lambda records: records.events.add_hook(a_hook(kinds=("a", "b"))))
        kept(store, lambda records: records.events.add_hook(a_hook(is_active=False)))
        changed = a_hook(number=1, version=2, failure="gone", is_active=False)

        kept(store, lambda records: records.events.put_hook(changed))

        second = a_hook(number=2, is_active=False)
        assert store.read(lambda records: records.events.hooks()) == (changed, second)
        assert store.read(lambda records: records.events.hook(2)) == second
        kept(store, lambda records: records.events.drop_hook(2))
        kept(store, lambda records: records.events.drop_hook(2))
        assert store.read(lambda records: records.events.hook(2)) is None
        # a number is never given twice: what a partner knows by it stays its own
        assert kept(store, lambda records: records.events.add_hook(a_hook())).number == 3
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.events.put_hook(a_hook(number=2)))

    def due(self, store: Store, hours: float = 0, most: int = 9) -> list[tuple[int, int, int]]:
        """Return hook, event and attempt of what is due some hours after noon."""
        found = store.read(lambda records: records.events.due(NOON + hours * HOUR, most))
        return [(one.hook.number, one.event.seq, one.attempt) for one in found]

    def test_event_waits_for_every_active_hook_that_takes_it(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.events.add(an_event())
            records.events.add_hook(a_hook())
            records.events.add_hook(a_hook(kinds=("quote.issued",)))
            records.events.add_hook(a_hook(is_active=False))
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
            records.events.add_hook(a_hook())
            records.events.add(an_event())
            records.events.add(an_event())

        kept(store, work)

        kept(store, lambda records: records.events.defer(1, 1, NOON + 2 * HOUR))
        kept(store, lambda records: records.events.defer(1, 9, NOON))
        assert self.due(store, 1) == [(1, 2, 1)]
        assert self.due(store, 2) == [(1, 2, 1)]
        kept(store, lambda records: records.events.settle(1, 2))
        kept(store, lambda records: records.events.settle(1, 2))
        assert self.due(store, 2) == [(1, 1, 2)]
        assert store.read(lambda records: records.events.soonest()) == NOON + 2 * HOUR
        kept(store, lambda records: records.events.settle(1, 1))
        assert store.read(lambda records: records.events.soonest()) is None

    def test_what_waits_rests_with_its_hook_and_goes_with_it(self, store: Store) -> None:
        def work(records: Records) -> None:
            records.events.add_hook(a_hook())
            records.events.add_hook(a_hook())
            records.events.add(an_event())
            records.events.put_hook(a_hook(number=1, version=2, is_active=False))

        kept(store, work)

        assert self.due(store) == [(2, 1, 1)]
        kept(store, lambda records: records.events.drop_hook(2))
        assert self.due(store) == []
        assert store.read(lambda records: records.events.soonest()) is None
        kept(store, lambda r: r.events.put_hook(a_hook(number=1, version=3)))
        assert self.due(store) == [(1, 1, 1)]


class StoreContract(
    KeepingContract, QuotesContract, SearchContract, ThingsContract, EventsContract
):
    """All of it."""
