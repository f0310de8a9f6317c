"""What is left of an erased customer, and what a search still finds."""

import asyncio

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import STAMP, a_customer, a_machine, a_photo, figures

from kitwright.keeping.life import decline, issue, keep_quote
from kitwright.keeping.people import ERASED, erase_customer
from kitwright.keeping.store import QuoteFilter, Records


@pytest.mark.parametrize("word", ["zoe", "tractor", "2140077", "77001"])
def test_erase_customer_leaves_nothing_to_be_found_by(word: str) -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        customer = records.people.add_customer(a_customer("Zoë Müller")).number
        machine = records.people.add_machine(a_machine("Tractor", customer=customer)).number
        asked = figures(customer=customer, machine=machine, serial=77001)
        quote = issue(records, STAMP, keep_quote(records, STAMP, asked))
        decline(records, STAMP, quote, 1)
        records.photos.add(a_photo(quote.number, sha256="ab" * 32))

    def erase(records: Records) -> tuple[str, ...]:
        customer = records.people.customer(1)
        assert customer is not None
        left, _, photos = erase_customer(records, STAMP, customer, redact=lambda revision: revision)
        assert left.name == ERASED
        return photos

    wanted = QuoteFilter(words=(word,))
    asyncio.run(store.write(live))
    assert len(store.read(lambda records: records.quotes.find(wanted))) == 1

    photos = asyncio.run(store.write(erase))

    assert photos == ("ab" * 32,)
    assert store.read(lambda records: records.quotes.find(wanted)) == ()
    quote = store.read(lambda records: records.quotes.get(1))
    assert quote is not None
    assert (quote.net, quote.gross) == (figures().net, figures().gross)
