"""Goods of an order on the shelf: reserved for its quote as far as it needs them, the rest free."""

import asyncio
from fractions import Fraction
from typing import Any

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import STAMP, USD, a_holding, a_quote, an_issued_revision

from kitwright.keeping.ledger import UNIT
from kitwright.keeping.receiving import Received, take_in
from kitwright.keeping.record import KeptQuote, QuoteState, RevisionState
from kitwright.keeping.reserving import settle
from kitwright.keeping.store import Records

ANSWER = (
    b'{"kit": {"from_stock": [], "packs": [{"item": "G-1", "packs": "1", "source": "ALDQ",'
    b' "covers": [{"fitted": "G-1", "quantity": "2"}]}]}}'
)


@pytest.fixture
def store() -> MemoryStore:
    return MemoryStore({})


def do(store: MemoryStore, work: Any) -> Any:
    return asyncio.run(store.write(work))


def ordered(
    records: Records, agreed: int | None = 1, state: QuoteState = QuoteState.ordered
) -> KeptQuote:
    quote = records.quotes.add(a_quote(state=state, agreed=agreed))
    accepted = an_issued_revision(quote.number, 1, state=RevisionState.accepted, answer=ANSWER)
    records.revisions.add(accepted)
    return quote


def received(quote: KeptQuote, units: int, needed: int) -> Received:
    return Received(
        holding=a_holding(),
        amount=units * UNIT,
        cost=Fraction(250),
        currency=USD,
        reason="order O3",
        quote=quote.number,
        needed=needed * UNIT,
    )


def state(store: MemoryStore) -> tuple[int, int, int]:
    ((_, now),) = store.read(lambda records: records.shelf.of_item("G-1"))
    return now.on_hand // UNIT, now.reserved // UNIT, now.value.minor


def test_take_in_reserves_what_the_quote_needs_and_leaves_the_rest_free(
    store: MemoryStore,
) -> None:
    reserved = do(store, lambda records: take_in(records, STAMP, received(ordered(records), 5, 2)))

    assert reserved == 2 * UNIT
    assert state(store) == (5, 2, 1250)
    moves = store.read(lambda records: records.shelf.moves("G-1", None, 9))
    assert [(move.kind.value, move.reason) for move in moves] == [
        ("reserve", "order O3"),
        ("receive", "order O3"),
    ]


def test_take_in_reserves_no_more_than_arrived(store: MemoryStore) -> None:
    do(store, lambda records: take_in(records, STAMP, received(ordered(records), 1, 2)))

    assert state(store) == (1, 1, 250)


@pytest.mark.parametrize(
    ("agreed", "now"), [(None, QuoteState.ordered), (1, QuoteState.done), (1, QuoteState.withdrawn)]
)
def test_take_in_leaves_everything_free_without_an_agreement_or_after_the_work(
    store: MemoryStore, agreed: int | None, now: QuoteState
) -> None:
    reserved = do(
        store,
        lambda records: take_in(records, STAMP, received(ordered(records, agreed, now), 5, 2)),
    )

    assert reserved == 0
    assert state(store) == (5, 0, 1250)


def test_settling_keeps_what_was_received_for_the_agreed_revision(store: MemoryStore) -> None:
    def work(records: Records) -> None:
        quote = ordered(records)
        take_in(records, STAMP, received(quote, 5, 2))
        settle(records, STAMP, quote)

    do(store, work)

    assert state(store) == (5, 2, 1250)
