"""Ready words: when a repair is ready or its parts are here, and on what condition."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from kitwright.language.scribe import Scribe
from kitwright.quote import Change, Quote, RightToWithdraw


class ReadyTold(NamedTuple):
    """A day with its label and its condition, which is empty if there is none."""

    label: str
    day: str
    condition: str


def ready_on(quote: Quote) -> date | None:
    """Return the day on which a quote's work is finished, None if it is not known."""
    if quote.ready_on is not None:
        return quote.ready_on
    # quotes of earlier versions have it in their courses alone
    mine = {(job.job, job.cylinder) for job in quote.jobs}
    return next(
        (
            one.ready_on
            for one in quote.courses
            if {(job.job, job.cylinder) for job in one.jobs} == mine
        ),
        None,
    )


def ready_told(
    quote: Quote,
    scribe: Scribe,
    *,
    change: Change | None = None,
    is_open: bool = True,
    right: RightToWithdraw | None = None,
) -> ReadyTold:
    """Return when it is ready, or else when the parts are here.

    Args:
        quote: the revision.
        scribe: writes in the revision's language.
        change: what it asks for beyond what is agreed, None for a first offer.
        is_open: whether it can still be agreed to.
        right: the customer's right to withdraw, which the work may have to wait for.
    """
    say, ready = scribe.say, ready_on(quote)
    if ready is None:
        return _parts_told(quote, scribe)
    on = scribe.near_day(quote.on, ready)
    if right is not None and right.waits_for_end and right.ready_on is not None:
        return _waiting_told(quote, right, ready, scribe, is_open=is_open)
    if not is_open:
        condition = say("counted from {day}, if nothing more is found", day=on)
    elif change is None or change.was_ready_on is None:
        condition = say("if you agree on {day} and nothing is found", day=on)
    elif change.was_ready_on == ready:
        condition = say("as before, if you agree on {day} and nothing more is found", day=on)
    else:
        condition = say(
            "instead of {before}, if you agree on {day} and nothing more is found",
            before=scribe.near_day(change.was_ready_on, ready),
            day=on,
        )
    return ReadyTold(_label(quote, scribe), scribe.day(ready), condition)


def _label(quote: Quote, scribe: Scribe) -> str:
    return scribe.say("Tested") if quote.basis == "test" else scribe.say("Ready")


def _waiting_told(
    quote: Quote, right: RightToWithdraw, ready: date, scribe: Scribe, *, is_open: bool
) -> ReadyTold:
    """Return when work is ready that waits until its customer can no longer withdraw; while that is
    still to be chosen, also when it is ready if it does not wait.
    """
    assert right.ready_on is not None
    assert right.begins_on is not None
    last = right.ready_on
    if is_open:
        condition = scribe.say(
            "if you agree on {day} and nothing is found; {early} if you tick the early start",
            day=scribe.near_day(quote.on, last),
            early=scribe.near_day(ready, last),
        )
    else:
        condition = scribe.say(
            "work begins on {day}, when you can no longer withdraw; if nothing more is found",
            day=scribe.near_day(right.begins_on, last),
        )
    return ReadyTold(_label(quote, scribe), scribe.day(last), condition)


def _parts_told(quote: Quote, scribe: Scribe) -> ReadyTold:
    say = scribe.say
    label = say("Parts here")
    if quote.parts_by is not None:
        condition = say("if ordered on {day}", day=scribe.near_day(quote.on, quote.parts_by))
        return ReadyTold(label, scribe.day(quote.parts_by), condition)
    if quote.unfilled:
        return ReadyTold(label, say("not known: not all are available"), "")
    if quote.orders or quote.questions:
        return ReadyTold(label, say("not known yet"), "")
    return ReadyTold(label, say("none has to be ordered"), "")
