"""Come-backs: which visit a machine comes back from, and how the shop's warranty applies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from msgspec import Struct, structs

from kitwright.catalogue.model import ItemId, Warranty
from kitwright.keeping.life import revision_of
from kitwright.keeping.order_progress import held_by
from kitwright.keeping.record import KeptQuote, QuoteState
from kitwright.keeping.store import Records
from kitwright.quote import Line, Quote, read_quote, read_statement
from kitwright.stages.request import BackCause, ComeBack, CoveredJob, Ground, RequestFault

_GOODS = frozenset({"part", "set", "customer_part", "consumable"})
_MAKER = "maker"


class VisitUnknown(RequestFault):
    """An earlier visit that is not kept here, or is this one."""

    code = "visit-unknown"

    def __init__(self, visit: str) -> None:
        super().__init__(f"{visit} is no other visit that is kept here")
        self.visit = visit


class VisitNotFinished(RequestFault):
    """An earlier visit whose work is not finished, or was stopped with nothing put together."""

    code = "visit-not-finished"

    def __init__(self, visit: str, state: QuoteState) -> None:
        super().__init__(
            f"{visit} was stopped, and nothing was repaired or put together at it that there could "
            "be a warranty on: quote the work anew"
            if state is QuoteState.done
            else f"{visit} is {state.value}: a machine comes back from a visit that is done; "
            "revise that quote instead"
        )
        self.visit = visit
        self.state = state


class JobNotDone(RequestFault):
    """A job that the earlier visit agreed, and that was not done because it was stopped."""

    code = "job-not-done"

    def __init__(self, visit: str, jobs: Iterable[str]) -> None:
        super().__init__(
            f"{', '.join(jobs)}: agreed at {visit}, and not done, because the work was stopped. "
            "There is no warranty on work that was not done; name in `jobs` only those that mend "
            "what the shop did at it"
        )
        self.visit = visit


class ComeBackImpossible(RequestFault):
    """A machine that came back before its earlier visit, or is to come back in years."""

    code = "come-back-impossible"

    def __init__(self, on: date, first: date, last: date) -> None:
        super().__init__(
            f"{on} is no day on which the machine came back: the earlier visit is of {first}, and "
            f"the day may be up to {last}"
        )
        self.on = on


class VisitOfOther(RequestFault):
    """An earlier visit of another machine."""

    code = "visit-of-other-machine"

    def __init__(self, visit: str, member: str, there: object, here: object) -> None:
        super().__init__(f"{visit} is of {member} {there}, not {here}")
        self.visit = visit


class CauseUnclear(RequestFault):
    """A cause without what belongs to it, or something that belongs to a cause without one."""

    code = "cause-unclear"

    def __init__(self, why: str) -> None:
        super().__init__(why)


class PartNotFitted(RequestFault):
    """A part that failed, and that the earlier visit did not fit."""

    code = "part-not-fitted"

    def __init__(self, part: str, visit: str, fitted: Iterable[str]) -> None:
        super().__init__(f"{visit} did not fit {part}, but {', '.join(fitted) or 'no part'}")
        self.part = part
        self.visit = visit


class Settled(Struct, frozen=True, kw_only=True):
    """What is said of a come-back: the earlier visit, and the cause once it is settled. `visit` is
    the earlier quote's id, `on` the day on which the machine came back.
    """

    visit: str
    on: date
    cause: BackCause | None
    jobs: tuple[CoveredJob, ...]
    part: str | None
    reason: str | None
    by: str | None


class Fitted(Struct, frozen=True):
    """A part that a visit fitted: the customer's own, or of some quality, None if not known."""

    is_customers: bool
    quality: str | None


def fitted_of(quote: Quote, part: str) -> Fitted | None:
    """Return how a visit came by a part, None if it did not fit it. A part of a set is fitted under
    its own number.
    """
    line = next((one for one in quote.lines if _has(one, part)), None)
    pieces = {
        cover.part
        for pack in quote.kit.packs
        for cover in pack.covers
        if part in (cover.part, cover.fitted)
    }
    if line is None and not pieces:
        return None
    is_customers = line is not None and line.kind == "customer_part"
    shelf = {one.item: one.quality for one in quote.kit.from_stock}
    quality = shelf.get(part)
    return Fitted(is_customers, quality)


def _ordered_quality(records: Records, visit: KeptQuote, part: str) -> str | None:
    """Return the quality in which a part was ordered for a visit, None if it was not."""
    for line, holder in held_by(records, visit.number):
        if part in (line.placed.item, *(one.part for one in holder.covers)):
            return holder.quality
    return None


def _has(line: Line, part: str) -> bool:
    return line.kind in _GOODS and line.code == part


def fitted_parts(quote: Quote) -> Sequence[str]:
    """Return the numbers of the parts that a visit fitted, those of sets too, each once."""
    lines = [one.code for one in quote.lines if one.kind in _GOODS]
    pieces = [
        cover.fitted or cover.part
        for pack in quote.kit.packs
        for cover in pack.covers
        if pack.source != "unfilled"
    ]
    return tuple(dict.fromkeys([*lines, *pieces]))


def collected_on(records: Records, visit: KeptQuote) -> date | None:
    """Return the day on which the machine of a finished visit was collected, None if it was not."""
    handover = records.handovers.get(visit.number)
    return None if handover is None else handover.day


def agreed_quote(records: Records, visit: KeptQuote) -> Quote:
    """Return the agreed revision of a visit."""
    return read_quote(revision_of(records, visit, visit.agreed or visit.shown).answer)


def is_warranted(records: Records, visit: KeptQuote) -> bool:
    """Return whether anything was done at a visit that a warranty could be on: its work is
    finished, or it was stopped and the machine put together again.
    """
    kept = records.statements.get(visit.number)
    stopped = None if kept is None else read_statement(kept.body).stopped
    is_done = visit.state is QuoteState.done
    return is_done and (stopped is None or stopped.machine == "put_together")


def check_done(records: Records, visit: KeptQuote, said: Settled) -> None:
    """Raise JobNotDone if the shop is to bear jobs that a stopped visit agreed and did not do;
    all of them if none is named.
    """
    kept = records.statements.get(visit.number)
    is_stopped = kept is not None and read_statement(kept.body).stopped is not None
    if said.cause in (None, BackCause.new_fault) or not is_stopped:
        return
    agreed = {one.job: one for one in agreed_quote(records, visit).jobs}
    named = [str(one.job) for one in said.jobs]
    undone = [job for job in named if job in agreed] if named else [*agreed]
    if undone:
        raise JobNotDone(said.visit, undone)


def fitted_quote(records: Records, visit: KeptQuote) -> Quote:
    """Return the agreed revision of a visit with only the goods that its statement bills, as the
    others were not fitted.
    """
    quote, kept = agreed_quote(records, visit), records.statements.get(visit.number)
    if kept is None:
        return quote
    goods = [one for one in read_statement(kept.body).lines if one.kind in _GOODS]
    unused = {one.code for one in goods} - {one.code for one in goods if one.quantity != "0"}
    packs = tuple(one for one in quote.kit.packs if one.item not in unused)
    return structs.replace(
        quote,
        lines=tuple(one for one in quote.lines if one.code not in unused),
        kit=structs.replace(quote.kit, packs=packs),
    )


def judge(records: Records, terms: Warranty, visit: KeptQuote, said: Settled) -> ComeBack:
    """Return how the shop's warranty applies to a come-back.

    The warranty runs from the day on which the machine was collected; until then it has not begun,
    and covers. A part of another make has the shop's days for such parts; on a part of the engine's
    maker the shop gives the days of its work, beside the maker's own terms.

    Raises: PartNotFitted, JobNotDone.
    """
    check_done(records, visit, said)
    since = collected_on(records, visit)
    days = terms.labour_days
    ground = {
        None: Ground.not_settled,
        BackCause.new_fault: Ground.new_fault,
        BackCause.work: Ground.work_in_time,
        BackCause.part: Ground.part_in_time,
    }[said.cause]
    if said.cause is BackCause.part:
        quote = fitted_quote(records, visit)
        fitted = fitted_of(quote, said.part or "")
        if fitted is None:
            raise PartNotFitted(said.part or "", said.visit, fitted_parts(quote))
        if (_ordered_quality(records, visit, said.part or "") or fitted.quality) != _MAKER:
            days = terms.alternate_parts_days
        if fitted.is_customers:
            ground = Ground.part_of_customer
    until = None
    if ground.is_covered:
        until = (since or said.on) + timedelta(days=days)
        if said.on > until:
            late = ground is Ground.work_in_time
            ground = Ground.work_too_late if late else Ground.part_too_late
    return ComeBack(
        visit=said.visit,
        since=since,
        on=said.on,
        ground=ground,
        cause=said.cause,
        until=until,
        jobs=said.jobs,
        part=None if said.part is None else ItemId(said.part),
        reason=said.reason,
        by=said.by,
    )
