"""Change: what was found, as the request of a revision has it, and as the revision tells it."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from msgspec import Meta, Struct, structs

from kitwright.catalogue.model import SERIAL_MAX, OverrunPreset
from kitwright.keeping.overrun import usual_limit
from kitwright.money import Money
from kitwright.quote import Change, Find, JobOn, Measured, Quote, amount_of, known
from kitwright.units import read_figure
from kitwright.web.calls.ids import PhotoId
from kitwright.web.calls.wire import MOST_JOBS, JobIn, Jobs
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
    it, and how much of the difference comes from prices that moved; both include tax. `limit` is
    the limit of the customer's yes, with tax. `ready_on` is the day that was told with it, `jobs`
    are its jobs.
    """

    agreed: Annotated[int, Meta(ge=1, le=SERIAL_MAX)]
    was: DecimalIn
    by_prices: DecimalIn
    limit: DecimalIn | None = None
    ready_on: date | None = None
    jobs: Annotated[Jobs, Meta(max_length=1_000)] = ()
    finds: Annotated[tuple[FindIn, ...], Meta(min_length=1, max_length=MOST_FINDS)]


class Agreed(Struct, frozen=True, kw_only=True):
    """What is agreed when a change is made: the revision, its total with what was added to it and
    with tax, the amount and the limit of the yes (None if these are without tax), its jobs, and the
    day that was told with it.
    """

    revision: int
    total: Money
    yes: tuple[Money, Money] | None
    jobs: frozenset[tuple[str, int | None]]
    ready_on: date | None


def jobs_of(quote: Quote) -> Jobs:
    """Return the jobs of a quote as a request names them."""
    return tuple(JobIn(job=job.job, cylinder=job.cylinder) for job in quote.jobs)


def tell_change(asked: ChangeIn, quote: Quote, preset: OverrunPreset | None) -> Change | None:
    """Return the change that a revision makes by what was found, None if its tax is not known: it
    can't be agreed.

    Args:
        quote: the revision.
        preset: how far a bill may exceed what is agreed.
    """
    if quote.totals.gross is None:
        return None

    def money(figure: str) -> Money:
        return Money.of(read_figure(figure), quote.shop.currency)

    agreed = Agreed(
        revision=asked.agreed,
        total=money(asked.was),
        yes=None if asked.limit is None else (money(asked.was), money(asked.limit)),
        jobs=frozenset((job.job, job.cylinder) for job in asked.jobs),
        ready_on=asked.ready_on,
    )
    told = change_to(quote, agreed, preset)
    moved = amount_of(money(asked.by_prices))
    return structs.replace(told, finds=tuple(map(_find, asked.finds)), by_prices=moved)


def change_to(quote: Quote, agreed: Agreed, preset: OverrunPreset | None) -> Change:
    """Return the change that a revision makes to what is agreed. Its tax is known."""
    now = known(quote.totals.gross)
    return Change(
        agreed=agreed.revision,
        finds=(),
        was=amount_of(agreed.total),
        difference=amount_of(now - agreed.total),
        by_prices=None,
        now=amount_of(now),
        limit=amount_of(usual_limit(preset, now, agreed.yes)),
        more=tuple(
            JobOn(job=job.job, name=job.name, cylinder=job.cylinder)
            for job in quote.jobs
            if (job.job, job.cylinder) not in agreed.jobs
        ),
        was_ready_on=agreed.ready_on,
        ready_on=quote.ready_on,
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
