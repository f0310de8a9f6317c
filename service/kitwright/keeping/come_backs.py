"""Come-backs: which visit a machine comes back from, and how the shop's warranty applies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from msgspec import Struct

from kitwright.catalogue.model import ItemId, Warranty
from kitwright.keeping.life import revision_of
from kitwright.keeping.order_progress import held_by
from kitwright.keeping.record import KeptQuote, QuoteState
from kitwright.keeping.store import Records
from kitwright.quote import Line, Quote, read_quote
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
    """An earlier visit whose work is not finished."""

    code = "visit-not-finished"

    def __init__(self, visit: str, state: QuoteState) -> None:
        super().__init__(
            f"{visit} is {state.value}: a machine comes back from a visit that is done; revise "
            "that quote instead"
        )
        self.visit = visit
        self.state = state


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


def judge(records: Records, terms: Warranty, visit: KeptQuote, said: Settled) -> ComeBack:
    """Return how the shop's warranty applies to a come-back.

    The warranty runs from the day on which the machine was collected; until then it has not begun,
    and covers. A part of another make has the shop's days for such parts; on a part of the engine's
    maker the shop gives the days of its work, beside the maker's own terms.

    Raises: PartNotFitted.
    """
    since = collected_on(records, visit)
    days = terms.labour_days
    ground = {
        None: Ground.not_settled,
        BackCause.new_fault: Ground.new_fault,
        BackCause.work: Ground.work_in_time,
        BackCause.part: Ground.part_in_time,
    }[said.cause]
    if said.cause is BackCause.part:
        quote = agreed_quote(records, visit)
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
