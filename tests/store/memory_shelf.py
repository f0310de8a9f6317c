"""The shelf of the store in memory: every answer is found by going through all moves."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, Protocol

from msgspec import structs

from kitwright.keeping.ledger import (
    Holding,
    Move,
    MoveKind,
    ReorderPoint,
    Share,
    Standing,
)
from kitwright.keeping.store import RecordConflict
from kitwright.money import Money


class Tables(Protocol):
    def of(self, name: str) -> dict[Any, Any]: ...

    def change(self, name: str) -> dict[Any, Any]: ...

    def add(self, name: str, key: Any, record: Any) -> None: ...

    def need(self, name: str, key: Any) -> None: ...

    def number(self, name: str, record: Any) -> Any: ...


class MemoryShelf:
    def __init__(self, state: Tables) -> None:
        self._state = state

    def is_opened(self) -> bool:
        return bool(self._state.of("shelf opened"))

    def open(self, at: datetime) -> None:
        self._state.add("shelf opened", 1, at)

    def _holdings(self) -> list[Holding]:
        return list(self._state.of("holdings").values())

    def _all(self) -> list[Move]:
        return list(self._state.of("moves").values())

    def hold(self, holding: Holding) -> Holding:
        for one in self._holdings():
            if structs.replace(one, number=holding.number) == holding:
                return one
        self._state.need("quotes", holding.quote)
        kept: Holding = self._state.number("holdings", holding)
        return kept

    def _standing(
        self, holdings: Iterable[Holding], until: date = date.max
    ) -> tuple[Standing, ...]:
        last = {move.holding: move.balance for move in self._all() if move.day <= until}
        return tuple((one, last[one.number]) for one in holdings if one.number in last)

    def get(self, number: int) -> Standing | None:
        found = self._standing(one for one in self._holdings() if one.number == number)
        return found[0] if found else None

    def of_item(self, item: str) -> tuple[Standing, ...]:
        return self._standing(one for one in self._holdings() if one.item == item)

    def items(self, before: int | None, most: int) -> tuple[tuple[int, str], ...]:
        first: dict[str, int] = {}
        for one in self._holdings():
            first.setdefault(one.item, one.number)
        found = sorted(((number, item) for item, number in first.items()), reverse=True)
        return tuple(one for one in found if before is None or one[0] < before)[:most]

    def add(self, move: Move) -> Move:
        self._state.need("holdings", move.holding)
        self._state.need("quotes", move.quote)
        found = self.get(move.holding)
        before = (0, 0, 0)
        if found is not None:
            before = (found[1].on_hand, found[1].reserved, found[1].value.minor)
        after = (
            move.on_hand - move.stock,
            move.reserved - move.promised,
            move.value.minor - move.worth.minor,
        )
        if before != after or not 0 <= move.reserved <= move.on_hand:
            raise RecordConflict("a move follows from the balance before it")
        kept: Move = self._state.number("moves", move)
        return kept

    def moves(self, item: str, before: int | None, most: int) -> tuple[Move, ...]:
        numbers = {one.number for one in self._holdings() if one.item == item}
        found = [
            move
            for move in reversed(self._all())
            if move.holding in numbers and (before is None or move.number < before)
        ]
        return tuple(found[:most])

    def last(self) -> int:
        return max(self._state.of("moves"), default=0)

    def moved(self, after: int) -> tuple[str, ...]:
        holdings = self._state.of("holdings")
        found = {holdings[move.holding].item for move in self._all() if move.number > after}
        return tuple(sorted(found))

    def last_worth(self, holding: int) -> tuple[int, Money] | None:
        for move in reversed(self._all()):
            if move.holding == holding and move.stock and move.worth.minor:
                return abs(move.stock), Money(abs(move.worth.minor), move.worth.currency)
        return None

    def _share(self, moves: Iterable[Move], holding: int, quote: int | None) -> Share:
        mine = [move for move in moves if (move.holding, move.quote) == (holding, quote)]
        used = (MoveKind.draw, MoveKind.return_)
        return Share(
            holding=self._state.of("holdings")[holding],
            quote=quote,
            reserved=sum(move.promised for move in mine),
            drawn=-sum(move.stock for move in mine if move.kind in used),
        )

    def shares(self, quote: int) -> tuple[Share, ...]:
        moves = self._all()
        holdings = sorted({move.holding for move in moves if move.quote == quote})
        found = (self._share(moves, holding, quote) for holding in holdings)
        return tuple(one for one in found if one.reserved or one.drawn)

    def reserved(self, holding: int) -> tuple[Share, ...]:
        moves = self._all()
        newest: dict[int | None, int] = {}
        for move in moves:
            if move.holding == holding and move.promised > 0:
                newest[move.quote] = move.number
        quotes = sorted(newest, key=lambda quote: -newest[quote])
        found = (self._share(moves, holding, quote) for quote in quotes)
        return tuple(one for one in found if one.reserved > 0)

    def value_on(self, day: date) -> tuple[Standing, ...]:
        return self._standing(self._holdings(), day)

    def points(self) -> tuple[ReorderPoint, ...]:
        return tuple(point for _, point in sorted(self._state.of("points").items()))

    def put_point(self, point: ReorderPoint) -> None:
        self._state.change("points")[point.item] = point

    def drop_point(self, item: str) -> None:
        self._state.change("points").pop(item, None)
