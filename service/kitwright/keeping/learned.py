"""Learned: what the finished quotes of a shop say of its estimates, and what they propose."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from kitwright.keeping.estimating import (
    estimates_of,
    figures_of,
    proposal_id,
    with_proposals,
)
from kitwright.keeping.lessons import Lesson
from kitwright.keeping.record import EstimateEntry, OwnEstimates
from kitwright.stages.learning import (
    Band,
    LearnedMinutes,
    LearnedOdds,
    WorstJob,
    find_bands,
    learn_minutes,
    learn_odds,
    worst_jobs,
)


class Learned(Struct, frozen=True, kw_only=True):
    """What finished quotes say of the estimates, beside the newest revision of these (`before`).

    `quotes` counts those that were read, and `is_all` says whether there are no older ones.
    `left_out` counts groups of steps with a forgotten clock.
    """

    quotes: int
    is_all: bool
    left_out: int
    before: EstimateEntry | None
    minutes: tuple[LearnedMinutes, ...]
    odds: tuple[LearnedOdds, ...]
    bands: tuple[Band, ...]
    worst: tuple[WorstJob, ...]

    @property
    def figures(self) -> OwnEstimates:
        """The figures with all that is proposed."""
        return with_proposals(figures_of(self.before), self.minutes, self.odds)

    @property
    def proposal(self) -> str | None:
        """The id of the proposal, None if nothing is proposed."""
        figures = self.figures
        if figures == figures_of(self.before):
            return None
        return proposal_id(None if self.before is None else self.before.number, figures)


def learned_from(
    lessons: Sequence[Lesson], before: EstimateEntry | None, *, is_all: bool
) -> Learned:
    """Return what some lessons say of the estimates of a revision."""
    own = estimates_of(before)
    worked = [one.worked for one in lessons]
    foreseen = [case for one in lessons for case in one.foreseen]
    return Learned(
        quotes=len(lessons),
        is_all=is_all,
        left_out=sum(one.left_out for one in worked),
        before=before,
        minutes=learn_minutes(worked, own.factors),
        odds=learn_odds(foreseen, own.odds),
        bands=find_bands(foreseen),
        worst=worst_jobs(worked, own.factors),
    )
