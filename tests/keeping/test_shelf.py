"""The shelf's moves: what each changes, what is refused, and what becomes of reservations."""

import asyncio
import random
from fractions import Fraction
from typing import Any

import pytest
from msgspec import structs
from tests.store.memory import MemoryStore
from tests.store.small import (
    DAY,
    STAMP,
    TODAY,
    USD,
    a_holding,
    a_quote,
    an_issued_revision,
)

from kitwright.keeping.ledger import UNIT, Balance, Move, MoveKind, Owner
from kitwright.keeping.record import KeptQuote, QuoteState, RevisionState
from kitwright.keeping.shelf import DRAWN_BEYOND, Entry, ShelfRefused, book
from kitwright.keeping.store import Records
from kitwright.money import Money


class Counter:
    """Somebody at a shelf of one holding."""

    def __init__(self) -> None:
        self.store = MemoryStore({})

    def do(self, work: Any) -> Any:
        return asyncio.run(self.store.write(work))

    def agreed(self) -> int:
        """Return the number of a new agreed quote."""

        def work(records: Records) -> int:
            quote = records.quotes.add(a_quote(state=QuoteState.accepted, agreed=1))
            number = quote.number
            records.revisions.add(an_issued_revision(number, 1, state=RevisionState.accepted))
            return number

        number: int = self.do(work)
        return number

    def book(self, kind: str, units: Fraction | int, **said: Any) -> tuple[Move, ...]:
        cost = said.pop("cost", None)
        holding = a_holding(owner=said.pop("owner", Owner.shop))
        entry = Entry(
            holding=holding,
            kind=MoveKind(kind),
            amount=int(units * UNIT),
            cost=None if cost is None else Fraction(cost),
            reason="because",
            who="Owner",
            **said,
        )
        moves: tuple[Move, ...] = self.do(lambda records: book(records, STAMP, entry, USD))
        return moves

    @property
    def now(self) -> Balance:
        ((_, balance),) = self.store.read(lambda records: records.shelf.of_item("G-1"))
        return balance

    def state(self) -> tuple[Fraction | int, Fraction | int, int]:
        now = self.now
        return Fraction(now.on_hand, UNIT), Fraction(now.reserved, UNIT), now.value.minor

    def quote(self, number: int) -> KeptQuote:
        found = self.store.read(lambda records: records.quotes.get(number))
        assert found is not None
        return found


@pytest.fixture
def counter() -> Counter:
    return Counter()


def test_receive_moves_the_average_cost(counter: Counter) -> None:
    counter.book("receive", 2, cost=300)
    counter.book("receive", 2, cost=500)
    assert counter.state() == (4, 0, 1600)

    counter.book("draw", 1)
    assert counter.state() == (3, 0, 1200)

    counter.book("receive", 1)
    assert counter.state() == (4, 0, 1600)


def test_draws_leave_the_rest_of_a_pack_and_all_of_the_cost(counter: Counter) -> None:
    counter.book("receive", 1, cost=1000)
    for _ in range(3):
        counter.book("draw", Fraction("0.3"))
    assert counter.state() == (Fraction("0.1"), 0, 100)

    counter.book("draw", Fraction("0.1"))
    assert counter.state() == (0, 0, 0)


def test_return_to_an_empty_shelf_is_worth_what_was_drawn(counter: Counter) -> None:
    counter.book("receive", 2, cost=301)
    counter.book("draw", 2)
    counter.book("return", 1)
    assert counter.state() == (1, 0, 301)


def test_move_states_its_reason_person_and_day(counter: Counter) -> None:
    (move,) = counter.book("receive", 1, cost=100)
    assert (move.reason, move.who, move.by, move.day) == ("because", "Owner", "k1", TODAY)
    (event,) = counter.store.read(lambda records: records.events.after(0, 9))
    assert (event.kind, event.subject) == ("shelf.moved", "shelf:G-1")
    assert event.facts == {"kind": "receive", "move": 1}


def test_reserve_never_exceeds_what_is_free(counter: Counter) -> None:
    first, second = counter.agreed(), counter.agreed()
    counter.book("receive", 1, cost=100)
    counter.book("reserve", 1, quote=first)
    with pytest.raises(ShelfRefused, match="only 0 is free"):
        counter.book("reserve", 1, quote=second)
    assert counter.state() == (1, 1, 100)


def test_reserve_needs_an_agreement(counter: Counter) -> None:
    counter.book("receive", 1, cost=100)
    quote = counter.do(lambda records: records.quotes.add(a_quote())).number
    with pytest.raises(ShelfRefused, match="no revision of the quote is agreed"):
        counter.book("reserve", 1, quote=quote)


def test_release_frees_only_what_is_reserved_for_the_quote(counter: Counter) -> None:
    first, second = counter.agreed(), counter.agreed()
    counter.book("receive", 2, cost=100)
    counter.book("reserve", 1, quote=first)
    counter.book("reserve", 1)
    with pytest.raises(ShelfRefused, match="only 0 is reserved for it"):
        counter.book("release", 1, quote=second)
    counter.book("release", 1, quote=first)
    counter.book("release", 1)
    assert counter.state() == (2, 0, 200)


def test_draw_uses_the_reservation_of_its_quote(counter: Counter) -> None:
    quote = counter.agreed()
    counter.book("receive", 3, cost=100)
    counter.book("reserve", 1, quote=quote)
    counter.book("draw", 2, quote=quote)
    assert counter.state() == (1, 0, 100)
    (share,) = counter.store.read(lambda records: records.shelf.shares(quote))
    assert (share.reserved, share.drawn) == (0, 2 * UNIT)


def test_draw_of_a_promised_piece_reopens_the_newest_promise(counter: Counter) -> None:
    first, second = counter.agreed(), counter.agreed()
    counter.book("receive", 2, cost=100)
    counter.book("reserve", 1, quote=first)
    counter.book("reserve", 1, quote=second)

    moves = counter.book("draw", 1)

    assert [move.kind for move in moves] == [MoveKind.release, MoveKind.draw]
    assert moves[0].quote == second
    assert counter.state() == (1, 1, 100)
    assert not counter.now.is_doubtful
    assert counter.quote(first).version == 1
    assert counter.quote(second).version == 2
    events = counter.store.read(lambda records: records.events.of_subject("quote:2"))
    assert [(one.kind, one.facts["item"], one.facts["quantity"]) for one in events] == [
        ("quote.short", "G-1", "1")
    ]


def test_draw_beyond_the_ledger_is_taken_and_flagged_until_counted(counter: Counter) -> None:
    quote = counter.agreed()
    counter.book("receive", 1, cost=100)
    counter.book("reserve", 1, quote=quote)

    moves = counter.book("draw", 3)

    assert [(move.kind, move.stock // UNIT, move.reason) for move in moves[:1]] == [
        (MoveKind.adjust, 2, DRAWN_BEYOND)
    ]
    assert [move.kind for move in moves[1:]] == [MoveKind.release, MoveKind.draw]
    assert counter.state() == (0, 0, 0)
    assert counter.now.is_doubtful

    counter.book("receive", 1, cost=100)
    counter.book("count", 4)
    assert [counter.now.is_doubtful, counter.state()] == [False, (4, 0, 400)]


def test_count_below_the_promises_reopens_the_newest(counter: Counter) -> None:
    quotes = [counter.agreed() for _ in range(3)]
    counter.book("receive", 5, cost=100)
    for quote in quotes:
        counter.book("reserve", 1, quote=quote)

    counter.book("count", 1)

    assert counter.state() == (1, 1, 100)
    assert [counter.quote(quote).version for quote in quotes] == [1, 2, 2]


def test_adjust_takes_no_more_than_is_there(counter: Counter) -> None:
    counter.book("receive", 2, cost=100)
    counter.book("adjust", -1)
    with pytest.raises(ShelfRefused, match="only 1 is on hand"):
        counter.book("adjust", -2)
    counter.book("adjust", 2, cost=400)
    assert counter.state() == (3, 0, 900)


def test_return_brings_back_no_more_than_was_drawn(counter: Counter) -> None:
    quote = counter.agreed()
    counter.book("receive", 2, cost=100)
    counter.book("draw", 1, quote=quote)
    with pytest.raises(ShelfRefused, match="only 1 was drawn for it"):
        counter.book("return", 2, quote=quote)
    counter.book("return", 1, quote=quote)
    assert counter.state() == (2, 0, 200)


@pytest.mark.parametrize("owner", [Owner.customer, Owner.core])
def test_parts_of_others_have_no_value_and_are_not_reserved(counter: Counter, owner: Owner) -> None:
    counter.book("receive", 2, cost=100, owner=owner)
    assert counter.state() == (2, 0, 0)
    with pytest.raises(ShelfRefused, match="only the shop's own stock"):
        counter.book("reserve", 1, owner=owner)
    counter.book("draw", 1, owner=owner)
    assert counter.state() == (1, 0, 0)


def test_value_of_a_past_day_stays(counter: Counter) -> None:
    counter.book("receive", 2, cost=100)
    later = structs.replace(STAMP, today=TODAY + DAY, at=STAMP.at + DAY)
    entry = Entry(holding=a_holding(), kind=MoveKind.draw, amount=UNIT, reason="sold")
    counter.do(lambda records: book(records, later, entry, USD))

    def value(day: Any) -> Money:
        ((_, balance),) = counter.store.read(lambda records: records.shelf.value_on(day))
        return balance.value

    assert value(TODAY) == Money(200, USD)
    assert value(TODAY + DAY) == Money(100, USD)


@pytest.mark.parametrize("seed", range(20))
def test_ledger_adds_up_after_any_moves(seed: int) -> None:
    luck, counter = random.Random(seed), Counter()
    quotes = [counter.agreed() for _ in range(3)]
    drawn = received = 0
    for _ in range(60):
        kind = luck.choice([*MoveKind])
        before = counter.now.on_hand if counter.store.read(lambda r: r.shelf.last()) else 0
        units = luck.choice([Fraction(1), Fraction(2), Fraction("0.4")])
        if kind is MoveKind.adjust:
            units *= luck.choice([1, -1])
        quote = luck.choice([*quotes, None])
        cost = luck.choice([None, 99, 250]) if kind is MoveKind.receive else None
        try:
            moves = counter.book(kind.value, units, quote=quote, cost=cost)
        except ShelfRefused:
            continue
        received += sum(one.worth.minor for one in moves if one.worth.minor > 0)
        drawn -= sum(one.worth.minor for one in moves if one.worth.minor < 0)
        now = counter.now
        assert 0 <= now.reserved <= now.on_hand
        assert now.on_hand - before == sum(move.stock for move in moves)
        shares = counter.store.read(lambda records: records.shelf.reserved(1))
        assert sum(share.reserved for share in shares) == now.reserved
        assert now.value.minor == received - drawn >= 0
        assert now.on_hand > 0 or now.value.minor == 0
