"""Found: the call that makes a change order of what was found once the work was agreed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, NamedTuple

from msgspec import Meta, structs

from kitwright.catalogue.model import FamilyId
from kitwright.errors import KitwrightError
from kitwright.keeping import life, offer
from kitwright.keeping.acts import check_act
from kitwright.keeping.consent import limit_of
from kitwright.keeping.event import note_event
from kitwright.keeping.record import Addition, KeptQuote, Revision
from kitwright.keeping.store import Records
from kitwright.keeping.tickets import check_charged_once
from kitwright.money import Money
from kitwright.quote import Change, Contingency, Quote, for_customer, known, read_quote
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.call import Call, tag
from kitwright.web.calls.carrying import carried_over
from kitwright.web.calls.change import MOST_FINDS, ChangeIn, FindIn, MeasuredIn, jobs_of
from kitwright.web.calls.clock import UnknownStep
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.freezing import freezing
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import PHOTO, QUOTE, PhotoId, QuoteId, RevisionNumber, written
from kitwright.web.calls.quotes import changed_since
from kitwright.web.calls.reckoning import QuoteIn, asked_of, reckon
from kitwright.web.calls.reckoning import known as known_records
from kitwright.web.calls.shown import Out
from kitwright.web.calls.standing import words_of_yes
from kitwright.web.calls.wire import MOST_FREE_LINES, MOST_JOBS, FreeLineIn, JobIn, Jobs, PartIn
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Cylinder, Id, Text, Wire


class TurnedUpIn(Wire, frozen=True, kw_only=True):
    """A contingency of the agreed quote that was found, on its cylinder if it has one."""

    contingency: Id
    cylinder: Cylinder | None = None


class FoundIn(Wire, frozen=True, kw_only=True):
    """What was found, by whom (`by`), at which `step` of the work plan, or which `contingency` of
    the agreed quote it is; at least one of both.

    `why` says why it calls for more work. A contingency brings its jobs, and those that have to be
    found before it; `jobs` and `free_lines` are added to that. The texts are for the customer, in
    the quote's language. With `trial`, the change is computed, but nothing is recorded.
    """

    step: Text | None = None
    contingency: TurnedUpIn | None = None
    what: Text
    why: Text
    by: Text
    jobs: Annotated[Jobs, Meta(max_length=MOST_JOBS)] = ()
    free_lines: Annotated[tuple[FreeLineIn, ...], Meta(max_length=MOST_FREE_LINES)] = ()
    readings: Annotated[tuple[MeasuredIn, ...], Meta(max_length=50)] = ()
    photographs: Annotated[tuple[PhotoId, ...], Meta(max_length=20)] = ()
    trial: bool = False


class FoundOut(Out, frozen=True, kw_only=True):
    """A change order: the revision that is on offer, null for a trial; the change that it makes;
    and the text by which the customer accepts it.
    """

    id: QuoteId
    revision: RevisionNumber | None
    change: Change
    text: str


class FoundNowhere(RequestFault):
    """Something that was found at no step, and is no contingency."""

    code = "found-nowhere"

    def __init__(self) -> None:
        super().__init__("name the `step` at which it was found, or the `contingency` that it is")


class UnknownContingency(RequestFault):
    """A contingency that the quote does not list."""

    code = "no-such-contingency"

    def __init__(self, asked: TurnedUpIn, listed: Iterable[Contingency]) -> None:
        known = ", ".join(
            one.contingency if one.cylinder is None else f"{one.contingency} on {one.cylinder}"
            for one in listed
        )
        where = "" if asked.cylinder is None else f" on cylinder {asked.cylinder}"
        super().__init__(
            f"the quote does not list {asked.contingency}{where}, only: {known or 'none'}; name "
            "the `step`, and the `jobs` that it needs"
        )
        self.contingency = asked.contingency


class UnknownPhoto(RequestFault):
    """A photograph that this quote does not have."""

    code = "no-such-photo"

    def __init__(self, photo: str) -> None:
        super().__init__(f"this quote has no photo {photo}")
        self.photo = photo


class NothingAdded(RequestFault):
    """Something that was found and adds neither a job nor a line."""

    code = "nothing-added"

    def __init__(self) -> None:
        super().__init__(
            "this adds no work to what is quoted: name `jobs` that are not in the quote, or "
            "`free_lines`"
        )


class TooManyFinds(RequestFault):
    """More finds than one change may have."""

    code = "too-many-finds"

    def __init__(self) -> None:
        super().__init__(f"a change has at most {MOST_FINDS} finds: have it accepted first")


class _Before(NamedTuple):
    """A quote, the revision that a change begins with, the agreed one, and the additions that are
    carried over, of all, and the limit of the yes with tax.
    """

    quote: KeptQuote
    base: Revision
    agreed: Revision
    carried: tuple[Addition, ...]
    every: tuple[Addition, ...]
    limit: Money | None
    photos: frozenset[str]


@operation(
    "POST /v1/quotes/{id}/found",
    "addFound",
    "quotes",
    "act-refused",
    "request-refused",
    "catalogue-gap",
    is_guarded=True,
    is_tagged=True,
)
async def found(call: Call, body: FoundIn) -> Work[FoundOut]:
    """Make a change order of what was found.

    Quotes the agreed work, with what was added since, once more and together with what was found,
    and offers that revision to the customer: it says what was found and why, the total agreed
    before, the difference, the new total and the new limit. Until the customer accepts it, by a
    link or at the counter, what was agreed stays in force: nothing is reserved or ordered for it.
    If a revision is on offer already, what was found is added to that one, which the new one
    supersedes. A draft that was begun is replaced.
    """
    desk = call.desk
    before = desk.store.read(lambda records: _before(records, call))
    figures = await _reckoned(desk, before, body, call.stamp.by)
    quote = read_quote(figures.answer)
    assert quote.change is not None
    change = quote.change
    freeze = await freezing(desk, figures.catalogue_revision)

    def work(records: Records) -> Reply[FoundOut]:
        kept = call.checked(QUOTE, records.quotes.get)
        if kept != before.quote:
            raise changed_since(desk, kept)
        number = None
        if not body.trial:
            known_records(records, figures.customer, figures.machine)
            kept = _offered(records, call, kept, figures, change)
            freeze(records, call.stamp)
            number = kept.offered
        id = written(QUOTE, kept.number)  # noqa: A001 - the word of the wire
        text = words_of_yes(quote, id, number or kept.latest + 1, figures.valid_until)
        out = FoundOut(id=id, revision=number, change=change, text=text)
        return Reply(body=out, tag=tag(kept, desk.gate.epoch))

    return work


def _before(records: Records, call: Call) -> _Before:
    quote = call.record(QUOTE, records.quotes.get)
    check_act("found", quote)
    agreed = life.revision_of(records, quote, quote.agreed or 0)
    base = agreed if quote.offered is None else life.revision_of(records, quote, quote.offered)
    return _Before(
        quote=quote,
        base=base,
        agreed=agreed,
        carried=life.agreed_additions(records, quote),
        every=records.additions.of_quote(quote.number),
        limit=_limit(records, quote),
        photos=frozenset(
            written(PHOTO, photo.number) for photo in records.photos.of_quote(quote.number)
        ),
    )


def _limit(records: Records, quote: KeptQuote) -> Money | None:
    """Return the limit of the yes in force; None if it is without tax."""
    limit = limit_of(records, quote)
    return limit.authorised if limit.includes_tax else None


def _offered(
    records: Records, call: Call, quote: KeptQuote, figures: Revision, change: Change
) -> KeptQuote:
    """Return a quote on which a revision with what was found is on offer."""
    stamp = call.stamp
    quote = life.revise(records, stamp, quote, figures)
    check_charged_once(records, quote)
    quote = offer.issue(records, stamp, quote, for_customer)
    find = change.finds[-1]
    facts = {
        "revision": quote.offered,
        "contingency": find.contingency,
        "difference": change.difference.amount,
        "total": change.now.amount,
    }
    note_event(records, stamp, "quote.found", quote, facts)
    return quote


async def _reckoned(desk: Desk, before: _Before, body: FoundIn, by: str) -> Revision:
    """Return the revision with what was found. Raises: RequestRefused, with the places of errors in
    the body, and the errors of the stages.
    """
    asked = await _asked(desk, before, body, by)
    try:
        return await reckon(desk, asked, before.quote.number)
    except RequestRefused as refused:
        raise RequestRefused([_placed(fault, asked, body) for fault in refused.faults]) from None


def _placed(fault: KitwrightError, asked: QuoteIn, body: FoundIn) -> KitwrightError:
    """Return an error of the whole request with its place in the body, if it has one there."""
    match fault.path:
        case ("free_lines", int(index), *rest):
            own = index - (len(asked.free_lines) - len(body.free_lines))
            if own >= 0:
                return fault.at("free_lines", own, *rest)
        case ("add_jobs", int(index), *rest) if asked.add_jobs[index] in body.jobs:
            return fault.at("jobs", body.jobs.index(asked.add_jobs[index]), *rest)
        case ("add_jobs", *_) if body.contingency is not None:
            return fault.at("contingency")
    return fault.at()


async def _asked(desk: Desk, before: _Before, body: FoundIn, by: str) -> QuoteIn:
    """Return the request of the revision with what was found, `jobs` and lines at the end of its
    own. Raises: RequestRefused.
    """
    base, agreed = read_quote(before.base.answer), read_quote(before.agreed.answer)
    turned_up = _turned_up(base, body.contingency)
    there = {(job.job, job.cylinder) for job in base.jobs}
    there |= {(job.job, job.cylinder) for job in base.swallowed}
    jobs = _jobs(turned_up, body.jobs, there)
    parts = _parts(desk, base, turned_up)
    earlier = _earlier(before)
    faults = [*_faults(agreed, body, base, turned_up, before.photos)]
    if not jobs and not parts and not body.free_lines:
        faults.append(NothingAdded().at("jobs"))
    if len(earlier) >= MOST_FINDS:
        faults.append(TooManyFinds())
    if faults:
        raise RequestRefused(faults)
    was = before.quote.gross
    assert was is not None
    by_prices = await _moved(desk, before, was, by)
    change = ChangeIn(
        agreed=before.agreed.number,
        was=was.amount_text,
        by_prices=by_prices.amount_text,
        limit=None if before.limit is None else before.limit.amount_text,
        ready_on=agreed.ready_on,
        jobs=jobs_of(agreed),
        finds=(*earlier, _find(body, turned_up)),
    )
    asked = _today(before.base, before, by)
    return structs.replace(
        asked,
        add_jobs=(*asked.add_jobs, *jobs),
        leave_out=tuple(job for job in asked.leave_out if job not in jobs),
        add_parts=(*asked.add_parts, *(part for part in parts if part not in asked.add_parts)),
        free_lines=(*asked.free_lines, *body.free_lines),
        change=change,
    )


def _today(revision: Revision, before: _Before, by: str) -> QuoteIn:
    """Return the request of a revision, to be quoted today, with what was added since."""
    asked = carried_over(asked_of(revision), before.carried, before.every, by)
    return structs.replace(asked, on=None, needed_by=None)


async def _moved(desk: Desk, before: _Before, was: Money, by: str) -> Money:
    """Return how much more what is agreed would cost by today's prices; less if negative."""
    asked = structs.replace(_today(before.agreed, before, by), contingencies=False)
    try:
        figures = await reckon(desk, asked, before.quote.number)
    except RequestRefused as refused:
        # what is agreed can't be quoted today
        raise RequestRefused([fault.at() for fault in refused.faults]) from None
    return known(read_quote(figures.answer).totals.gross) - was


def _earlier(before: _Before) -> tuple[FindIn, ...]:
    """Return what was found before and is on offer; what is agreed is found no longer."""
    change = asked_of(before.base).change
    is_on_offer = before.quote.offered is not None
    return change.finds if is_on_offer and isinstance(change, ChangeIn) else ()


def _turned_up(base: Quote, asked: TurnedUpIn | None) -> tuple[Contingency, ...]:
    """Return the contingency of a quote that was found, before it those that have to be found
    first; nothing if there is none.
    """
    listed = {one.place: one for one in base.may_turn_up}
    place = None if asked is None else (asked.contingency, asked.cylinder)
    path: list[Contingency] = []
    while place is not None and place in listed:
        path.insert(0, listed[place])
        place = listed[place].under
    return tuple(path)


def _jobs(
    turned_up: Iterable[Contingency], jobs: Jobs, there: set[tuple[str, int | None]]
) -> tuple[JobIn, ...]:
    """Return the jobs to be added, each once, without those that are there."""
    own = [JobIn(job=job.job, cylinder=job.cylinder) for one in turned_up for job in one.jobs]
    every: tuple[JobIn, ...] = (*own, *jobs)
    return tuple(job for job in dict.fromkeys(every) if (job.job, job.cylinder) not in there)


def _parts(desk: Desk, base: Quote, turned_up: Iterable[Contingency]) -> tuple[PartIn, ...]:
    """Return the parts that what was found adds, each once, without those that are in the quote."""
    roles = {
        row.role for row in desk.service.workshop.catalogue.fitments[FamilyId(base.engine.family)]
    }
    there = {(need.role, need.cylinder) for need in base.kit.needs}
    found = (PartIn(role=one.role, cylinder=one.cylinder) for row in turned_up for one in row.parts)
    return tuple(
        part
        for part in dict.fromkeys(found)
        if part.role in roles and (part.role, part.cylinder) not in there
    )


def _faults(
    agreed: Quote,
    body: FoundIn,
    base: Quote,
    turned_up: tuple[Contingency, ...],
    photos: frozenset[str],
) -> Iterator[KitwrightError]:
    if body.step is None and body.contingency is None:
        yield FoundNowhere().at("step")
    if body.step is not None and body.step not in {one.step for one in agreed.work_plan.steps}:
        yield UnknownStep(body.step).at("step")
    if body.contingency is not None and not turned_up:
        yield UnknownContingency(body.contingency, base.may_turn_up).at("contingency")
    for index, photo in enumerate(body.photographs):
        if photo not in photos:
            yield UnknownPhoto(photo).at("photographs", index)


def _find(body: FoundIn, turned_up: tuple[Contingency, ...]) -> FindIn:
    last = turned_up[-1] if turned_up else None
    return FindIn(
        jobs=_jobs(turned_up, body.jobs, set()),
        step=body.step,
        contingency=None if last is None else last.contingency,
        name=None if last is None else last.name,
        cylinder=None if last is None else last.cylinder,
        what=body.what,
        why=body.why,
        readings=body.readings,
        photographs=body.photographs,
        by=body.by,
    )
