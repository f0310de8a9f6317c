"""Difference: a kept revision beside what the same request comes to now, line by line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import msgspec

from kitwright.keeping.record import Revision
from kitwright.web.kept.quote_wire import (
    DifferenceOut,
    LineChangeOut,
    LineFiguresOut,
    TotalChangeOut,
)
from kitwright.web.out import LineOut
from kitwright.web.quotes import QuoteOut

_Key = tuple[str, str, int | None, str | None, int]
"""Kind, code, cylinder and labour class of a line, and which of those alike it is."""


def difference(revision: Revision, now: bytes) -> DifferenceOut:
    """Return what differs between a revision and an answer to the same request."""
    old = msgspec.json.decode(revision.answer, type=QuoteOut)
    new = msgspec.json.decode(now, type=QuoteOut)
    was, would = _by_key(old.lines), _by_key(new.lines)
    # the old order first, then what is new
    keys = [*was, *(key for key in would if key not in was)]
    changes = []
    for key in keys:
        before, after = was.get(key), would.get(key)
        figures = None if before is None else _figures(before)
        others = None if after is None else _figures(after)
        if figures != others:
            changes.append(
                LineChangeOut(kind=key[0], code=key[1], cylinder=key[2], was=figures, now=others)
            )
    return DifferenceOut(
        revision=revision.number,
        was_on=old.on,
        now_on=new.on,
        was_catalogue_revision=old.catalogue_revision,
        now_catalogue_revision=new.catalogue_revision,
        same=len(keys) - len(changes),
        lines=tuple(changes),
        net=TotalChangeOut(was=old.totals.net, now=new.totals.net),
        tax=TotalChangeOut(was=old.totals.tax, now=new.totals.tax),
        gross=TotalChangeOut(was=old.totals.gross, now=new.totals.gross),
    )


def _by_key(lines: Iterable[LineOut]) -> dict[_Key, LineOut]:
    met: Counter[tuple[str, str, int | None, str | None]] = Counter()
    keyed = {}
    for line in lines:
        alike = (line.kind, line.code, line.cylinder, line.labour_class)
        keyed[*alike, met[alike]] = line
        met[alike] += 1
    return keyed


def _figures(line: LineOut) -> LineFiguresOut:
    return LineFiguresOut(
        description=line.description,
        quantity=line.quantity,
        unit=line.unit,
        unit_price=line.unit_price,
        amount=line.amount,
    )
