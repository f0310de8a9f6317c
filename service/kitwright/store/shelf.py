"""Shelf: the holdings of the shelf, their moves and the reorder points, in SQLite."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from itertools import groupby
from typing import Any, Final

from kitwright.keeping.ledger import (
    Balance,
    Holding,
    Move,
    MoveKind,
    ReorderPoint,
    Share,
    Standing,
)
from kitwright.money import Money
from kitwright.store.rows import LARGEST, Session, moment
from kitwright.store.table import Numbered, Table

Problem = tuple[str, str]

_DRAWN: Final = frozenset({MoveKind.draw, MoveKind.return_})
_LAST: Final = "SELECT max(number) FROM moves AS m WHERE m.holding = holdings.number"


class ShelfTable:
    """The shelf, as `kitwright.keeping.ledger.Shelf` defines it."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._holdings = Numbered(session, "holdings", Holding)
        self._moves = Numbered(session, "moves", Move)
        self._points = Table(session, "reorder_points", ReorderPoint, key=("item",))

    def is_opened(self) -> bool:
        """Return whether the opening stock was recorded."""
        return self._session.row("SELECT 1 FROM shelf_opened") is not None

    def open(self, at: datetime) -> None:
        """Note that the opening stock was recorded."""
        self._session.insert("shelf_opened", {"place": 1, "at": moment(at)})

    def hold(self, holding: Holding) -> Holding:
        """Return the stored holding with the same members, added if there is none."""
        found = self._holdings.select(
            "WHERE item = ? AND quality = ? AND brand IS ? AND bin = ? AND owner = ?"
            " AND quote IS ? ORDER BY number LIMIT 1",
            holding.item,
            holding.quality.value,
            holding.brand,
            holding.bin,
            holding.owner.value,
            holding.quote,
        )
        return found[0] if found else self._holdings.add(holding)

    def _standing(self, condition: str, *values: object, until: str = "") -> tuple[Standing, ...]:
        """Return holdings and their state after the last move, or after the last `until` a day."""
        rows = self._session.rows(
            f"SELECT holdings.number, ({_LAST}{until}) AS newest FROM holdings"
            f" WHERE newest IS NOT NULL AND {condition} ORDER BY holdings.number",
            values,
        )
        return tuple((self._holding(row[0]), self._balance(row[1])) for row in tuple(rows))

    def _balance(self, move: int) -> Balance:
        """Return the balance after a move."""
        (found,) = self._moves.select("WHERE number = ?", move)
        return found.balance

    def _holding(self, number: int) -> Holding:
        (found,) = self._holdings.select("WHERE number = ?", number)
        return found

    def get(self, number: int) -> Standing | None:
        """Return a holding and its state, or None."""
        return next(iter(self._standing("holdings.number = ?", number)), None)

    def of_item(self, item: str) -> tuple[Standing, ...]:
        """Return the holdings of an item, in the order in which they were added."""
        return self._standing("item = ?", item)

    def items(self, before: int | None, most: int) -> tuple[tuple[int, str], ...]:
        """Return at most `most` items, each with the number of its first holding, newest first;
        only those below a number.
        """
        rows = self._session.rows(
            "SELECT min(number) AS first, item FROM holdings GROUP BY item HAVING first < ?"
            " ORDER BY first DESC LIMIT ?",
            (LARGEST if before is None else before, most),
        )
        return tuple((row[0], row[1]) for row in rows)

    def add(self, move: Move) -> Move:
        """Add a move; return it with its number."""
        return self._moves.add(move)

    def moves(self, item: str, before: int | None, most: int) -> tuple[Move, ...]:
        """Return the moves of an item, newest first."""
        return self._moves.select(
            "WHERE moves.holding IN (SELECT number FROM holdings WHERE item = ?)"
            " AND moves.number < ? ORDER BY moves.number DESC LIMIT ?",
            item,
            LARGEST if before is None else before,
            most,
        )

    def last(self) -> int:
        """Return the number of the newest move, 0 if there is none."""
        return self._session.value("SELECT max(number) FROM moves") or 0

    def moved(self, after: int) -> tuple[str, ...]:
        """Return the items with moves after one, sorted."""
        rows = self._session.rows(
            "SELECT DISTINCT item FROM moves JOIN holdings ON holdings.number = holding"
            " WHERE moves.number > ? ORDER BY item",
            (after,),
        )
        return tuple(row[0] for row in rows)

    def last_worth(self, holding: int) -> tuple[int, Money] | None:
        """Return the amount and worth of the last move that changed both, each above zero."""
        found = self._moves.select(
            "WHERE holding = ? AND stock <> 0 AND worth <> 0 ORDER BY number DESC LIMIT 1", holding
        )
        return next(((abs(move.stock), _size(move.worth)) for move in found), None)

    def shares(self, quote: int) -> tuple[Share, ...]:
        """Return what a quote has of the shelf, without shares that are nothing."""
        moves = self._moves.select("WHERE quote = ? ORDER BY holding, number", quote)
        shares = (
            self._share(list(of_one)) for _, of_one in groupby(moves, lambda move: move.holding)
        )
        return tuple(share for share in shares if share.reserved or share.drawn)

    def reserved(self, holding: int) -> tuple[Share, ...]:
        """Return the quotes for which some of a holding is reserved, the newest first."""
        by_quote: dict[int | None, list[Move]] = {}
        for move in self._moves.select("WHERE holding = ? ORDER BY number", holding):
            by_quote.setdefault(move.quote, []).append(move)
        promises = {
            quote: max((move.number for move in moves if move.promised > 0), default=0)
            for quote, moves in by_quote.items()
        }
        newest = sorted(promises, key=lambda quote: promises[quote], reverse=True)
        shares = (self._share(by_quote[quote]) for quote in newest)
        return tuple(share for share in shares if share.reserved > 0)

    def _share(self, moves: Sequence[Move]) -> Share:
        """Return what some moves of one holding for one quote come to."""
        first = moves[0]
        return Share(
            holding=self._holding(first.holding),
            quote=first.quote,
            reserved=sum(move.promised for move in moves),
            drawn=-sum(move.stock for move in moves if move.kind in _DRAWN),
        )

    def value_on(self, day: date) -> tuple[Standing, ...]:
        """Return the holdings as they stood at the end of a day."""
        return self._standing("1", day.isoformat(), until=" AND m.day <= ?")

    def points(self) -> tuple[ReorderPoint, ...]:
        """Return all reorder points, by item."""
        return self._points.select("ORDER BY item")

    def put_point(self, point: ReorderPoint) -> None:
        """Set the reorder point of an item."""
        self.drop_point(point.item)
        self._points.add(point)

    def drop_point(self, item: str) -> None:
        """Remove the reorder point of an item. Does nothing if there is none."""
        self._session.run("DELETE FROM reorder_points WHERE item = ?", (item,))


def _size(money: Money) -> Money:
    return -money if money.minor < 0 else money


def check_shelf(connection: Any) -> Iterator[Problem]:
    """Yield every error in the shelf's ledger. Raises: sqlite3.Error."""
    for holding, item, on_hand, reserved, value in connection.execute(
        "SELECT h.number, h.item, sum(m.stock), sum(m.promised), sum(m.worth)"
        " FROM holdings AS h JOIN moves AS m ON m.holding = h.number GROUP BY h.number"
        " HAVING (sum(m.stock), sum(m.promised), sum(m.worth)) IS NOT (SELECT on_hand, reserved,"
        " value FROM moves WHERE holding = h.number ORDER BY number DESC LIMIT 1)"
    ):
        found = f"its moves sum up to {on_hand}, {reserved} reserved, value {value}"
        yield "shelf-inconsistent", f"holding {holding} ({item}): {found}"
    for number, item in connection.execute(
        "SELECT m.number, h.item FROM moves AS m JOIN holdings AS h ON h.number = m.holding"
        " WHERE m.on_hand < 0 OR m.reserved < 0 OR m.reserved > m.on_hand"
    ):
        yield "shelf-inconsistent", f"move {number} of {item}: more is promised than is there"
    for quote, item, reserved in connection.execute(
        "SELECT m.quote, h.item, sum(m.promised) FROM moves AS m"
        " JOIN holdings AS h ON h.number = m.holding WHERE m.quote IS NOT NULL"
        " GROUP BY m.quote, m.holding HAVING sum(m.promised) < 0 OR (sum(m.promised) > 0 AND"
        " (SELECT agreed FROM quotes WHERE number = m.quote) IS NULL)"
    ):
        found = f"{reserved} of {item} reserved without an agreement"
        yield "shelf-inconsistent", f"quote {quote}: {found}"
