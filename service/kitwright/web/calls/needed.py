"""Needed: the jobs that something found calls for, which a customer can't leave out of an offer."""

from __future__ import annotations

from msgspec import structs

from kitwright.language.render import Speaker
from kitwright.quote import Quote, QuotedJob, Reason
from kitwright.stages.why import Why
from kitwright.web.calls.change import ChangeIn

NEEDED = Why("needed-by-find")


def with_needed(quote: Quote, change: ChangeIn, speaker: Speaker) -> Quote:
    """Return a quote in which the jobs that its finds call for stay; of one that stays anyway, the
    reason is as it was.
    """
    needed = {(job.job, job.cylinder) for find in change.finds for job in find.jobs}
    reason = Reason(code=NEEDED.code, facts={}, text=speaker.sentence(NEEDED))

    def staying(job: QuotedJob) -> QuotedJob:
        if job.stays is not None or (job.job, job.cylinder) not in needed:
            return job
        return structs.replace(job, stays=reason)

    return structs.replace(quote, jobs=tuple(map(staying, quote.jobs)))
