"""Change: what was found once the work was agreed, and how it changes what was agreed."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from msgspec import Meta, Struct

from kitwright.quote.base import Amount, Count, DecimalText, JobOn, OnCylinder


class Measured(Struct, frozen=True, kw_only=True):
    """A value that was measured, in the words of whoever measured it."""

    what: str
    value: DecimalText
    unit: str


class Find(Struct, frozen=True, kw_only=True):
    """Something that was found: `what`, and `why` it calls for more work.

    `step` is the step of the work plan at which it was found, null if none is named. `contingency`
    (on `cylinder`) is the one of the agreed quote that was found, with its `name`, or null.
    `photographs` are ids of photos of the quote, which its customer sees by the link; `by` is who
    found it.
    """

    step: str | None
    contingency: str | None
    name: str | None
    cylinder: OnCylinder | None
    what: str
    why: str
    readings: tuple[Measured, ...]
    photographs: tuple[str, ...]
    by: str


class Change(Struct, frozen=True, kw_only=True):
    """A change of what was agreed: everything found since, and the difference that it makes.

    `was` is the total of the revision `agreed`, with what was added to it; `now` is the new total:
    was + difference = now. Of the difference, `by_prices` comes from prices that moved since, and
    not from what was found; it is null if that is not known. `limit` is the highest bill if the
    customer accepts without naming another one. All amounts include tax. `more` are the jobs that
    were not agreed before. `was_ready_on` is the day told with what is agreed, and `ready_on` the
    new one; each is null if it is not known.
    """

    agreed: Annotated[Count, Meta(description="The revision that is agreed.")]
    finds: tuple[Find, ...]
    was: Amount
    difference: Amount
    by_prices: Amount | None
    now: Amount
    limit: Amount
    more: tuple[JobOn, ...] = ()
    was_ready_on: date | None = None
    ready_on: date | None = None
