"""Waiting words: what a customer is told of a machine that waits to be collected."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.keeping.waiting import Waiting
from kitwright.language.scribe import Scribe
from kitwright.quote import amount_of


def waiting_told(waiting: Waiting, scribe: Scribe, *, includes_tax: bool) -> Iterator[str]:
    """Yield since when the machine waits, what storage costs by the agreed terms, and that the law
    decides on the rest; `includes_tax` if prices do.
    """
    say, day = scribe.say, scribe.day
    if waiting.is_repaired:
        yield say("Your machine is ready since {day}. Please collect it.", day=day(waiting.since))
    else:
        yield say("Your machine waits here since {day}. Please collect it.", day=day(waiting.since))
    storage = waiting.storage
    if storage is not None:
        if storage.free_until is not None:
            yield say(
                "By the terms that you agreed to, storage is free until {day}, and {price} for "
                "each day after it.",
                day=day(storage.free_until),
                price=scribe.amount(amount_of(storage.per_day)),
            )
        if storage.days:
            fee = scribe.amount(amount_of(storage.fee))
            yield say("Until today, storage comes to {fee}.", fee=fee)
        if storage.free_until is not None and not includes_tax:
            yield say("What storage costs is before tax.")
    if waiting.notices:
        yield say("What may happen to a machine that nobody collects, local law decides.")
