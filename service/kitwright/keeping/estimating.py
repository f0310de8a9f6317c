"""Estimating: revisions of the shop's own estimates, applied from a day on and taken back.

Revisions are entries of one list, so what is in force on a day follows from all entries. A quote
names the revision that it was made with, and never changes with a later one.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from fractions import Fraction
from typing import Final

from kitwright.catalogue.model import ContingencyId, FamilyId, LabourClass
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import add_event
from kitwright.keeping.record import EstimateEntry, EstimateKind, OwnEstimates, Stamp
from kitwright.keeping.store import Records
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


def in_force(entries: Iterable[EstimateEntry], day: date) -> EstimateEntry | None:
    """Return the revision for quotes of a day, None for the catalogue's estimates: the newest one
    that begins by then.
    """
    begun = (one for one in standing(entries) if one.since is not None and one.since <= day)
    return max(begun, key=lambda one: one.number, default=None)


def estimates_of(revision: EstimateEntry | None) -> Estimates:
    """Return the estimates of a revision, by which quotes are made."""
    if revision is None or revision.figures is None:
        return CATALOGUE
    figures = revision.figures
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
    facts = {"revision": kept.number, "since": since.isoformat()}
    add_event(records, stamp, "estimates.applied", SUBJECT, facts)
    return kept


def take_back(records: Records, stamp: Stamp, revision: int) -> None:
    """Take back the newest revision that stands: quotes from now on use those before it.

    Raises: EstimatesNotNewest.
    """
    newest = max((one.number for one in standing(records.estimates.every())), default=None)
    if revision != newest:
        raise EstimatesNotNewest(revision, newest)
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
