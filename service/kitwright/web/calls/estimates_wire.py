"""Estimates wire: the answers about estimates."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Final, Literal

from msgspec import Meta, structs

from kitwright.keeping.estimating import figures_of
from kitwright.keeping.learned import Learned
from kitwright.keeping.record import EstimateEntry
from kitwright.quote import Count, DecimalText
from kitwright.solve.beta import Interval
from kitwright.stages.learning import (
    Band,
    LearnedMinutes,
    LearnedOdds,
    MedianInterval,
    WorstJob,
)
from kitwright.stages.work import Group
from kitwright.units import decimal_text
from kitwright.web.calls.ids import QUOTE, QuoteId, written
from kitwright.web.calls.shown import Out

FromTo = Annotated[
    DecimalText, Meta(description="A factor; 1 leaves the catalogue's figures as they are.")
]
_PLACES: Final = 4


class IntervalOut(Out, frozen=True, kw_only=True):
    """Where a figure lies with a probability of 95 in 100."""

    low: DecimalText
    high: DecimalText


class MinutesLearnedOut(Out, frozen=True, kw_only=True):
    """A group of steps, of one labour class, on engines of a family, over the finished quotes in
    which it was clocked (`jobs`; in `shared` of them together with other classes, by estimates).

    `estimated` are the minutes by the newest estimates, `ratio` is the median of clocked to
    estimated minutes, `interval` that of the median, null of fewer than six jobs. `factor` is the
    newest, of the catalogue's minutes; `shrunk` is the one by the jobs, of whose mean logarithm it
    keeps the share `kept`. `proposal` is null if the newest factor may stay.
    """

    family: str
    group: Group
    labour_class: str
    jobs: Count
    shared: Count
    estimated: DecimalText
    clocked: DecimalText
    ratio: DecimalText
    interval: IntervalOut | None
    factor: DecimalText
    kept: DecimalText
    shrunk: DecimalText
    shrunk_interval: IntervalOut
    proposal: DecimalText | None


class OddsLearnedOut(Out, frozen=True, kw_only=True):
    """A contingency, or a fault of assessments, over the finished quotes that gave it a probability
    (`cases`), in `found` of which it was found. `said` is the mean probability by the newest
    estimates, `shrunk` that by the cases, which have the share `kept` in it. `factor` is the
    newest, of the catalogue's odds. `proposal` is null if that may stay; for faults, nothing is
    proposed.
    """

    kind: Literal["contingency", "diagnosis"]
    code: str
    cases: Count
    found: Count
    said: DecimalText
    kept: DecimalText
    shrunk: DecimalText
    interval: IntervalOut
    factor: DecimalText
    proposal: DecimalText | None


class BandOut(Out, frozen=True, kw_only=True):
    """The probabilities of a kind from `low` to below `high`, as quotes said them: how many there
    were, their mean, and the share that was found, with its interval.
    """

    kind: Literal["contingency", "diagnosis"]
    low: DecimalText
    high: DecimalText
    cases: Count
    said: DecimalText
    found: Count
    share: DecimalText
    interval: IntervalOut


class WorstOut(Out, frozen=True, kw_only=True):
    """A finished quote that took many times as long, or as short, as estimated; the minutes are
    those of the groups that were clocked, `estimated` by the newest estimates.
    """

    quote: QuoteId
    family: str
    estimated: DecimalText
    clocked: DecimalText
    ratio: DecimalText


class MinutesChangeOut(Out, frozen=True, kw_only=True):
    """A factor of minutes that is proposed: what it is, and what it would be."""

    family: str
    group: Group
    labour_class: str
    was: FromTo
    now: FromTo


class OddsChangeOut(Out, frozen=True, kw_only=True):
    """A factor of the odds of a contingency that is proposed: what it is, and what it would be."""

    contingency: str
    was: FromTo
    now: FromTo


class EstimatesProposalOut(Out, frozen=True, kw_only=True):
    """The difference that is proposed to the newest estimates. `id` applies exactly this."""

    id: Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]
    minutes: tuple[MinutesChangeOut, ...]
    odds: tuple[OddsChangeOut, ...]


class EstimatesReportOut(Out, frozen=True, kw_only=True):
    """What the newest finished quotes say of the estimates. `complete` is false if there are older
    ones that were not read; `left_out` counts groups with a forgotten clock. `revision` is the
    newest of the shop's own estimates, null for the catalogue's; everything stands beside it.
    """

    quotes: Count
    complete: bool
    left_out: Count
    revision: Count | None
    minutes: tuple[MinutesLearnedOut, ...]
    odds: tuple[OddsLearnedOut, ...]
    reliability: tuple[BandOut, ...]
    worst: tuple[WorstOut, ...]
    proposal: EstimatesProposalOut | None


class OwnMinutesOut(Out, frozen=True, kw_only=True):
    """A factor of the catalogue's minutes."""

    family: str
    group: Group
    labour_class: str
    factor: DecimalText


class OwnOddsOut(Out, frozen=True, kw_only=True):
    """A factor of the catalogue's odds of a contingency."""

    contingency: str
    factor: DecimalText


class RevisionOfEstimatesOut(Out, frozen=True, kw_only=True):
    """A revision of the shop's own estimates: all factors that differ from 1. Quotes of `since` and
    later were made with it, until it was taken back (null: it was not) or a newer one began.
    """

    revision: Count
    since: date
    at: datetime
    by: str
    taken_back_at: datetime | None
    taken_back_by: str | None
    minutes: tuple[OwnMinutesOut, ...]
    odds: tuple[OwnOddsOut, ...]


class EstimatesOut(Out, frozen=True, kw_only=True):
    """All revisions of the shop's own estimates, the newest first, and the one for quotes of today,
    null for the catalogue's.
    """

    in_force: Count | None
    items: tuple[RevisionOfEstimatesOut, ...]


def report_out(learned: Learned) -> EstimatesReportOut:
    """Return what is learned as it is shown."""
    before = learned.before
    return EstimatesReportOut(
        quotes=learned.quotes,
        complete=learned.is_all,
        left_out=learned.left_out,
        revision=None if before is None else before.number,
        minutes=tuple(map(_minutes_out, learned.minutes)),
        odds=tuple(map(_odds_out, learned.odds)),
        reliability=tuple(map(_band_out, learned.bands)),
        worst=tuple(map(_worst_out, learned.worst)),
        proposal=_proposal_out(learned),
    )


def _minutes_out(one: LearnedMinutes) -> MinutesLearnedOut:
    return MinutesLearnedOut(
        family=one.key.family,
        group=one.key.group,
        labour_class=one.key.labour_class,
        jobs=one.jobs,
        shared=one.shared,
        estimated=decimal_text(one.estimated, 2),
        clocked=decimal_text(one.clocked, 2),
        ratio=_text(one.ratio),
        interval=None if one.interval is None else _interval_out(one.interval),
        factor=_text(one.factor),
        kept=_text(one.kept),
        shrunk=_text(one.shrunk),
        shrunk_interval=_interval_out(one.shrunk_interval),
        proposal=None if one.proposal is None else _text(one.proposal),
    )


def _odds_out(one: LearnedOdds) -> OddsLearnedOut:
    return OddsLearnedOut(
        kind=one.kind.value,
        code=one.code,
        cases=one.cases,
        found=one.found,
        said=_text(one.said),
        kept=_text(one.kept),
        shrunk=_text(one.shrunk),
        interval=_interval_out(one.interval),
        factor=_text(one.factor),
        proposal=None if one.proposal is None else _text(one.proposal),
    )


def _band_out(one: Band) -> BandOut:
    return BandOut(
        kind=one.kind.value,
        low=_text(one.low),
        high=_text(one.high),
        cases=one.cases,
        said=_text(one.said),
        found=one.found,
        share=_text(one.share),
        interval=_interval_out(one.interval),
    )


def _worst_out(one: WorstJob) -> WorstOut:
    return WorstOut(
        quote=written(QUOTE, one.quote),
        family=one.family,
        estimated=decimal_text(one.estimated, 2),
        clocked=decimal_text(one.clocked, 2),
        ratio=_text(one.ratio),
    )


def _proposal_out(learned: Learned) -> EstimatesProposalOut | None:
    if learned.proposal is None:
        return None
    return EstimatesProposalOut(
        id=learned.proposal,
        minutes=tuple(
            MinutesChangeOut(
                family=one.key.family,
                group=one.key.group,
                labour_class=one.key.labour_class,
                was=_text(one.factor),
                now=_text(one.proposal),
            )
            for one in learned.minutes
            if one.proposal is not None
        ),
        odds=tuple(
            OddsChangeOut(contingency=one.code, was=_text(one.factor), now=_text(one.proposal))
            for one in learned.odds
            if one.proposal is not None
        ),
    )


def revision_out(entry: EstimateEntry, undone: EstimateEntry | None) -> RevisionOfEstimatesOut:
    """Return an applied revision as it is shown, with the entry that took it back, if any."""
    figures = figures_of(entry)
    return RevisionOfEstimatesOut(
        revision=entry.number,
        since=entry.since or entry.at.date(),
        at=entry.at,
        by=entry.by,
        taken_back_at=None if undone is None else undone.at,
        taken_back_by=None if undone is None else undone.by,
        minutes=tuple(OwnMinutesOut(**structs.asdict(one)) for one in figures.minutes),
        odds=tuple(OwnOddsOut(**structs.asdict(one)) for one in figures.odds),
    )


def _interval_out(one: Interval | MedianInterval) -> IntervalOut:
    return IntervalOut(low=_text(one.low), high=_text(one.high))


def _text(value: Decimal | Fraction) -> str:
    return decimal_text(Fraction(value), _PLACES)
