"""Estimates: calls on the report of estimates, and on the revisions of the shop's own estimates."""

from __future__ import annotations

import asyncio
from datetime import date
from functools import partial
from typing import Annotated, Final

from msgspec import Meta

from kitwright.documents.reliability_svg import reliability_svg
from kitwright.keeping.estimating import (
    ProposalChanged,
    apply_estimates,
    in_force,
    newest,
    take_back,
)
from kitwright.keeping.key import Scope
from kitwright.keeping.learned import Learned, learned_from
from kitwright.keeping.lessons import Lesson, finished, lesson_of
from kitwright.keeping.record import EstimateKind
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.web.calls.call import Call
from kitwright.web.calls.estimates_wire import (
    EstimatesOut,
    EstimatesReportOut,
    RevisionOfEstimatesOut,
    report_out,
    revision_out,
)
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.edge.negotiate import JSON, SVG
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

MOST_LESSONS: Final = 1_000
"""From how many finished quotes is learned: the newest ones."""
_AT_ONCE: Final = 10
"""How many quotes are read before other calls are let in."""
_REPORT: Final = ("too-busy",)

EstimatesRevision = Annotated[
    int, Meta(ge=1, le=999_999_999_999_999, description="The number of a revision, from 1.")
]


class EstimatesIn(Wire, frozen=True, kw_only=True):
    """The proposal that is applied, as the report names it, and the first day of the quotes that
    use it: today or later.
    """

    proposal: Annotated[
        str,
        Meta(
            max_length=16,
            pattern=r"^[0-9a-f]{16}(?!\n)$",
            description="The `id` of the report's proposal.",
            examples=["0123456789abcdef"],
            extra={"wanted": "the id of a proposal: 16 hexadecimal digits"},
        ),
    ]
    since: Annotated[date, Meta(description="The first day, in the shop's time zone.")]


class EstimatesBackIn(Wire, frozen=True, kw_only=True):
    """The revision that is taken back; it has to be the newest that stands."""

    revision: EstimatesRevision


@operation(
    "GET /v1/reports/estimates",
    "reportEstimates",
    "reports",
    *_REPORT,
    forms=(JSON, SVG),
    keeps="reads",
)
async def report(call: Call, form: str) -> Reply[EstimatesReportOut]:
    """Compare estimates with what was clocked and found.

    For the newest finished quotes, by engine family, group of steps and labour class: estimated and
    clocked minutes, the median ratio with its interval, and the factor drawn towards the
    catalogue's as far as the jobs leave it uncertain (normal means and normal errors of logarithms,
    both variances estimated from all groups). For contingencies and faults: how often they were
    found, beside what was said (a beta distribution that begins at the catalogue's probability, as
    if that were eight cases). From eight jobs or cases on, what is off by more than chance is
    proposed as a difference to the newest estimates: apply it with `POST /v1/estimates`. Then how
    reliable probabilities were, and the ten worst estimates. Accept `image/svg+xml` for the
    picture of reliability.
    """
    learned = await learn(call)
    if form == SVG:
        scribe = Scribe(call.desk.service.workshop.shop.language)
        return Reply(body=reliability_svg(learned.bands, scribe).encode(), form=SVG)
    return Reply(body=report_out(learned))


async def learn(call: Call) -> Learned:
    """Return what is learned from the finished quotes. Raises: Refusal: too-busy."""
    desk, now = call.desk, call.stamp.at
    lessons: list[Lesson] = []
    read, before = 0, None
    while read < MOST_LESSONS:
        found = desk.store.read(partial(finished, before=before, most=_AT_ONCE))
        if not found:
            break
        for quote in found:
            lesson = desk.store.read(partial(lesson_of, quote=quote, hours=desk.hours, now=now))
            lessons += [] if lesson is None else [lesson]
        read, before = read + len(found), found[-1].number
        await asyncio.sleep(0)
    entries = desk.store.read(lambda records: records.estimates.every())
    return await desk.documents.run(
        learned_from, lessons, newest(entries), is_all=read < MOST_LESSONS
    )


@operation("GET /v1/estimates", "listEstimates", "reports")
def listed(records: Records, call: Call) -> Reply[EstimatesOut]:
    """List the revisions of the shop's own estimates, the newest first, and the one in force."""
    return Reply(body=_listed(records, call.stamp.today))


@operation(
    "POST /v1/estimates",
    "applyEstimates",
    "reports",
    "act-refused",
    *_REPORT,
    scope=Scope.CATALOGUE,
    status=201,
)
async def apply(call: Call, body: EstimatesIn) -> Work[RevisionOfEstimatesOut]:
    """Apply the proposed estimates.

    They are a new revision. Quotes and previews of that day and later are made with it and name it
    in `estimates`; earlier quotes stay as they are. A proposal that is no longer the report's is
    refused. The event is `estimates.applied`.
    """
    learned = await learn(call)
    if body.proposal != learned.proposal:
        raise ProposalChanged(body.proposal, learned.proposal)

    def work(records: Records) -> Reply[RevisionOfEstimatesOut]:
        if newest(records.estimates.every()) != learned.before:
            raise ProposalChanged(body.proposal, None)
        kept = apply_estimates(records, call.stamp, learned.figures, body.since)
        return Reply(body=revision_out(kept, None))

    return work


@operation(
    "POST /v1/estimates/back",
    "undoEstimates",
    "reports",
    "act-refused",
    scope=Scope.CATALOGUE,
)
def back(records: Records, call: Call, body: EstimatesBackIn) -> Reply[EstimatesOut]:
    """Take back the newest revision of the estimates.

    From now on, quotes use the estimates before it. The event is `estimates.undone`.
    """
    take_back(records, call.stamp, body.revision)
    return Reply(body=_listed(records, call.stamp.today))


def _listed(records: Records, today: date) -> EstimatesOut:
    entries = records.estimates.every()
    now = in_force(entries, today)
    undone = {one.about: one for one in entries if one.kind is EstimateKind.taken_back}
    applied = [one for one in entries if one.kind is EstimateKind.applied]
    return EstimatesOut(
        in_force=None if now is None else now.number,
        items=tuple(revision_out(one, undone.get(one.number)) for one in reversed(applied)),
    )
