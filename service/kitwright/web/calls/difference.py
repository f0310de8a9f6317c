"""Difference: compares a stored revision with a new quote for the same request, line by line."""

from __future__ import annotations

from datetime import date

import msgspec

from kitwright.keeping.prices import paired
from kitwright.keeping.record import Revision
from kitwright.quote import Amount, Count, DecimalText, Line, OnCylinder, Quote, read_quote
from kitwright.web.calls.ids import RevisionNumber
from kitwright.web.calls.shown import Out


class LineChangeOut(Out, frozen=True, kw_only=True):
    """A line that differs: `was`, null if the line is new, and `now`, null if it is gone."""

    kind: str
    code: str
    cylinder: OnCylinder | None
    was: LineFiguresOut | None
    now: LineFiguresOut | None


class LineFiguresOut(Out, frozen=True, kw_only=True):
    """The quantity, unit price and amount of a line."""

    description: str
    quantity: DecimalText
    unit: str
    unit_price: DecimalText
    amount: Amount


class TotalChangeOut(Out, frozen=True, kw_only=True):
    """A total: what it was, and what it would be now; null if the tax is not known."""

    was: Amount | None
    now: Amount | None


class DifferenceOut(Out, frozen=True, kw_only=True):
    """A revision compared with a new quote of a day by today's catalogue. The revision does not
    change.

    `same` counts the lines without any difference.
    """

    revision: RevisionNumber
    was_on: date
    now_on: date
    was_catalogue_revision: str
    now_catalogue_revision: str
    same: Count
    lines: tuple[LineChangeOut, ...]
    net: TotalChangeOut
    tax: TotalChangeOut
    gross: TotalChangeOut


def difference(revision: Revision, new: Quote) -> DifferenceOut:
    """Return the differences between a revision and a new quote for the same request."""
    old = read_quote(revision.answer)
    pairs = list(paired(old.lines, new.lines))
    changes = []
    for before, after in pairs:
        figures, others = _figures(before), _figures(after)
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


def _figures(line: Line | None) -> LineFiguresOut | None:
    return msgspec.convert(line, LineFiguresOut | None, from_attributes=True)
