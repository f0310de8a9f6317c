"""What is left of an erased customer, and what a search still finds."""

import asyncio

import pytest
from msgspec import structs
from tests.store.memory import MemoryStore
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    STAMP,
    a_claim,
    a_come_back,
    a_customer,
    a_machine,
    a_mail,
    a_photo,
    an_addition,
    an_authorisation,
    figures,
)

from kitwright.keeping.dossier import QuoteDossier, contents_of, quote_dossier
from kitwright.keeping.erasing import StillAtWork
from kitwright.keeping.erasure_steps import erase_now
from kitwright.keeping.erasure_words import ERASED
from kitwright.keeping.life import keep_quote, revise
from kitwright.keeping.offer import decline, issue, withdraw
from kitwright.keeping.record import KeptQuote, Revision
from kitwright.keeping.store import QuoteFilter, Records


@pytest.mark.parametrize("word", ["zoe", "tractor", "2140077", "77001"])
def test_erase_customer_leaves_nothing_to_be_found_by(word: str) -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        customer = records.customers.add(a_customer("Zoë Müller")).number
        machine = records.machines.add(a_machine("Tractor", customer=customer)).number
        asked = figures(customer=customer, machine=machine, serial=77001)
        quote = issue(records, STAMP, keep_quote(records, STAMP, asked))
        decline(records, STAMP, quote, 1)
        records.photos.add(a_photo(quote.number, sha256="ab" * 32))

    def erase(records: Records) -> tuple[str, ...]:
        erase_first(records)
        left = records.customers.get(1)
        assert left is not None
        assert left.name == ERASED
        return tuple(one.name for one in records.disposals.next(0, 9))

    wanted = QuoteFilter(words=(word,))
    asyncio.run(store.write(live))
    assert len(store.read(lambda records: records.quotes.find(wanted))) == 1

    photos = asyncio.run(store.write(erase))

    assert photos == ("ab" * 32,)
    assert store.read(lambda records: records.quotes.find(wanted)) == ()
    quote = store.read(lambda records: records.quotes.get(1))
    assert quote is not None
    assert (quote.net, quote.gross) == (figures().net, figures().gross)


def erase_first(records: Records) -> list[QuoteDossier]:
    customer = records.customers.get(1)
    assert customer is not None
    contents = contents_of(records, customer)
    dossiers = [quote_dossier(records, contents, number) for number in contents.own]
    erase_now(records, STAMP, customer, redact=unchanged)
    return dossiers


def unchanged(revision: Revision) -> Revision:
    return revision


def drafted(records: Records, *named: tuple[int | None, int | None]) -> KeptQuote:
    """Return a quote whose revisions name customers and machines, the newest withdrawn."""
    quote = None
    for customer, machine in named:
        asked = figures(customer=customer, machine=machine, serial=77001)
        quote = (
            keep_quote(records, STAMP, asked)
            if quote is None
            else revise(records, STAMP, quote, asked)
        )
        quote = issue(records, STAMP, quote)
    assert quote is not None
    return withdraw(records, STAMP, quote)


def erased_of(records: Records, quote: int) -> list[bool]:
    return [one.is_erased for one in records.revisions.of_quote(quote)]


def test_erase_customer_reaches_a_revision_whose_quote_names_another_machine_now() -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        one, two = (records.customers.add(a_customer(name)).number for name in ("One", "Two"))
        for owner in (one, two, None):
            records.machines.add(a_machine(customer=owner))
        drafted(records, (None, 1), (None, 3))
        drafted(records, (None, None), (None, 1), (two, 2))
        drafted(records, (None, None), (None, 1))
        drafted(records, (two, 1))

    asyncio.run(store.write(live))
    dossiers = asyncio.run(store.write(erase_first))

    assert [(one.quote, one.number) for own in dossiers for one in own.revisions] == [
        (3, 1),
        (3, 2),
        (2, 2),
        (1, 1),
    ]
    erased = store.read(lambda records: [erased_of(records, number) for number in (1, 2, 3, 4)])
    assert erased == [[True, False], [False, True, False], [True, True], [False]]
    quotes = store.read(lambda records: [records.quotes.get(number) for number in (1, 2, 3, 4)])
    serials = [None if quote is None else quote.serial for quote in quotes]
    assert serials == [77001, 77001, None, 77001]
    machines = store.read(lambda records: [records.machines.get(n) for n in (1, 2, 3)])
    assert [one is not None and one.name == ERASED for one in machines] == [True, False, False]


def test_erase_customer_takes_a_machine_of_nobody_that_an_earlier_revision_names() -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        customer = records.customers.add(a_customer()).number
        for _ in range(3):
            records.machines.add(a_machine())
        drafted(records, (customer, 1), (customer, 2), (customer, 3))
        # of somebody else as well, though only once
        drafted(records, (None, 2), (None, None))

    asyncio.run(store.write(live))
    asyncio.run(store.write(erase_first))

    machines = store.read(lambda records: [records.machines.get(n) for n in (1, 2, 3)])
    assert [one is not None and one.name == ERASED for one in machines] == [True, False, True]


def test_erase_customer_waits_only_for_what_is_for_that_customer() -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        for name in ("One", "Two"):
            customer = records.customers.add(a_customer(name)).number
            records.machines.add(a_machine(customer=customer))
        quote = drafted(records, (None, 1))
        asked = figures(customer=2, machine=2)
        issue(records, STAMP, revise(records, STAMP, quote, asked))

    def others(records: Records) -> None:
        other = records.customers.get(2)
        assert other is not None
        erase_now(records, STAMP, other, redact=unchanged)

    asyncio.run(store.write(live))
    with pytest.raises(StillAtWork):
        asyncio.run(store.write(others))
    dossiers = asyncio.run(store.write(erase_first))

    (own,) = dossiers
    quote = own.quote
    assert (quote.latest, quote.offered, quote.customer, quote.machine) == (1, None, None, 1)
    assert store.read(lambda records: erased_of(records, 1)) == [True, False]


def test_erase_customer_takes_what_belongs_to_the_revisions_that_go() -> None:
    store = MemoryStore({})
    later = structs.replace(STAMP, at=NOON + DAY)

    def live(records: Records) -> None:
        for name in ("One", "Two"):
            customer = records.customers.add(a_customer(name)).number
            records.machines.add(a_machine(customer=customer))
        quote = drafted(records, (None, 1))
        asked = figures(customer=2, machine=2)
        withdraw(records, later, revise(records, later, quote, asked))
        for revision in (1, 2):
            records.authorisations.add(an_authorisation(1, revision))
            records.additions.add(an_addition(1, revision=revision))
            records.mails.add(a_mail(1, revision, message_id=f"<{revision}@shop.example>"))
        for at in (NOON - HOUR, NOON + HOUR, NOON + DAY):
            records.photos.add(a_photo(1, made_at=at))

    asyncio.run(store.write(live))
    asyncio.run(store.write(erase_first))

    def left(records: Records) -> tuple[list[str], list[str], list[str], list[int]]:
        return (
            [one.who for one in records.authorisations.of_quote(1)],
            [one.description for one in records.additions.of_quote(1)],
            [one.to for one in records.mails.of_quote(1)],
            [one.number for one in records.photos.of_quote(1)],
        )

    assert store.read(left) == (
        [ERASED, an_authorisation(1).who],
        [ERASED, an_addition(1).description],
        ["", a_mail(1).to],
        [3],
    )


@pytest.mark.parametrize("said", ["It leaks again.", None])
def test_erase_customer_takes_why_a_machine_came_back_and_what_failed(said: str | None) -> None:
    store = MemoryStore({})

    def live(records: Records) -> None:
        customer = records.customers.add(a_customer("One")).number
        machine = records.machines.add(a_machine(customer=customer)).number
        drafted(records, (customer, machine))
        # the cause may not be settled, by nobody yet
        who = None if said is None else "R. Okafor"
        records.come_backs.add(a_come_back(1, 1, reason=said, who=who))
        records.claims.add(a_claim(1, 1, what="Maud's valve", reason=said))

    asyncio.run(store.write(live))
    asyncio.run(store.write(erase_first))

    gone = None if said is None else ERASED
    back = store.read(lambda records: records.come_backs.get(1))
    assert back is not None
    assert (back.reason, back.who) == (gone, gone)
    (claim,) = store.read(lambda records: records.claims.of_quote(1))
    assert (claim.what, claim.reason) == (ERASED, gone)
