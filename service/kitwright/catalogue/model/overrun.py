"""Overrun presets: how far a bill may exceed the authorised total before the customer is asked."""

from __future__ import annotations

from datetime import date
from enum import StrEnum

from kitwright.catalogue.model.words import (
    OverrunId,
    Record,
)
from kitwright.units import Figure


class Allows(StrEnum):
    """The amount that a preset allows above the authorised total without asking.

    Nothing, its fixed amount, its percentage of that total, or the greater of the two.
    """

    nothing = "nothing"
    fixed = "fixed"
    percent = "percent"
    greater = "greater"


class ConsentFact(StrEnum):
    """A fact that the record of a customer's consent must hold.

    `name` is the person who consented, `number` the telephone number that was called.
    `added_parts`, `labour` and `cost` are what was consented to.
    """

    date = "date"
    time = "time"
    # An enumeration reserves `name`.
    who = "name"
    number = "number"
    added_parts = "added_parts"
    labour = "labour"
    cost = "cost"


class HowRead(StrEnum):
    """How a source was read: itself, in an excerpt, through another source that reports it, or in
    an archive.
    """

    read = "read"
    excerpt = "excerpt"
    secondary = "secondary"
    archived = "archived"


class OverrunPreset(Record, frozen=True, kw_only=True):
    """A published rule on overruns for a shop's owner to choose. Local law takes precedence.

    It limits the amount charged over the authorised total without asking again: nothing, a fixed
    amount, a percentage of that total, or the greater of the two, and never more than `at_most`. It
    applies to totals over `over_total`, or to all; up to that total, no overrun is allowed. Each
    limit is for one job's total. `record` lists the details that a record of consent must contain;
    it is empty if the source, as far as it was read, does not say. `read` says how thoroughly the
    source was read, `as_of` when.
    """

    id: OverrunId
    name: str
    note: str
    applies_to: str
    allows: Allows
    currency: str | None = None
    """Of the amounts; a preset without amounts has none and suits any shop."""
    fixed: Figure | None = None
    percent: Figure | None = None
    at_most: Figure | None = None
    over_total: Figure | None = None
    record: tuple[ConsentFact, ...] = ()
    source: str
    read: HowRead
    as_of: date
