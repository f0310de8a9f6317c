"""Difference: a kept revision beside what the same request comes to now, line by line."""

from __future__ import annotations

from kitwright.keeping.prices import paired
from kitwright.keeping.record import Revision
from kitwright.quote import Line, Quote, read_quote
from kitwright.web.calls.quote_wire import (
    DifferenceOut,
    LineChangeOut,
    LineFiguresOut,
    TotalChangeOut,
)


def difference(revision: Revision, new: Quote) -> DifferenceOut:
    """Return what differs between a revision and a new quote for the same request."""
    old = read_quote(revision.answer)
    pairs = list(paired(old.lines, new.lines))
    changes = []
    for before, after in pairs:
        figures = None if before is None else _figures(before)
        others = None if after is None else _figures(after)
        line = before or after
        if line is not None and figures != others:
            changes.append(
                LineChangeOut(
                    kind=line.kind,
                    code=line.code,
                    cylinder=line.cylinder,
                    was=figures,
                    now=others,
                )
            )
    return DifferenceOut(
        revision=revision.number,
        was_on=old.on,
        now_on=new.on,
        was_catalogue_revision=old.catalogue_revision,
        now_catalogue_revision=new.catalogue_revision,
        same=len(pairs) - len(changes),
        lines=tuple(changes),
        net=TotalChangeOut(was=old.totals.net, now=new.totals.net),
        tax=TotalChangeOut(was=old.totals.tax, now=new.totals.tax),
        gross=TotalChangeOut(was=old.totals.gross, now=new.totals.gross),
    )


def _figures(line: Line) -> LineFiguresOut:
    return LineFiguresOut(
        description=line.description,
        quantity=line.quantity,
        unit=line.unit,
        unit_price=line.unit_price,
        amount=line.amount,
    )
