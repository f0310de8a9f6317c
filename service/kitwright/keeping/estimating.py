"""Estimating: revisions of the shop's own estimates, applied from a day on and taken back.

Revisions are entries of one list, so what is in force on a day follows from all entries. A quote
names the revision that it was made with, and never changes with a later one.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from fractions import Fraction
from hashlib import sha256
from typing import Final

import msgspec

from kitwright.catalogue.model import ContingencyId, FamilyId, LabourClass
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import Facts, add_event
from kitwright.keeping.record import (
    EstimateEntry,
    EstimateKind,
    OwnEstimates,
    OwnMinutes,
    OwnOdds,
    Stamp,
)
from kitwright.keeping.store import Records
from kitwright.stages.learning import LearnedMinutes, LearnedOdds
from kitwright.stages.work import CATALOGUE, Estimates, PaceKey

SUBJECT: Final = "estimates:1"
"""The subject of the events: a shop has one list of estimates."""


class EstimatesFromPast(ActRefused):
    """Estimates to be applied from a day that has passed: quotes were made on it."""

    code = "estimates-from-past"

    def __init__(self, since: date, today: date) -> None:
        super().__init__(
            f"estimates can't be applied from {since.isoformat()}, which has passed: apply them "
            f"from {today.isoformat()} or later"
        )
        self.since = since


class ProposalChanged(ActRefused):
    """A proposal that is no longer made: more was finished, or other estimates were applied."""

    code = "proposal-changed"

    def __init__(self, proposal: str, now: str | None) -> None:
        told = "nothing is proposed now" if now is None else f"it is {now} now"
        super().__init__(
            f"proposal {proposal} is no longer made ({told}): get the report again, and apply what "
            "it proposes"
        )
        self.proposal = proposal
        self.now = now


class EstimatesNotNewest(ActRefused):
    """Estimates to be taken back that are not the newest of those that stand."""

    code = "estimates-not-newest"

    def __init__(self, revision: int, newest: int | None) -> None:
        told = "none is applied" if newest is None else f"the newest is {newest}"
        super().__init__(f"revision {revision} of the estimates can't be taken back: {told}")
        self.revision = revision
        self.newest = newest


def standing(entries: Iterable[EstimateEntry]) -> tuple[EstimateEntry, ...]:
    """Return the revisions that were applied and not taken back, oldest first."""
    every = tuple(entries)
    gone = {one.about for one in every if one.kind is EstimateKind.taken_back}
    return tuple(
        one for one in every if one.kind is EstimateKind.applied and one.number not in gone
    )


def newest(entries: Iterable[EstimateEntry]) -> EstimateEntry | None:
    """Return the newest revision that stands, None if there is none."""
    return max(standing(entries), key=lambda one: one.number, default=None)


def in_force(entries: Iterable[EstimateEntry], day: date) -> EstimateEntry | None:
    """Return the revision for quotes of a day, None for the catalogue's estimates: the newest one
    that begins by then.
    """
    begun = (one for one in standing(entries) if one.since is not None and one.since <= day)
    return max(begun, key=lambda one: one.number, default=None)


def figures_of(revision: EstimateEntry | None) -> OwnEstimates:
    """Return the figures of a revision, none for the catalogue's estimates."""
    found = None if revision is None else revision.figures
    return OwnEstimates() if found is None else found


def estimates_of(revision: EstimateEntry | None) -> Estimates:
    """Return the estimates of a revision, by which quotes are made."""
    if revision is None:
        return CATALOGUE
    figures = figures_of(revision)
    return Estimates(
        revision=revision.number,
        factors={
            PaceKey(FamilyId(one.family), one.group, LabourClass(one.labour_class)): Fraction(
                one.factor
            )
            for one in figures.minutes
        },
        odds={ContingencyId(one.contingency): Fraction(one.factor) for one in figures.odds},
    )


def estimates_on(records: Records, day: date) -> Estimates:
    """Return the estimates for quotes of a day."""
    return estimates_of(in_force(records.estimates.every(), day))


def estimates_in(records: Records, revision: int | None) -> Estimates:
    """Return the estimates of a revision, in force or not; None is the catalogue's."""
    found = (one for one in records.estimates.every() if one.number == revision)
    return estimates_of(next(found, None))


def with_proposals(
    figures: OwnEstimates, minutes: Iterable[LearnedMinutes], odds: Iterable[LearnedOdds]
) -> OwnEstimates:
    """Return the figures of a revision, with what is proposed in place of what they have."""
    factors = {(one.family, one.group, one.labour_class): one for one in figures.minutes}
    for one in minutes:
        if one.proposal is not None:
            key = one.key
            factors[key.family, key.group, key.labour_class] = OwnMinutes(
                family=key.family,
                group=key.group,
                labour_class=key.labour_class,
                factor=str(one.proposal),
            )
    by_code = {one.contingency: one for one in figures.odds}
    for learned in odds:
        if learned.proposal is not None:
            by_code[learned.code] = OwnOdds(contingency=learned.code, factor=str(learned.proposal))
    return OwnEstimates(
        minutes=tuple(own for _, own in sorted(factors.items())),
        odds=tuple(own for _, own in sorted(by_code.items())),
    )


def proposal_id(before: int | None, figures: OwnEstimates) -> str:
    """Return what identifies a proposal: figures to follow a revision."""
    return sha256(msgspec.json.encode((before, figures))).hexdigest()[:16]


def apply_estimates(
    records: Records, stamp: Stamp, figures: OwnEstimates, since: date
) -> EstimateEntry:
    """Return a new revision of the estimates, for quotes from a day on.

    Raises: EstimatesFromPast.
    """
    if since < stamp.today:
        raise EstimatesFromPast(since, stamp.today)
    kept = records.estimates.add(
        EstimateEntry(
            number=0,
            kind=EstimateKind.applied,
            at=stamp.at,
            hand=stamp.hand,
            by=stamp.by,
            since=since,
            figures=figures,
        )
    )
    facts: Facts = {"revision": kept.number, "since": since.isoformat()}
    add_event(records, stamp, "estimates.applied", SUBJECT, facts)
    return kept


def take_back(records: Records, stamp: Stamp, revision: int) -> None:
    """Take back the newest revision that stands: quotes from now on use those before it.

    Raises: EstimatesNotNewest.
    """
    last = newest(records.estimates.every())
    if last is None or revision != last.number:
        raise EstimatesNotNewest(revision, None if last is None else last.number)
    records.estimates.add(
        EstimateEntry(
            number=0,
            kind=EstimateKind.taken_back,
            at=stamp.at,
            hand=stamp.hand,
            by=stamp.by,
            about=revision,
        )
    )
    add_event(records, stamp, "estimates.undone", SUBJECT, {"revision": revision})
