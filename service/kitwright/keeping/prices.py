"""Prices: what of an answer would be another price today, line by line.

Both answers are to one request. Only figures are compared: a line that is merely called something
else has not moved.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Protocol, TypeVar

import msgspec
from msgspec import Struct

from kitwright.errors import KitwrightError


class PriceMoved(KitwrightError):
    """A price of a draft that would be another one today."""

    code = "price-moved"

    def __init__(self, what: str, was: str | None, now: str | None) -> None:
        if was is None:
            told = f"is new: {now}"
        elif now is None:
            told = f"is there no more: was {was}"
        else:
            told = f"was {was}, is {now} today"
        super().__init__(f"{what} {told}")
        self.what = what
        self.was = was
        self.now = now


class PricesMoved(KitwrightError):
    """A draft whose prices are not today's; `faults` says what has moved."""

    code = "prices-moved"

    def __init__(self, revision: int, moved: Iterable[PriceMoved]) -> None:
        self.faults = tuple(moved)
        super().__init__(
            f"prices of revision {revision} are not today's any more ({len(self.faults)} "
            "differences): revise it, or say in `keep_prices` why they are kept"
        )
        self.revision = revision


class Keyed(Protocol):
    """A line, as far as it is told from others."""

    @property
    def kind(self) -> str:
        """What it shows."""

    @property
    def code(self) -> str:
        """What it is of."""

    @property
    def cylinder(self) -> int | None:
        """Where that is."""

    @property
    def labour_class(self) -> str | None:
        """Whose time it is."""


L = TypeVar("L", bound=Keyed)


def paired(was: Iterable[L], now: Iterable[L]) -> Iterator[tuple[L | None, L | None]]:
    """Yield each line with what it is now, None for what is not there: the old order first, then
    what is new.
    """
    old, new = _by_key(was), _by_key(now)
    for key in [*old, *(key for key in new if key not in old)]:
        yield old.get(key), new.get(key)


_Key = tuple[str, str, int | None, str | None, int]
"""Kind, code, cylinder and labour class of a line, and which of those alike it is."""


def _by_key(lines: Iterable[L]) -> dict[_Key, L]:
    met: Counter[tuple[str, str, int | None, str | None]] = Counter()
    keyed = {}
    for line in lines:
        alike = (line.kind, line.code, line.cylinder, line.labour_class)
        keyed[*alike, met[alike]] = line
        met[alike] += 1
    return keyed


class _Amount(Struct, frozen=True):
    amount: str
    currency: str

    def __str__(self) -> str:
        return f"{self.amount} {self.currency}"


class _Line(Struct, frozen=True):
    kind: str
    code: str
    cylinder: int | None
    labour_class: str | None
    description: str
    quantity: Decimal
    unit_price: Decimal
    base_quantity: Decimal
    amount: _Amount

    def __str__(self) -> str:
        of = "" if self.base_quantity == 1 else f" for {self.base_quantity}"
        return f"{self.amount} ({self.quantity} at {self.unit_price}{of})"


class _Totals(Struct, frozen=True):
    net: _Amount | None
    tax: _Amount | None
    gross: _Amount | None
    deposit: _Amount


class _Tax(Struct, frozen=True):
    component: str
    name: str
    rate: Decimal
    amount: _Amount


class _Extra(Struct, frozen=True):
    name: str
    cylinders: tuple[int, ...]
    price: _Amount


class _Job(Struct, frozen=True):
    name: str
    cylinder: int | None


class _InPlay(Struct, frozen=True):
    jobs: tuple[_Job, ...]
    price: _Amount


class _Contingency(Struct, frozen=True):
    name: str
    cylinder: int | None
    price: _Amount


class _Contingencies(Struct, frozen=True):
    each: tuple[_Contingency, ...]
    likely: _Amount
    worst: _Amount


class _Answer(Struct, frozen=True):
    """What is read of an answer: every price in it that its customer is told."""

    lines: tuple[_Line, ...]
    taxes: tuple[_Tax, ...]
    totals: _Totals
    extras: tuple[_Extra, ...]
    in_play: tuple[_InPlay, ...]
    contingencies: _Contingencies | None


def moved_prices(was: bytes, now: bytes) -> tuple[PriceMoved, ...]:
    """Return what differs between an answer and one to the same request today: lines first, then
    taxes, totals, and the prices of what may be added.
    """
    old = msgspec.json.decode(was, type=_Answer, strict=False)
    new = msgspec.json.decode(now, type=_Answer, strict=False)
    moved = [
        PriceMoved(_named(before or after), _text(before), _text(after))
        for before, after in paired(old.lines, new.lines)
        if _figures(before) != _figures(after)
    ]
    first, second = dict(_prices(old)), dict(_prices(new))
    names = [*first, *(name for name in second if name not in first)]
    moved += [
        PriceMoved(name, first.get(name), second.get(name))
        for name in names
        if first.get(name) != second.get(name)
    ]
    return tuple(moved)


def _named(line: _Line | None) -> str:
    # one of a pair is there
    return "" if line is None else f"{line.kind} {line.code} ({_on(line.description, line)})"


def _on(name: str, thing: _Line | _Contingency | _Job) -> str:
    return name if thing.cylinder is None else f"{name}, cylinder {thing.cylinder}"


def _text(line: _Line | None) -> str | None:
    return None if line is None else str(line)


def _figures(line: _Line | None) -> tuple[object, ...] | None:
    if line is None:
        return None
    return line.quantity, line.unit_price, line.base_quantity, line.amount


def _prices(answer: _Answer) -> Iterator[tuple[str, str]]:
    """Yield the name and the figures of every price that is no line."""
    for tax in answer.taxes:
        yield f"tax {tax.component} ({tax.name})", f"{tax.amount} ({tax.rate} %)"
    totals = answer.totals
    for name in ("net", "tax", "gross", "deposit"):
        found: _Amount | None = getattr(totals, name)
        yield f"total {name}", "not known" if found is None else str(found)
    for extra in answer.extras:
        where = ", ".join(map(str, extra.cylinders))
        yield f"extra ({extra.name}{f', cylinder {where}' if where else ''})", str(extra.price)
    for one in answer.in_play:
        yield f"repair in play ({'; '.join(_on(j.name, j) for j in one.jobs)})", str(one.price)
    if answer.contingencies is not None:
        for each in answer.contingencies.each:
            yield f"contingency ({_on(each.name, each)})", str(each.price)
        yield "total with all that is likely", str(answer.contingencies.likely)
        yield "total at the worst", str(answer.contingencies.worst)
