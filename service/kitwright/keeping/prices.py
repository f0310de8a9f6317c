"""Prices: what of an answer would be another price today, line by line.

Both answers are to one request. Only figures are compared: a line that is merely called something
else has not moved.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from decimal import Decimal

from kitwright.errors import KitwrightError
from kitwright.quote import Amount, Contingency, JobOn, Line, Quote


class PriceMoved(KitwrightError):
    """A price of a draft that would be another one today."""

    code = "price-moved"

    def __init__(self, what: str, was: str | None, now: str | None) -> None:
        if was is None:
            told = f"is new: {now}"
        elif now is None:
            told = f"is no longer in the quote: was {was}"
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
            f"the prices of revision {revision} are no longer today's (differences: "
            f"{len(self.faults)}): revise the quote, or give the reason for keeping them in "
            "`keep_prices`"
        )
        self.revision = revision


def paired(was: Iterable[Line], now: Iterable[Line]) -> Iterator[tuple[Line | None, Line | None]]:
    """Yield each line with what it is now, None for what is not there: the old order first, then
    what is new.
    """
    old, new = _by_key(was), _by_key(now)
    for key in [*old, *(key for key in new if key not in old)]:
        yield old.get(key), new.get(key)


_Key = tuple[str, str, int | None, str | None, int]
"""Kind, code, cylinder and labour class of a line, and which of those alike it is."""


def _by_key(lines: Iterable[Line]) -> dict[_Key, Line]:
    met: Counter[tuple[str, str, int | None, str | None]] = Counter()
    keyed = {}
    for line in lines:
        alike = (line.kind, line.code, line.cylinder, line.labour_class)
        keyed[*alike, met[alike]] = line
        met[alike] += 1
    return keyed


def moved_prices(was: Quote, now: Quote) -> tuple[PriceMoved, ...]:
    """Return what differs between a quote and one for the same request today: lines first, then
    taxes, totals, and the prices of what may be added.
    """
    moved = [
        PriceMoved(_named(before or after), _text(before), _text(after))
        for before, after in paired(was.lines, now.lines)
        if _figures(before) != _figures(after)
    ]
    first, second = dict(_prices(was)), dict(_prices(now))
    names = [*first, *(name for name in second if name not in first)]
    moved += [
        PriceMoved(name, first.get(name), second.get(name))
        for name in names
        if first.get(name) != second.get(name)
    ]
    return tuple(moved)


def _named(line: Line | None) -> str:
    # one of a pair is there
    return "" if line is None else f"{line.kind} {line.code} ({_on(line.description, line)})"


def _on(name: str, thing: Line | Contingency | JobOn) -> str:
    return name if thing.cylinder is None else f"{name}, cylinder {thing.cylinder}"


def _money(amount: Amount) -> str:
    return f"{amount.amount} {amount.currency}"


def _text(line: Line | None) -> str | None:
    if line is None:
        return None
    of = "" if line.base_quantity == "1" else f" for {line.base_quantity}"
    return f"{_money(line.amount)} ({line.quantity} at {line.unit_price}{of})"


def _figures(line: Line | None) -> tuple[object, ...] | None:
    if line is None:
        return None
    figures = (line.quantity, line.unit_price, line.base_quantity)
    # a price may be written with more digits than before
    return *map(Decimal, figures), line.amount


def _prices(quote: Quote) -> Iterator[tuple[str, str]]:
    """Yield the name and the figures of every price that is no line."""
    for tax in quote.taxes:
        yield f"tax {tax.component} ({tax.name})", f"{_money(tax.amount)} ({tax.rate}%)"
    totals = quote.totals
    for name in ("net", "tax", "gross", "deposit"):
        found: Amount | None = getattr(totals, name)
        yield f"total {name}", "not known" if found is None else _money(found)
    for extra in quote.extras:
        where = ", ".join(map(str, extra.cylinders))
        on = f", cylinder {where}" if where else ""
        yield f"extra ({extra.name}{on})", _money(extra.price)
    for one in quote.in_play:
        jobs = "; ".join(_on(job.name, job) for job in one.jobs)
        yield f"repair still possible ({jobs})", _money(one.price)
    for each in quote.may_turn_up:
        yield f"contingency ({_on(each.name, each)})", _money(each.price)
    if quote.contingencies is not None:
        yield "total with all items that could well be found", _money(quote.contingencies.likely)
        yield "dearest combination of the items listed", _money(quote.contingencies.worst)
    if quote.range is not None:
        yield "total in 8 of 10 such repairs", _money(quote.range.p80)
        yield "total in 9 of 10 such repairs", _money(quote.range.p90)
