"""Ticking: prices what a customer chooses of an offer: jobs left out, and extras added.

A choice is priced by the same flow as any quote, from what the offer was made with: its request
and its day, the free stock that was kept with it, and the catalogue and prices of its revision.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Annotated

from msgspec import Meta, Struct, structs

from kitwright.catalogue.model import Catalogue, JobId
from kitwright.courses import change_of
from kitwright.errors import KitwrightError
from kitwright.hosts import find_hosts
from kitwright.keeping.acts import ActRefused, PartsNotAvailable
from kitwright.keeping.choosing import agreed_from
from kitwright.keeping.life import missing_parts, revision_of
from kitwright.keeping.record import KeptQuote, Revision
from kitwright.keeping.store import Records
from kitwright.keeping.sums import read_reckoning
from kitwright.money import Money
from kitwright.quote import CourseName, Quote, read_quote
from kitwright.stages.outcome import CourseName as Way
from kitwright.stages.request import NamedTwice, RequestFault, RequestRefused
from kitwright.stages.supply import Stock
from kitwright.stages.why import place
from kitwright.stages.work import Estimates
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.freezing import service_with
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.reckoning import ChosenIn, QuoteIn, asked_of, figures_of, shelf_of, told
from kitwright.web.calls.service import Service
from kitwright.web.calls.standing import words_of_choice, words_of_yes
from kitwright.web.calls.wire import MOST_JOBS, JobIn, Jobs
from kitwright.web.edge.shapes import Wire

LeftOut = Annotated[
    Jobs,
    Meta(
        max_length=MOST_JOBS,
        description="Jobs of the offer that the customer leaves out: those whose `stays` is null.",
    ),
]
Extras = Annotated[
    Jobs,
    Meta(max_length=MOST_JOBS, description="Optional jobs of the offer that the customer adds."),
]


OneCourse = Annotated[
    CourseName | None,
    Meta(description="The course of the offer that the customer chooses; null: it has only one."),
]


class TicksIn(Wire, frozen=True, kw_only=True):
    """What a customer chooses of an offer: the course, if there are several, and of that course,
    jobs and extras, whose order has no meaning.
    """

    course: OneCourse = None
    leave_out: LeftOut = ()
    extras: Extras = ()


class CourseNotChosen(RequestFault):
    """An acceptance of an offer with several courses that names none."""

    code = "course-not-chosen"

    def __init__(self, there: Iterable[str]) -> None:
        self.there = tuple(there)
        super().__init__(f"this offer has several courses: choose one of {', '.join(self.there)}")


class CourseNotOffered(RequestFault):
    """A course that an offer does not have."""

    code = "course-not-offered"

    def __init__(self, course: str, there: Iterable[str]) -> None:
        self.there = tuple(there)
        told = ", ".join(self.there) or "none"
        super().__init__(f"there is no course {course!r} in this offer; it has {told}")
        self.course = course


class JobStays(RequestFault):
    """A job of an offer that a customer can't leave out."""

    code = "job-stays"

    def __init__(self, named: str, reason: str) -> None:
        super().__init__(f"{named} can't be left out: {reason}")
        self.named = named


class NotOnOffer(RequestFault):
    """A job that an offer does not leave to its customer."""

    code = "not-on-offer"

    def __init__(self, named: str, there: Iterable[str]) -> None:
        self.there = tuple(there)
        left = ", ".join(self.there) or "nothing"
        super().__init__(f"{named} is not among what this offer leaves to choose: {left}")
        self.named = named


class ExtraLeftAlone(RequestFault):
    """An extra without any of the jobs beside which it is worth doing."""

    code = "extra-left-alone"

    def __init__(self, named: str, hosts: Iterable[str]) -> None:
        self.hosts = tuple(hosts)
        super().__init__(
            f"{named} is offered only beside {', '.join(self.hosts)}, which is left out: leave "
            "both out, or neither"
        )
        self.named = named


class TooManyChoices(RequestFault):
    """More jobs, with those of the offer's request, than a request may have."""

    code = "too-many-choices"

    def __init__(self, count: int) -> None:
        super().__init__(f"{count} jobs with those of the offer's request; at most {MOST_JOBS}")
        self.count = count


class ChoiceNotPriced(RequestFault):
    """A choice that can't be quoted with what the shop changed by hand."""

    code = "choice-not-priced"

    def __init__(self, why: KitwrightError) -> None:
        super().__init__(f"this choice can't be quoted ({why}): revise the quote")


class ChoicesClosed(ActRefused):
    """An offer made with a catalogue or prices that are no longer there: a version of this service
    issued it that did not keep them.
    """

    code = "choices-closed"

    def __init__(self, revision: int) -> None:
        super().__init__(
            f"the catalogue and the prices that revision {revision} was made with are no longer "
            "there, so nothing can be chosen of it: accept it as it stands, or revise it and issue "
            "it again"
        )
        self.revision = revision


class Choice(Struct, frozen=True, kw_only=True):
    """A choice of an offer, priced: `figures` is None for the offer as it stands."""

    offer: Revision
    figures: Revision | None

    @property
    def revision(self) -> Revision:
        """The figures of the choice, those of the offer if nothing was chosen."""
        return self.offer if self.figures is None else self.figures

    @property
    def quote(self) -> Quote:
        """The whole quote of the choice."""
        return read_quote(self.revision.answer)

    @property
    def price(self) -> Money:
        """The total of the choice, with tax if that is known."""
        return _price(self.revision)

    @property
    def more(self) -> Money:
        """How much more it comes to than the offer; negative: less."""
        return self.price - _price(self.offer)


def offer_in(records: Records, quote: KeptQuote, number: int) -> tuple[Revision, Revision | None]:
    """Return a revision to choose of, and the agreed one if it was chosen from it.

    Raises: NoSuchRevision.
    """
    agreed = agreed_from(records, quote, number)
    is_chosen = agreed is not None and agreed.number != number
    return revision_of(records, quote, number), agreed if is_chosen else None


async def choose(
    desk: Desk, found: tuple[Revision, Revision | None], ticks: TicksIn, *, is_final: bool = False
) -> Choice:
    """Return a choice of an offer, priced with what the offer was made with.

    `found` is from `offer_in`: the choice that is agreed already is not priced again. If nothing is
    chosen, it is the offer as it stands; if that has several courses and the choice `is_final`, it
    is refused.

    Raises: RequestRefused, ChoicesClosed, PartsNotAvailable; Refusal: too-busy.
    """
    offer, agreed = found
    said = read_quote(offer.answer)
    there = tuple(name for each in said.courses for name in (each.course, *each.also))
    if ticks.course is not None and ticks.course not in there:
        raise RequestRefused([CourseNotOffered(ticks.course, there).at("course")])
    if ticks.course is None and is_final and len(said.courses) > 1:
        raise RequestRefused([CourseNotChosen(there).at("course")])
    if ticks.course is None and not ticks.leave_out and not ticks.extras:
        return Choice(offer=offer, figures=None)
    chosen = ChosenIn(
        revision=offer.number,
        course=ticks.course or _advised(said),
        leave_out=sorted_jobs(ticks.leave_out),
        extras=sorted_jobs(ticks.extras),
    )
    if agreed is not None and asked_of(agreed).chosen == chosen:
        return Choice(offer=offer, figures=agreed)
    service, stock = await _frozen(desk, offer)
    own = desk.estimates_of(said.estimates)
    # beside the event loop: what may turn up is priced for a choice too
    figures = await desk.beside_with(service, _priced, stock, own, offer, said, chosen)
    return Choice(offer=offer, figures=figures)


def _priced(
    service: Service, stock: Stock, own: Estimates, offer: Revision, said: Quote, chosen: ChosenIn
) -> Revision:
    """Return the figures of a choice. Raises: RequestRefused, PartsNotAvailable."""

    def estimates(_: date) -> Estimates:
        return own

    asked = _of_course(service.workshop.catalogue, asked_of(offer), chosen.course)
    if chosen.leave_out or chosen.extras:
        if chosen.course not in (None, _advised(said)):
            # the jobs and extras of a course are its own, even where it comes to the same jobs
            plain = structs.replace(asked, contingencies=False)
            said = told(service, service.work_out(plain, stock, estimates), plain)
        check_ticks(asked, said, chosen)
    filled = structs.replace(
        asked,
        leave_out=(*asked.leave_out, *chosen.leave_out),
        add_jobs=(*asked.add_jobs, *chosen.extras),
        chosen=chosen,
    )
    try:
        figures = figures_of(service, filled, stock, estimates, offer.made_at)
    except RequestRefused as error:
        raise RequestRefused([ChoiceNotPriced(error).at("leave_out")]) from None
    _check_hosts(service, asked, chosen, offer.made_at.date())
    missing = missing_parts(figures)
    if missing:
        raise PartsNotAvailable(offer.number, missing)
    return figures


def _advised(said: Quote) -> CourseName | None:
    """Return the name of the course that the top level of a quote shows."""
    return next((one.course for one in said.courses if one.is_advised), None)


def _of_course(catalogue: Catalogue, asked: QuoteIn, course: str | None) -> QuoteIn:
    """Return the request of one course of a request."""
    if course is None:
        return asked
    scope, added = change_of(catalogue, Way(course))
    jobs = tuple(JobIn(job=job.id) for job in added)
    return structs.replace(asked, courses=(), scope=scope, add_jobs=(*asked.add_jobs, *jobs))


def check_ticks(asked: QuoteIn, said: Quote, chosen: ChosenIn) -> None:
    """Raise RequestRefused if a quote does not leave the chosen jobs to its customer."""
    faults = [*_left_out_faults(said, chosen.leave_out), *_extra_faults(said, chosen.extras)]
    for name, count in (
        ("leave_out", len(asked.leave_out) + len(chosen.leave_out)),
        ("extras", len(asked.add_jobs) + len(chosen.extras)),
    ):
        if count > MOST_JOBS:
            faults.append(TooManyChoices(count).at(name))
    if faults:
        raise RequestRefused(faults)


def _check_hosts(service: Service, asked: QuoteIn, chosen: ChosenIn, day: date) -> None:
    """Raise RequestRefused if an extra is worth doing beside nothing but jobs that are left out."""
    if not (chosen.leave_out and chosen.extras):
        return
    less = structs.replace(asked, leave_out=(*asked.leave_out, *chosen.leave_out))
    before, after = (find_hosts(service.workshop, one.asked(day)) for one in (asked, less))
    faults = []
    for index, job in enumerate(chosen.extras):
        key = JobId(job.job), job.cylinder or 0
        if key in before and key not in after:
            hosts = [host.text for host in before[key]]
            faults.append(ExtraLeftAlone(place(job.job, job.cylinder), hosts).at("extras", index))
    if faults:
        raise RequestRefused(faults)


def text_of_choice(desk: Desk, choice: Choice) -> str:
    """Return the text by which a customer accepts a choice, in the offer's language."""
    offer, said = choice.offer, choice.quote
    words = words_of_yes(said, written(QUOTE, offer.quote), offer.number, offer.valid_until)
    chosen = None if choice.figures is None else asked_of(choice.figures).chosen
    if not isinstance(chosen, ChosenIn):
        return words
    service = desk.service_of(offer.catalogue_revision) or desk.service
    speaker = service.speaker(said.language)
    return words_of_choice(
        words,
        said.language,
        course=None if chosen.course is None else speaker.word(f"course-{chosen.course}"),
        left_out=[speaker.job(job.job, job.cylinder) for job in chosen.leave_out],
        added=[speaker.job(job.job, job.cylinder) for job in chosen.extras],
    )


async def _frozen(desk: Desk, offer: Revision) -> tuple[Service, Stock]:
    """Return the service and the stock that an offer was made with. Raises: ChoicesClosed."""
    service = await service_with(desk, offer.catalogue_revision)
    reckoning = read_reckoning(offer)
    if service is None or reckoning is None or reckoning.shelf is None:
        raise ChoicesClosed(offer.number)
    return service, shelf_of(reckoning.shelf)


def _left_out_faults(said: Quote, jobs: Jobs) -> Iterator[KitwrightError]:
    stays = {(job.job, job.cylinder): job.stays for job in said.jobs}
    free = [place(*key) for key, reason in stays.items() if reason is None]
    for index, job in enumerate(jobs):
        key, named = (job.job, job.cylinder), place(job.job, job.cylinder)
        reason = stays.get(key)
        if key not in stays:
            yield NotOnOffer(named, free).at("leave_out", index)
        elif reason is not None:
            yield JobStays(named, reason.text).at("leave_out", index)
    yield from _twice("leave_out", jobs)


def _extra_faults(said: Quote, jobs: Jobs) -> Iterator[KitwrightError]:
    there = {
        (extra.job, cylinder) for extra in said.extras for cylinder in extra.cylinders or (None,)
    }
    free = sorted(place(*key) for key in there)
    for index, job in enumerate(jobs):
        if (job.job, job.cylinder) not in there:
            yield NotOnOffer(place(job.job, job.cylinder), free).at("extras", index)
    yield from _twice("extras", jobs)


def _twice(name: str, jobs: Jobs) -> Iterator[KitwrightError]:
    for index, job in enumerate(jobs):
        if job in jobs[:index]:
            yield NamedTwice(place(job.job, job.cylinder)).at(name, index)


def sorted_jobs(jobs: Iterable[JobIn]) -> Jobs:
    """Return jobs by their ids and cylinders."""
    return tuple(sorted(jobs, key=lambda job: (job.job, job.cylinder or 0)))


def _price(revision: Revision) -> Money:
    return revision.net if revision.gross is None else revision.gross
