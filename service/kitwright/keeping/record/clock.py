"""Records of the phases of a visit that are clocked."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.keeping.record.hand import Hand


class Phase(StrEnum):
    """A group of steps of the work plan: what comes off, the work itself, what goes back on, checks
    and tests, and the handing over.
    """

    teardown = "teardown"
    work = "work"
    refit = "refit"
    test = "test"
    hand_over = "hand_over"


class ClockKind(StrEnum):
    """What an entry of a quote's clock says."""

    started = "started"
    stopped = "stopped"
    minutes = "minutes"
    corrected = "corrected"
    ticked = "ticked"
    unticked = "unticked"


class ClockEntry(Struct, frozen=True, kw_only=True):
    """What a mechanic did on a quote, or how that is corrected; it never changes.

    `day` is the shop's day that it counts for, `who` the mechanic, or whoever corrects. `moment` is
    when a clock was started or stopped, in whole minutes. `about` is the number of the entry that
    it stops or corrects. `minutes` are those of a sum, or the right ones of what is corrected.
    `reason` is why it is corrected, or what was seen at a step that is ticked.
    """

    quote: int
    number: int
    kind: ClockKind
    at: datetime
    day: date
    who: str
    hand: Hand
    by: str
    phase: Phase | None = None
    step: str | None = None
    moment: datetime | None = None
    about: int | None = None
    minutes: int | None = None
    reason: str | None = None
