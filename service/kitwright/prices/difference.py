"""Difference: what a price file changes, compared with the prices of its supplier in force."""

from __future__ import annotations

import heapq
from array import array
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Final

from msgspec import Meta, Struct, structs
from sqlite_utils.utils import sqlite3  # type: ignore[attr-defined]

from kitwright.prices.amount import amount_text
from kitwright.prices.number import number_key
from kitwright.prices.record import SCALE, FileNumber

SHOWN: Final = 20
"""Examples of each kind of change."""
FAR: Final = 40
"""Changes of a price by more than this percentage are listed by themselves."""
_HUNDREDTHS: Final = 10_000
_QUANTILES: Final = (10, 25, 50, 75, 90, 99)
_LARGEST: Final = 2**62


Counted = Annotated[int, Meta(ge=0, le=1_000_000_000)]


class PriceChange(Struct, frozen=True, kw_only=True):
    """A number in a difference: the cost of one item before and now, as decimal numbers, None for
    none or on request; the percentage of the change; what supersedes it; its line in the file.
    """

    number: str
    description: str
    line: Counted | None = None
    before: str | None = None
    now: str | None = None
    percent: str | None = None
    list_price: str | None = None
    superseded_by: str | None = None


class PriceChanges(Struct, frozen=True, kw_only=True):
    """How many numbers changed in one way, with examples, the largest changes first."""

    count: Counted
    examples: tuple[PriceChange, ...]


class PriceMoves(PriceChanges, frozen=True, kw_only=True):
    """Prices that rose or fell: `quantiles` are percentages of the change, by the percentage of the
    numbers that changed by no more than that, up or down.
    """

    quantiles: dict[str, str]


class PriceDifference(Struct, frozen=True, kw_only=True):
    """What a price file changes.

    `against` is the file whose prices it was compared with, None for the catalogue's. `far` are
    prices that changed by more than 40 percent, `zero` costs of nothing, `above_list` costs above
    the list price, `on_request` numbers without a price, `vanished` numbers that the file no longer
    has, `superseded` numbers that are superseded since. `drafts` and `issued` are the quotes of
    which a figure would change; `reorder_points` are the items with a reorder point whose offers or
    prices change. `quotes_not_priced` counts older quotes that were not priced again: of these only
    those that order changed numbers from the supplier are listed, so that there may be more.
    """

    against: Counted | None
    numbers: Counted
    unchanged: Counted
    new: PriceChanges
    dearer: PriceMoves
    cheaper: PriceMoves
    far: PriceChanges
    zero: PriceChanges
    above_list: PriceChanges
    on_request: PriceChanges
    vanished: PriceChanges
    superseded: PriceChanges
    drafts: tuple[str, ...] = ()
    issued: tuple[str, ...] = ()
    quotes_not_priced: Counted = 0
    reorder_points: tuple[str, ...] = ()


class OldPrice(Struct, frozen=True, kw_only=True):
    """A price of the catalogue, for a supplier's first file: cost for a pack, in millionths.

    `item` is the number of the catalogue, `number` that of the supplier.
    """

    item: str
    number: str
    description: str
    cost: int
    pack: int


class OpenQuote(Struct, frozen=True, kw_only=True):
    """A quote that is a draft or issued, and the numbers of the supplier that it would order."""

    id: str
    is_issued: bool
    numbers: frozenset[str]


class _Tally:
    """Counts changes of one kind, and holds the largest."""

    def __init__(self) -> None:
        self.count = 0
        self._top: list[tuple[int, int, PriceChange]] = []
        self._given = array("q")

    def add(self, weight: int, change: PriceChange | None, given: int | None = None) -> None:
        """Count a change; `weight` orders the examples."""
        self.count += 1
        if given is not None:
            self._given.append(given)
        if change is not None:
            heapq.heappush(self._top, (weight, -self.count, change))
            if len(self._top) > SHOWN:
                heapq.heappop(self._top)

    def wants(self, weight: int) -> bool:
        """Return whether a change of a weight would be one of the examples."""
        return len(self._top) < SHOWN or weight > self._top[0][0]

    @property
    def examples(self) -> tuple[PriceChange, ...]:
        """The changes of the largest weight, the largest first."""
        return tuple(change for _, _, change in sorted(self._top, key=_order))

    def kind(self) -> PriceChanges:
        """Return what was counted."""
        return PriceChanges(count=self.count, examples=self.examples)

    def moved(self) -> PriceMoves:
        """Return what was counted, with the quantiles of the changes."""
        ordered = sorted(self._given, key=abs)
        quantiles = {
            str(share): _percent(ordered[max(0, -(-len(ordered) * share // 100) - 1)])
            for share in _QUANTILES
            if ordered
        }
        return PriceMoves(count=self.count, examples=self.examples, quantiles=quantiles)


def _order(item: tuple[int, int, PriceChange]) -> tuple[int, int]:
    return -item[0], -item[1]


class _Tallies:
    """Counts the rows of a book that are compared with earlier ones."""

    def __init__(self) -> None:
        self.new = _Tally()
        self.dearer = _Tally()
        self.cheaper = _Tally()
        self.far = _Tally()
        self.zero = _Tally()
        self.above_list = _Tally()
        self.on_request = _Tally()
        self.superseded = _Tally()
        self.numbers = 0
        self.unchanged = 0

    def add(self, row: tuple[Any, ...]) -> None:
        """Count a row of `_COMPARED`."""
        _, cost, pack, list_price, after, is_old, old_cost, old_pack, old_after = row[:9]
        self.numbers += 1
        if cost is None:
            if not after:
                self._add(self.on_request, 0, row)
        elif cost == 0:
            self._add(self.zero, 0, row)
        elif list_price and cost > list_price * pack:
            self._add(self.above_list, cost * _HUNDREDTHS // (list_price * pack), row)
        if not is_old:
            self._add(self.new, 0, row)
            return
        if after and not old_after:
            self._add(self.superseded, 0, row)
        if not old_cost or not cost:
            self.unchanged += old_cost == cost
            return
        now, before = cost * old_pack, old_cost * pack
        if now == before:
            self.unchanged += 1
            return
        change = (now - before) * _HUNDREDTHS // before
        moved = self.dearer if now > before else self.cheaper
        weight = min(_LARGEST, abs(change))
        self._add(moved, weight, row, change)
        if abs(now - before) * 100 > before * FAR:
            self._add(self.far, weight, row)

    def _add(
        self, tally: _Tally, weight: int, row: tuple[Any, ...], change: int | None = None
    ) -> None:
        shown = _change(row) if tally.wants(weight) else None
        tally.add(weight, shown, None if change is None else max(-_LARGEST, min(_LARGEST, change)))


_COMPARED: Final = (
    "SELECT entries.number, entries.cost, entries.pack, entries.list_price,"
    " entries.superseded_by, old.number IS NOT NULL, old.cost, old.pack, old.superseded_by,"
    " entries.line FROM main.entries AS entries LEFT JOIN before.entries AS old"
    " ON old.number = entries.number"
)
_VANISHED: Final = (
    "SELECT number, description, cost, pack FROM before.entries AS old WHERE NOT EXISTS"
    " (SELECT 1 FROM main.entries WHERE main.entries.number = old.number)"
)


def _change(row: tuple[Any, ...]) -> PriceChange:
    number, cost, pack, list_price, after, is_old, old_cost, old_pack, _, line = row
    percent = None
    if is_old and cost and old_cost:
        now, before = cost * old_pack, old_cost * pack
        percent = _percent((now - before) * _HUNDREDTHS // before)
    return PriceChange(
        number=number,
        description="",
        line=line,
        before=_one(old_cost, old_pack),
        now=_one(cost, pack),
        percent=percent,
        list_price=None if list_price is None else amount_text(list_price),
        superseded_by=after or None,
    )


def _one(cost: int | None, pack: int | None) -> str | None:
    """Return the cost of one item as a decimal number, rounded to a millionth."""
    return None if cost is None or not pack else amount_text((cost * 2 + pack) // (pack * 2))


def _percent(hundredths: int) -> str:
    sign = "-" if hundredths < 0 else ""
    return f"{sign}{abs(hundredths) // 100}.{abs(hundredths) % 100:02d}"


def find_difference(
    built: Path,
    before: Path | Iterable[OldPrice],
    *,
    against: FileNumber | None,
    quotes: Iterable[OpenQuote] = (),
) -> PriceDifference:
    """Return the difference of a book that was built to the book in force, or to prices of the
    catalogue.

    `quotes` are the shop's drafts and issued quotes.
    """
    connection = _joined(built, before)
    try:
        tallies = _Tallies()
        for row in connection.execute(_COMPARED):
            tallies.add(row)
        vanished = _Tally()
        for number, description, cost, pack in connection.execute(_VANISHED):
            shown = PriceChange(number=number, description=description, before=_one(cost, pack))
            vanished.add(0, shown if vanished.wants(0) else None)
        touched = [quote for quote in quotes if _is_touched(connection, quote)]
        return PriceDifference(
            against=against,
            numbers=tallies.numbers,
            unchanged=tallies.unchanged,
            new=_described(connection, tallies.new.kind()),
            dearer=_described(connection, tallies.dearer.moved()),
            cheaper=_described(connection, tallies.cheaper.moved()),
            far=_described(connection, tallies.far.kind()),
            zero=_described(connection, tallies.zero.kind()),
            above_list=_described(connection, tallies.above_list.kind()),
            on_request=_described(connection, tallies.on_request.kind()),
            vanished=vanished.kind(),
            superseded=_described(connection, tallies.superseded.kind()),
            drafts=tuple(quote.id for quote in touched if not quote.is_issued),
            issued=tuple(quote.id for quote in touched if quote.is_issued),
        )
    finally:
        connection.close()


def _joined(built: Path, before: Path | Iterable[OldPrice]) -> Any:
    """Return a connection to a book with the earlier prices attached as `before`."""
    connection = sqlite3.connect(_uri(built), uri=True, isolation_level=None)
    try:
        if isinstance(before, Path):
            connection.execute("ATTACH ? AS before", (_uri(before),))
            return connection
        connection.execute("ATTACH ':memory:' AS before")
        connection.execute(
            "CREATE TABLE before.entries (number TEXT PRIMARY KEY, description TEXT, cost INTEGER,"
            " pack INTEGER, superseded_by TEXT NOT NULL DEFAULT '') STRICT"
        )
        connection.executemany(
            "INSERT OR IGNORE INTO before.entries (number, description, cost, pack)"
            " VALUES (?, ?, ?, ?)",
            [(_number_in(connection, old), old.description, old.cost, old.pack) for old in before],
        )
    except BaseException:
        connection.close()
        raise
    return connection


def _number_in(connection: Any, old: OldPrice) -> str:
    """Return the number that the new book has for a price of the catalogue, else its own."""
    for key in (number_key(old.number), number_key(old.item)):
        found = connection.execute(
            "SELECT number FROM main.entries WHERE key = ?1 OR maker_key = ?1 LIMIT 1",
            (key,),
        ).fetchone()
        if found is not None:
            return str(found[0])
    return old.number


def _uri(file: Path) -> str:
    return f"{file.absolute().as_uri()}?mode=ro&immutable=1"


def _described(connection: Any, kind: Any) -> Any:
    """Return a kind of change with the descriptions of its examples."""
    examples = []
    for change in kind.examples:
        (text,) = connection.execute(
            "SELECT description FROM main.entries WHERE line = ?", (change.line,)
        ).fetchone()
        examples.append(structs.replace(change, description=text))
    return structs.replace(kind, examples=tuple(examples))


def _is_touched(connection: Any, quote: OpenQuote) -> bool:
    for number in quote.numbers:
        old = connection.execute(
            "SELECT cost, pack FROM before.entries WHERE number = ?", (number,)
        ).fetchone()
        now = connection.execute(
            "SELECT cost, pack, superseded_by FROM main.entries WHERE number = ?", (number,)
        ).fetchone()
        if now is None or now[2] or old is None or tuple(old) != tuple(now[:2]):
            return True
    return False


def millionths(cost: object) -> int:
    """Return a cost in millionths, rounded half up."""
    scaled = Fraction(str(cost)) * SCALE
    return (2 * scaled.numerator + scaled.denominator) // (2 * scaled.denominator)
