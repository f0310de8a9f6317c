"""Which of its revisions a quote shows: what was agreed, else what was offered, else the draft."""

import asyncio
from collections.abc import Callable

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import DAY, STAMP, TODAY, a_customer, figures

from kitwright.keeping.acts import OtherCustomer
from kitwright.keeping.consent import More, Yes, accept, ask_addition
from kitwright.keeping.life import keep_quote, revise
from kitwright.keeping.offer import decline, expire_overdue, issue, withdraw
from kitwright.keeping.record import KeptQuote, Means
from kitwright.keeping.store import Records
from kitwright.money import Money

USD = "USD"
YES = Yes(who="Ada", means=Means.telephone, text="Yes.", limit=Money(20000, USD))
DRAFT = figures(net=Money(100, USD), gross=Money(100, USD), serial=9, valid_until=TODAY + 99 * DAY)


def issued(records: Records) -> KeptQuote:
    return issue(records, STAMP, keep_quote(records, STAMP, figures(serial=1)))


def begun(records: Records, quote: KeptQuote) -> KeptQuote:
    """Return a quote with a later draft, of another engine at another price."""
    return revise(records, STAMP, quote, DRAFT)


def agreed(records: Records) -> KeptQuote:
    return accept(records, STAMP, issued(records), 1, yes=YES, preset=None)


def expired(records: Records) -> KeptQuote:
    quote = begun(records, issued(records))
    later = type(STAMP)(at=STAMP.at + 30 * DAY, today=TODAY + 30 * DAY, hand=STAMP.hand, by="x")
    expire_overdue(records, later)
    found = records.quotes.get(quote.number)
    assert found is not None
    return found


STATES: dict[str, tuple[Callable[[Records], KeptQuote], int]] = {
    "draft": (lambda records: begun(records, keep_quote(records, STAMP, figures())), 1),
    "offered": (lambda records: begun(records, issued(records)), 1),
    "agreed": (lambda records: begun(records, agreed(records)), 1),
    "declined": (lambda records: decline(records, STAMP, begun(records, issued(records)), 1), 1),
    "withdrawn": (lambda records: withdraw(records, STAMP, begun(records, issued(records))), 1),
    "taken back": (lambda records: withdraw(records, STAMP, begun(records, agreed(records))), 1),
    "expired": (expired, 1),
    "offered anew": (lambda records: issue(records, STAMP, begun(records, issued(records))), 2),
    "offered beside": (lambda records: issue(records, STAMP, begun(records, agreed(records))), 1),
    "declined beside": (
        lambda records: decline(
            records, STAMP, issue(records, STAMP, begun(records, agreed(records))), 2
        ),
        1,
    ),
    "agreed anew": (
        lambda records: accept(
            records,
            STAMP,
            issue(records, STAMP, begun(records, agreed(records))),
            2,
            yes=YES,
            preset=None,
        ),
        2,
    ),
    "begun anew": (
        lambda records: begun(records, decline(records, STAMP, issued(records), 1)),
        2,
    ),
}


@pytest.mark.parametrize("name", STATES)
def test_quote_shows_the_revision_that_counts(name: str) -> None:
    live, shown = STATES[name]
    store = MemoryStore({})

    quote = asyncio.run(store.write(live))

    assert quote.shown == shown
    revision = store.read(lambda records: records.revisions.get(quote.number, shown))
    assert revision is not None
    assert (quote.net, quote.gross) == (revision.net, revision.gross)
    assert quote.valid_until == revision.valid_until
    of_draft = name == "draft" or shown == 2
    assert quote.serial == (9 if of_draft else 1)
    facts = store.read(lambda records: records.events.after(0, 99))[-1].facts
    assert (facts["shown"], facts["gross"]) == (shown, quote.gross and quote.gross.amount_text)


def test_addition_is_in_the_figures_as_long_as_its_revision_is_agreed() -> None:
    store = MemoryStore({})
    hose = More(description="a hose", kind="part", tax_kind="part", net=Money(1000, USD))

    def add(records: Records) -> KeptQuote:
        quote, ruling = ask_addition(records, STAMP, agreed(records), hose)
        assert ruling.addition is not None
        # 8.25 % of 10.00, rounded with the rest of the document: 110.00 bear 9.08
        assert (ruling.addition.net, ruling.addition.amount) == (Money(1000, USD), Money(1083, USD))
        return begun(records, quote)

    quote = asyncio.run(store.write(add))
    assert (quote.shown, quote.net, quote.gross) == (1, Money(11000, USD), Money(11908, USD))

    taken = asyncio.run(store.write(lambda records: withdraw(records, STAMP, quote)))
    assert (taken.net, taken.gross) == (Money(10000, USD), Money(10825, USD))


def test_later_draft_of_another_customer_is_refused_whatever_is_shown() -> None:
    store = MemoryStore({})

    def live(records: Records) -> KeptQuote:
        for name in ("One", "Two"):
            records.customers.add(a_customer(name))
        quote = revise(records, STAMP, issued(records), figures(customer=1))
        assert quote.customer is None
        return quote

    quote = asyncio.run(store.write(live))
    with pytest.raises(OtherCustomer, match="another customer"):
        asyncio.run(store.write(lambda records: revise(records, STAMP, quote, figures(customer=2))))
