"""Slip: what a customer was not told yet of parts that come later than planned.

It follows from the quote's events: it begins with the first one that tells of a later day, and ends
with a letter to the customer. So no slip is told twice.
"""

from __future__ import annotations

from datetime import date
from typing import Final

from msgspec import Struct

from kitwright.keeping.acts import AT_WORK, ActRefused
from kitwright.keeping.event import Facts, note_event
from kitwright.keeping.record import KeptQuote, QuoteState, Stamp
from kitwright.keeping.store import Records

SLIPPED: Final = "quote.slipped"
TOLD: Final = "quote.slip_told"
_WAITS = AT_WORK | {QuoteState.accepted}


class Slip(Struct, frozen=True, kw_only=True):
    """Parts that come later: the day by which all were to be there, as the customer knows it, and
    the day of now; None for a day that is not known. `orders` are those whose supplier is late.
    """

    was: date | None
    now: date | None
    orders: tuple[str, ...]


class NothingSlipped(ActRefused):
    """A quote of whose parts there is nothing new to tell its customer."""

    code = "nothing-slipped"

    def __init__(self, *, is_told: bool) -> None:
        why = (
            "the customer was told of it, and nothing has slipped since"
            if is_told
            else "no part of it comes later than planned"
        )
        super().__init__(f"there is nothing to tell: {why}")
        self.is_told = is_told


def slip_of(records: Records, quote: KeptQuote, now: date | None) -> Slip:
    """Return what the customer of a quote was not told yet.

    Args:
        now: the day on which all that is ordered should be there, None if a part has no day.

    Raises: NothingSlipped.
    """
    was: date | None = None
    orders: list[str] = []
    is_told = False
    for event in records.events.of_subject(f"quote:{quote.number}"):
        if event.kind == TOLD:
            orders, is_told = [], True
        elif event.kind == SLIPPED:
            if not orders:
                was = _day(event.facts.get("was"))
            orders.append(str(event.facts["order"]))
    is_later = now is None or was is None or now > was
    if not orders or not is_later or quote.state not in _WAITS or now == date.min:
        raise NothingSlipped(is_told=is_told and not orders)
    return Slip(was=was, now=now, orders=tuple(dict.fromkeys(orders)))


def day_known(records: Records, quote: KeptQuote, planned: date | None) -> date | None:
    """Return the day by which the customer of a quote knows all parts to be there: `planned`, if
    nothing has slipped; None if a day is not known.
    """
    day, is_untold = planned, False
    for event in records.events.of_subject(f"quote:{quote.number}"):
        if event.kind == TOLD:
            day, is_untold = _day(event.facts.get("complete_on")), False
        elif event.kind == SLIPPED and not is_untold:
            day, is_untold = _day(event.facts.get("was")), True
    return day


def note_slipped(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    *,
    order: str,
    was: date | None,
    now: date | None,
) -> None:
    """Note that parts of a quote come later, by the order (O3) that is to bring them."""
    facts: Facts = {"order": order, "was": _text(was), "complete_on": _text(now)}
    note_event(records, stamp, "quote.slipped", quote, facts)


def note_told(records: Records, stamp: Stamp, quote: KeptQuote, slip: Slip, mail: int) -> None:
    """Note that the customer of a quote is told of a slip, by an e-mail's number."""
    facts: Facts = {"mail": mail, "was": _text(slip.was), "complete_on": _text(slip.now)}
    note_event(records, stamp, "quote.slip_told", quote, facts)


def _day(text: object) -> date | None:
    return None if text is None else date.fromisoformat(str(text))


def _text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
