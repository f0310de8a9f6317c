"""Choices view: the boxes by which a customer leaves jobs of an offer out and adds extras."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from kitwright.documents.page_actions import Choices, Tick
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Course, Quote
from kitwright.stages.why import place


class Named(Protocol):
    """A job by its id and cylinder."""

    @property
    def job(self) -> str:
        """The job's id."""

    @property
    def cylinder(self) -> int | None:
        """The cylinder, None for the engine."""


class Ticked(Protocol):
    """What was chosen."""

    @property
    def course(self) -> str | None:
        """The course, None if none was chosen."""

    @property
    def leave_out(self) -> Sequence[Named]:
        """The jobs left out."""

    @property
    def extras(self) -> Sequence[Named]:
        """The extras added."""


def choices_of(
    whole: Quote,
    chosen: Quote,
    ticked: Ticked,
    scribe: Scribe,
    *,
    courses: tuple[Course, ...],
    url: str,
) -> Choices:
    """Return what can be chosen on a page.

    Args:
        whole: the quote of the course that is shown, without any choice.
        chosen: the quote with what was chosen.
        ticked: what was chosen.
        scribe: writes in the quote's language.
        courses: the courses of the offer.
        url: where the boxes are posted to.
    """
    left = {place(job.job, job.cylinder) for job in ticked.leave_out}
    added = {place(job.job, job.cylinder) for job in ticked.extras}
    advised = next((one.course for one in courses if one.is_advised), None)
    return Choices(
        url=url,
        courses=courses,
        course=ticked.course,
        shown=ticked.course or advised,
        jobs=tuple(_jobs(whole, left, scribe)),
        extras=tuple(_extras(whole, added, scribe)),
        amount=chosen.totals.gross,
    )


def _jobs(whole: Quote, left: set[str], scribe: Scribe) -> Iterator[Tick]:
    for job in whole.jobs:
        value, saves = place(job.job, job.cylinder), job.saves_if_left_out
        yield Tick(
            value=value,
            name=scribe.named(job),
            price=None if saves is None else _changes(saves.price),
            is_ticked=value not in left,
            reason="" if job.stays is None else job.stays.text,
        )


def _changes(price: Amount) -> Amount | None:
    """Return a difference, None if there is none."""
    return price if price.money.minor else None


def _extras(whole: Quote, added: set[str], scribe: Scribe) -> Iterator[Tick]:
    for extra in whole.extras:
        places = [place(extra.job, cylinder) for cylinder in extra.cylinders or (None,)]
        yield Tick(
            value=" ".join(places),
            name=scribe.on_cylinders(extra.name, extra.cylinders),
            price=_changes(extra.price),
            is_ticked=added.issuperset(places),
        )
