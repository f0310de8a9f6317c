"""Overrun presets: by how much a bill may pass what was authorised before the customer is asked."""

from __future__ import annotations

from datetime import date
from enum import StrEnum

from kitwright.catalogue.model.words import (
    OverrunId,
    Record,
)
from kitwright.units import Figure


class Allows(StrEnum):
    """What a preset allows over the authorised total without asking.

    Nothing, its fixed amount, its percentage of that total, or the greater of the two.
    """

    nothing = "nothing"
    fixed = "fixed"
    percent = "percent"
    greater = "greater"


class ConsentFact(StrEnum):
    """What the record of a customer's consent must hold.

    `name` is who consented, `number` the telephone number that was called; `added_parts`,
    `labour` and `cost` are what was consented to.
    """

    date = "date"
    time = "time"
    # An enumeration keeps `name` for itself.
    who = "name"
    number = "number"
    added_parts = "added_parts"
    labour = "labour"
    cost = "cost"


class HowRead(StrEnum):
    """How well a source was read: itself, in an excerpt, through somebody who tells of it, or as
    an archive keeps it.
    """

    read = "read"
    excerpt = "excerpt"
    secondary = "secondary"
    archived = "archived"


class OverrunPreset(Record, frozen=True, kw_only=True):
    """A published rule on overruns, for a shop's owner to choose. Local law decides.

    `fixed`, `at_most` and `over_total` are in `currency`, per job's total; a preset without them
    has no currency and suits any shop. `percent` is of the authorised total. The rule holds for
    totals above `over_total` (None: for all) and allows `at_most` at most. `record` is empty
    where the source, as far as it was read, does not say. `as_of` is the day it was looked up.
    """

    id: OverrunId
    name: str
    note: str
    applies_to: str
    allows: Allows
    currency: str | None = None
    fixed: Figure | None = None
    percent: Figure | None = None
    at_most: Figure | None = None
    over_total: Figure | None = None
    record: tuple[ConsentFact, ...] = ()
    source: str
    read: HowRead
    as_of: date
