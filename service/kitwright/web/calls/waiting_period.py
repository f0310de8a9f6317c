"""Waiting period: when work is finished that waits until its customer can no longer withdraw."""

from __future__ import annotations

from datetime import timedelta

from msgspec import structs

from kitwright.catalogue.model import Shop
from kitwright.documents.ready_words import ready_on
from kitwright.keeping.distance import last_day
from kitwright.quote import Paper, Quote, RightToWithdraw
from kitwright.stages.supply import working_day


def with_wait(paper: Paper, shop: Shop) -> Paper:
    """Return a paper whose right to withdraw says from which day the work may begin, and when it is
    finished then; without a right, or if the work need not wait, the paper as it is.
    """
    right = paper.envelope.withdrawal
    if right is None:
        return paper
    right = _waiting(right, paper.quote, shop)
    return Paper(quote=paper.quote, envelope=structs.replace(paper.envelope, withdrawal=right))


def _waiting(right: RightToWithdraw, quote: Quote, shop: Shop) -> RightToWithdraw:
    # of an offer that is open, the day on which it is counted from is the day of the yes
    begins = (right.until or last_day(quote.on, right.days)) + timedelta(days=1)
    bench, ready = shop.bench, ready_on(quote)
    if bench is None or ready is None or right.starts_early or begins <= quote.on:
        return structs.replace(right, begins_on=None, ready_on=None)
    minutes = quote.work_plan.minutes
    start = working_day(shop, max(begins, quote.parts_by or begins), 0)
    last = max(ready, working_day(shop, start, -(-minutes // bench.minutes_a_day)))
    return structs.replace(right, begins_on=begins, ready_on=last)
