"""Which additions count, where moments are the same."""

import asyncio

from msgspec import structs
from tests.store.memory import MemoryStore
from tests.store.small import HOUR, STAMP, figures

from kitwright.keeping.consent import More, Yes, accept, ask_addition
from kitwright.keeping.life import additions_to, keep_quote, revise, revision_of
from kitwright.keeping.offer import issue
from kitwright.keeping.record import KeptQuote, Means, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money

YES = Yes(who="Ada", means=Means.telephone, text="Yes.", limit=Money(50_000, "USD"))


def agreed(records: Records) -> KeptQuote:
    quote = issue(records, STAMP, keep_quote(records, STAMP, figures()))
    return accept(records, STAMP, quote, 1, yes=YES, preset=None)


def add(
    records: Records, quote: KeptQuote, name: str, minor: int, stamp: Stamp = STAMP
) -> KeptQuote:
    more = More(description=name, kind="part", tax_kind="part", net=Money(minor, "USD"))
    return ask_addition(records, stamp, quote, more)[0]


def test_additions_of_one_instant_keep_their_order_and_all_count() -> None:
    # out of order by any other member, and past the number that texts would sort after it
    names = ["hose", "clip", "hose", *(f"screw {place}" for place in range(9, 0, -1))]

    def work(records: Records) -> tuple[list[tuple[int, str]], KeptQuote]:
        quote = agreed(records)
        for name in names:
            quote = add(records, quote, name, 100)
        found = additions_to(records, quote, revision_of(records, quote, 1))
        return [(one.number, one.description) for one in found], quote

    found, quote = asyncio.run(MemoryStore({}).write(work))

    assert found == list(enumerate(names, start=1))
    assert quote.net == Money(10_000 + 100 * len(names), "USD")


def test_addition_made_at_the_instant_of_a_later_draft_counts_once_that_is_agreed_to() -> None:
    # the draft was computed without it
    def work(records: Records) -> KeptQuote:
        quote = revise(records, STAMP, agreed(records), figures())
        quote = add(records, quote, "hose", 100)
        return accept(records, STAMP, issue(records, STAMP, quote), 2, yes=YES, preset=None)

    quote = asyncio.run(MemoryStore({}).write(work))

    assert (quote.agreed, quote.net) == (2, Money(10_100, "USD"))


def test_addition_to_the_agreed_revision_counts_even_if_the_clock_was_set_back() -> None:
    def work(records: Records) -> KeptQuote:
        earlier = structs.replace(STAMP, at=STAMP.at - HOUR)
        return add(records, agreed(records), "hose", 100, earlier)

    assert asyncio.run(MemoryStore({}).write(work)).net == Money(10_100, "USD")
