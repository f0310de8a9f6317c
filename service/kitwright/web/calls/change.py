"""Change: what was found, as the request of a revision has it, and as the revision tells it."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from kitwright.catalogue.model import SERIAL_MAX, OverrunPreset
from kitwright.keeping.overrun import allowance
from kitwright.money import Money
from kitwright.quote import Change, Find, Measured, Quote, amount_of, known
from kitwright.units import read_figure
from kitwright.web.calls.ids import PhotoId
from kitwright.web.calls.wire import MOST_JOBS, Jobs
from kitwright.web.edge.shapes import Cylinder, DecimalIn, Id, Text, Wire

MOST_FINDS = 50
"""How many finds one change may have."""


class MeasuredIn(Wire, frozen=True, kw_only=True):
    """A value that was measured, such as the diameter of a journal, in its unit."""

    what: Text
    value: DecimalIn
    unit: Text


class FindIn(Wire, frozen=True, kw_only=True):
    """Something that was found; see `Find`. `jobs` are those that it calls for."""

    step: Text | None = None
    contingency: Id | None = None
    name: Text | None = None
    cylinder: Cylinder | None = None
    what: Text
    why: Text
    jobs: Annotated[Jobs, Meta(max_length=MOST_JOBS)] = ()
    readings: Annotated[tuple[MeasuredIn, ...], Meta(max_length=50)] = ()
    photographs: Annotated[tuple[PhotoId, ...], Meta(max_length=20)] = ()
    by: Text


class ChangeIn(Wire, frozen=True, kw_only=True):
    """What was found since a revision was agreed: that revision, its total with what was added to
    it, and how much of the difference comes from prices that moved; both include tax.
    """

    agreed: Annotated[int, Meta(ge=1, le=SERIAL_MAX)]
    was: DecimalIn
    by_prices: DecimalIn
    finds: Annotated[tuple[FindIn, ...], Meta(min_length=1, max_length=MOST_FINDS)]


def tell_change(asked: ChangeIn, quote: Quote, preset: OverrunPreset | None) -> Change | None:
    """Return the change that a revision makes, None if its tax is not known: it can't be agreed.

    Args:
        quote: the revision.
        preset: how far a bill may exceed what is agreed.
    """
    if quote.totals.gross is None:
        return None
    now = known(quote.totals.gross)

    def money(figure: str) -> Money:
        return Money.of(read_figure(figure), now.currency)

    was = money(asked.was)
    return Change(
        agreed=asked.agreed,
        finds=tuple(map(_find, asked.finds)),
        was=amount_of(was),
        difference=amount_of(now - was),
        by_prices=amount_of(money(asked.by_prices)),
        now=amount_of(now),
        limit=amount_of(now + allowance(preset, now)),
    )


def _find(one: FindIn) -> Find:
    return Find(
        step=one.step,
        contingency=one.contingency,
        name=one.name,
        cylinder=one.cylinder,
        what=one.what,
        why=one.why,
        readings=tuple(
            Measured(what=each.what, value=each.value, unit=each.unit) for each in one.readings
        ),
        photographs=one.photographs,
        by=one.by,
    )
