"""Come-back: tells how a visit follows an earlier one, and which lines the shop bears."""

from __future__ import annotations

from collections import defaultdict
from typing import Literal

from kitwright import quote as wire
from kitwright.money import Money, total
from kitwright.quote import amount_of
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import WARRANTY
from kitwright.telling.teller import Teller


def tell_come_back(outcome: Outcome, teller: Teller) -> wire.ComesBack | None:
    """Return the earlier visit that a quote follows, None if there is none."""
    asked = outcome.request.asked
    found = asked.come_back
    if found is None:
        return None
    covered = asked.terms.covered or ()
    named = {(one.job, one.cylinder) for one in covered}
    currency, there = outcome.shop.currency, outcome.repair.jobs
    lines = _borne(outcome)
    state: Literal["open", "borne", "charged"] = "charged"
    if covered:
        state = "borne"
    elif found.cause is None:
        state = "open"
    return wire.ComesBack(
        quote=found.visit,
        since=found.since,
        on=found.on,
        cause=None if found.cause is None else found.cause.value,
        state=state,
        ground=found.ground.value,
        until=found.until,
        jobs=tuple(
            teller.job(one)
            for one in (*there.operations, *(gone.operation for gone in there.swallowed))
            if (one.job.id, one.cylinder) in named
        ),
        part=found.part,
        lines=lines,
        amount=amount_of(total((one.amount.money for one in lines), currency)),
        reason=found.reason,
        by=found.by,
    )


def _borne(outcome: Outcome) -> tuple[wire.BorneLine, ...]:
    """Return how much of each line the shop bears, by the allowances for it."""
    off: dict[int, int] = defaultdict(int)
    for line in outcome.repair.lines:
        if line.code == WARRANTY:
            for place, minor in line.reduces:
                off[place] += minor
    currency = outcome.shop.currency
    return tuple(
        wire.BorneLine(line=place + 1, amount=amount_of(Money(minor, currency)))
        for place, minor in sorted(off.items())
    )
