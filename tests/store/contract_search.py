"""The contract of a store: which quotes, customers and machines are found."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from tests.store.asking import OpenStore, kept
from tests.store.memory import MemoryStore
from tests.store.small import (
    DAY,
    NOON,
    TODAY,
    a_customer,
    a_machine,
    a_quote,
)

from kitwright.keeping.record import KeptQuote, QuoteState
from kitwright.keeping.store import (
    QuoteFilter,
    RecordConflict,
    RecordMissing,
    Records,
    Store,
)

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


def quotes_by(records: Records, word: str) -> tuple[KeptQuote, ...]:
    return records.quotes.find(QuoteFilter(words=(word,)))


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
                records.customers.add(a_customer(name))
            for number, name in enumerate(reversed(NAMES), start=1):
                whose = number if number % 2 else None
                serial = None if number % 3 else 2140000 + 7 * number
                records.machines.add(a_machine(name, customer=whose, serial=serial))
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
                records.customers.put(after)
            for number in (1, 4, 7):
                after_machine = a_machine(NAMES[number], number=number, serial=77 + number)
                records.machines.put(after_machine)
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
            found = store.read(lambda records: records.customers.find(words, before, most))

            assert found == plain.read(lambda r: r.customers.find(words, before, most))

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
            records.customers.add(a_customer("somebody else"))
            customer = records.customers.add(a_customer(name)).number
            return customer, records.quotes.add(a_quote(customer=customer)).number

        customer, quote = kept(store, work)

        (found,) = store.read(lambda r: r.quotes.find(QuoteFilter(words=(word,))))
        assert found.number == quote
        (whom,) = store.read(lambda records: records.customers.find((word,), None, 9))
        assert whom.number == customer

    @pytest.mark.parametrize("word", ["da", "okafora", "ada okaf x", "oka ada", "🙂a"])
    def test_word_that_begins_none_finds_nothing(self, store: Store, word: str) -> None:
        def work(records: Records) -> None:
            customer = records.customers.add(a_customer("Ada Okafor"))
            records.quotes.add(a_quote(customer=customer.number))

        kept(store, work)

        # a sign parts words, so that what follows it must begin one
        expected = 1 if word == "🙂a" else 0
        assert len(store.read(lambda r: r.quotes.find(QuoteFilter(words=(word,))))) == expected

    def test_find_knows_a_new_name_and_not_the_old(self, store: Store) -> None:
        customer = kept(store, lambda records: records.customers.add(a_customer("Ada")))
        machine = kept(
            store, lambda records: records.machines.add(a_machine("Tractor", serial=555))
        )
        kept(store, lambda r: r.quotes.add(a_quote(customer=1, machine=1, serial=777)))

        kept(store, lambda r: r.customers.put(structs.replace(customer, name="Grace")))
        kept(
            store,
            lambda r: r.machines.put(structs.replace(machine, name="Mower", serial=666)),
        )

        def found(word: str) -> int:
            return len(store.read(lambda records: records.quotes.find(QuoteFilter(words=(word,)))))

        assert [found(word) for word in ("ada", "tractor", "555")] == [0, 0, 0]
        assert [found(word) for word in ("grace", "mower", "666", "777")] == [1, 1, 1, 1]
        assert store.read(lambda records: records.customers.find(("ada",), None, 9)) == ()
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.customers.put(a_customer(number=9)))
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.machines.put(a_machine(number=9)))

    def test_find_pages_to_the_end_without_gap_or_repeat(self, store: Store) -> None:
        def work(records: Records) -> None:
            customer = records.customers.add(a_customer())
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
                records.customers.add(
                    a_customer(f"Ada {number}", erased_at=NOON if number == 2 else None)
                )
            records.machines.add(a_machine(customer=1))
            records.machines.add(a_machine(serial=None, plate={}, hours=None))
            records.machines.add(a_machine(customer=1, erased_at=NOON))

        kept(store, work)

        def read(records: Records) -> tuple[object, ...]:
            return (
                records.customers.get(2),
                records.customers.get(4),
                [one.number for one in records.customers.find((), None, 2)],
                [one.number for one in records.customers.find((), 3, 9)],
                [one.number for one in records.customers.find(("ad",), 3, 1)],
                records.machines.get(2),
                records.machines.get(4),
                [one.number for one in records.machines.find(None, None, 2)],
                [one.number for one in records.machines.find(1, None, 9)],
                [one.number for one in records.machines.find(1, 3, 9)],
                records.machines.find(2, None, 9),
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
            kept(store, lambda records: records.machines.add(a_machine(customer=9)))

    def test_hidden_quote_is_found_by_no_word_until_it_is_indexed_again(self, store: Store) -> None:
        def found(records: Records) -> list[int]:
            wanted = QuoteFilter(words=("okafor",), most=9)
            return [one.number for one in records.quotes.find(wanted)]

        def named(records: Records) -> KeptQuote:
            customer = records.customers.add(a_customer("Ada Okafor")).number
            return records.quotes.add(a_quote(customer=customer))

        quote = kept(store, named)
        assert store.read(found) == [quote.number]
        kept(store, lambda records: records.quotes.hide(quote.number))
        assert store.read(found) == []
        assert store.read(lambda records: records.quotes.get(quote.number)) == quote
        kept(store, lambda records: records.quotes.index(quote))
        assert store.read(found) == [quote.number]

    def test_search_forgets_who_was_erased(self, store: Store) -> None:
        def work(records: Records) -> None:
            customer = records.customers.add(a_customer("Zoë Müller"))
            machine = records.machines.add(a_machine("Tractor", serial=77001))
            records.quotes.add(a_quote(customer=customer.number, machine=machine.number))

        def erase(records: Records) -> None:
            customer, machine = records.customers.get(1), records.machines.get(1)
            quote = records.quotes.get(1)
            assert customer is not None
            assert machine is not None
            assert quote is not None
            gone = structs.replace(customer, name="erased", erased_at=NOON)
            records.customers.put(gone)
            records.machines.put(
                structs.replace(machine, name="erased", serial=None, erased_at=NOON)
            )
            records.quotes.index(quote)
            is_tidy = records.customers.tidy_search(is_first=True)
            while not is_tidy:
                is_tidy = records.customers.tidy_search(is_first=False)

        kept(store, work)
        kept(store, erase)

        for word in ("zoe", "tractor", "77001"):
            assert store.read(partial(quotes_by, word=word)) == ()
        assert store.read(lambda r: r.customers.find(("zoe",), None, 9)) == ()
        assert len(store.read(lambda r: r.customers.find(("erased",), None, 9))) == 1
