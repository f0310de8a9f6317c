"""Goods of an order on the shelf: reserved for its quote as far as it needs them, the rest free."""

import asyncio
from fractions import Fraction
from typing import Any

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import STAMP, USD, a_holding, a_quote, an_issued_revision

from kitwright.keeping.ledger import UNIT
from kitwright.keeping.receiving import Received, take_in
from kitwright.keeping.record import KeptOrder, OrderState, QuoteState, RevisionState
from kitwright.keeping.reserving import settle
from kitwright.keeping.store import Records
from kitwright.money import Money

ANSWER = (
    b'{"kit": {"from_stock": [], "packs": [{"item": "G-1", "packs": "1", "source": "ALDQ",'
    b' "covers": [{"fitted": "G-1", "quantity": "2"}]}]}}'
)


@pytest.fixture
def store() -> MemoryStore:
    return MemoryStore({})


def do(store: MemoryStore, work: Any) -> Any:
    return asyncio.run(store.write(work))


def an_order(records: Records, agreed: int | None = 1) -> KeptOrder:
    quote = records.quotes.add(a_quote(state=QuoteState.ordered, agreed=agreed))
    accepted = an_issued_revision(quote.number, 1, state=RevisionState.accepted, answer=ANSWER)
    records.revisions.add(accepted)
    return KeptOrder(
        number=3,
        version=1,
        state=OrderState.draft,
        quote=quote.number,
        revision=1,
        supplier="ALDQ",
        net=Money(1000, USD),
        made_at=STAMP.at,
        body=b"{}",
    )


def received(units: int, needed: int) -> Received:
    return Received(
        holding=a_holding(), amount=units * UNIT, needed=needed * UNIT, cost=Fraction(250)
    )


def state(store: MemoryStore) -> tuple[int, int, int]:
    ((_, now),) = store.read(lambda records: records.shelf.of_item("G-1"))
    return now.on_hand // UNIT, now.reserved // UNIT, now.value.minor


def test_take_in_reserves_what_the_quote_needs_and_leaves_the_rest_free(
    store: MemoryStore,
) -> None:
    moves = do(store, lambda records: take_in(records, STAMP, an_order(records), received(5, 2)))

    assert state(store) == (5, 2, 1250)
    assert [(move.kind.value, move.reason) for move in moves] == [
        ("receive", "order O3"),
        ("reserve", "order O3"),
    ]


def test_take_in_reserves_no_more_than_arrived(store: MemoryStore) -> None:
    do(store, lambda records: take_in(records, STAMP, an_order(records), received(1, 2)))

    assert state(store) == (1, 1, 250)


def test_take_in_leaves_everything_free_without_an_agreement(store: MemoryStore) -> None:
    do(store, lambda records: take_in(records, STAMP, an_order(records, None), received(5, 2)))

    assert state(store) == (5, 0, 1250)


def test_settling_keeps_what_was_received_for_the_agreed_revision(store: MemoryStore) -> None:
    def work(records: Records) -> None:
        order = an_order(records)
        take_in(records, STAMP, order, received(5, 2))
        quote = records.quotes.get(order.quote or 0)
        assert quote is not None
        settle(records, STAMP, quote)

    do(store, work)

    assert state(store) == (5, 2, 1250)
