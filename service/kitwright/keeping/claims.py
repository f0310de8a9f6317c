"""Claims: for a part that failed, against the supplier that delivered it, if that is known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from fractions import Fraction
from math import ceil
from typing import Final, Literal

from msgspec import Struct, structs

from kitwright.catalogue.model import Supplier, SupplierId
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.aftercare import Claim, ClaimState, KeptComeBack
from kitwright.keeping.come_backs import agreed_quote
from kitwright.keeping.event import Facts, add_record, change_record
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.ledger import MoveKind
from kitwright.keeping.order_progress import LineState, orders_of, progress_of
from kitwright.keeping.record import KeptQuote, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import read_statement
from kitwright.stages.request import BackCause
from kitwright.units import decimal_text

_MOST_MOVES: Final = 10_000
_BY_ORDER: Final = "order O"
"""The start of the reason of a receipt; the order's number follows."""
ClaimAct = Literal["credit", "refuse", "send", "withdraw"]
"""Something that may be done with a claim."""
ACTS_OF: Final[Mapping[ClaimState, tuple[ClaimAct, ...]]] = {
    ClaimState.open: ("credit", "refuse", "send", "withdraw"),
    ClaimState.sent: ("credit", "refuse", "withdraw"),
    ClaimState.refused: ("send",),
    ClaimState.credited: (),
    ClaimState.withdrawn: (),
}
"""The state of a claim -> what may be done with it."""


class NothingToClaim(ActRefused):
    """A claim for a visit whose cause is no part that the shop sold."""

    code = "nothing-to-claim"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__(
            "no part of this shop is the cause of this visit: settle the cause first "
            "(`cause`: `part`)"
        )
        self.quote = quote.number


class AlreadyClaimed(ActRefused):
    """A second claim for the part of a visit."""

    code = "already-claimed"

    def __init__(self, claim: Claim) -> None:
        super().__init__(f"claim K{claim.number} is for {claim.part} already")
        self.claim = claim.number


class NotThatMany(ActRefused):
    """A claim for more pieces than the earlier visit fitted."""

    code = "claim-too-many"

    def __init__(self, part: str, pieces: int, fitted: Fraction) -> None:
        super().__init__(
            f"{pieces} of {part} can't be claimed: the earlier visit sold {decimal_text(fitted)}"
        )
        self.part = part
        self.fitted = fitted


class ClaimNotNow(ActRefused):
    """Something that can't be done with a claim in its state."""

    code = "claim-not-in-this-state"

    def __init__(self, act: str, claim: Claim) -> None:
        super().__init__(f"can't {act} a claim that is {claim.state.value}")
        self.act = act
        self.state = claim.state


class Origin(Struct, frozen=True, kw_only=True):
    """Where a part came from: the order with its line, and the day on which it arrived."""

    order: int
    line: LineState
    received_on: date | None

    @property
    def piece(self) -> Fraction:
        """What a piece cost, without tax."""
        return Fraction(self.line.unit_cost) / self.line.placed.pack_size


def may_claim(records: Records, quote: KeptQuote) -> bool:
    """Return whether a part of a quote's earlier visit can be claimed and is not."""
    back = records.come_backs.get(quote.number)
    return _is_of_part(back) and not any(_standing(records, quote))


def _is_of_part(back: KeptComeBack | None) -> bool:
    return back is not None and back.cause == BackCause.part.value and back.part is not None


def check_claim(records: Records, quote: KeptQuote) -> KeptComeBack:
    """Return why a machine came back whose part is claimed. Raises: NothingToClaim,
    AlreadyClaimed.
    """
    back = records.come_backs.get(quote.number)
    if back is None or not _is_of_part(back):
        raise NothingToClaim(quote)
    for claim in _standing(records, quote):
        raise AlreadyClaimed(claim)
    return back


def _standing(records: Records, quote: KeptQuote) -> Iterator[Claim]:
    """Yield the claims of a visit that were not withdrawn."""
    for claim in records.claims.of_quote(quote.number):
        if claim.state is not ClaimState.withdrawn:
            yield claim


def _sold(records: Records, visit: int, part: str) -> Fraction:
    """Return how many pieces of a part a visit sold: those billed, or else those of its sets."""
    kept, quote = records.statements.get(visit), records.quotes.get(visit)
    lines = () if kept is None else read_statement(kept.body).lines
    billed = [Fraction(line.quantity) for line in lines if line.code == part]
    if billed or quote is None:
        return sum(billed, Fraction(0))
    packs = agreed_quote(records, quote).kit.packs
    return sum(
        (
            Fraction(cover.quantity)
            for pack in packs
            if pack.source != "unfilled"
            for cover in pack.covers
            if part in (cover.part, cover.fitted)
        ),
        Fraction(0),
    )


def origin_of_part(records: Records, visit: int, part: str) -> Origin | None:
    """Return where a part came from that a visit fitted, None if the store does not know.

    What was ordered for the visit is found by its orders. What came from the shelf is found if all
    that was received in its bin until then came by one order.
    """
    for order in orders_of(records, visit):
        for line in progress_of(records, order).lines:
            mine = [one for one in line.holders if one.quote == visit and one.there > 0]
            fits = (line.placed.item, *(use.part for one in mine for use in one.covers))
            if mine and part in fits:
                return Origin(order=order.number, line=line, received_on=_last(line))
    return _from_shelf(records, visit, part)


def _last(line: LineState) -> date | None:
    return max(line.days, default=None)


def _from_shelf(records: Records, visit: int, part: str) -> Origin | None:
    moves = records.shelf.moves(part, None, _MOST_MOVES)
    drawn = [one for one in moves if one.quote == visit and one.kind is MoveKind.draw]
    if not drawn:
        return None
    last = drawn[0]
    reasons = {
        one.reason
        for one in moves
        if one.holding == last.holding and one.kind is MoveKind.receive and one.number < last.number
    }
    if len(reasons) != 1:
        return None
    (reason,) = reasons
    number = reason.removeprefix(_BY_ORDER)
    order = records.orders.get(int(number)) if number.isdigit() else None
    if order is None:
        return None
    for line in progress_of(records, order).lines:
        if line.placed.item == part:
            return Origin(order=order.number, line=line, received_on=_last(line))
    return None


def due_day(supplier: Supplier | None, received_on: date | None, failed_on: date) -> date | None:
    """Return the last day for a claim by a supplier's terms, None if they name none."""
    if supplier is None:
        return None
    days = []
    if supplier.claim_days is not None:
        days.append(failed_on + timedelta(days=supplier.claim_days))
    if supplier.warranty_days is not None and received_on is not None:
        days.append(received_on + timedelta(days=supplier.warranty_days))
    return min(days, default=None)


class Failed(Struct, frozen=True, kw_only=True):
    """What is said of a part that failed. Hours are readings of the machine's meter."""

    pieces: int
    what: str
    hours_fitted: str | None
    hours_failed: str | None
    who: str


def add_claim(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    suppliers: Mapping[SupplierId, Supplier],
    said: Failed,
) -> Claim:
    """Return a new claim for the part that made a machine come back, with its number.

    Raises: NothingToClaim, AlreadyClaimed, NotThatMany.
    """
    back = check_claim(records, quote)
    assert back.part is not None
    sold = _sold(records, back.visit, back.part)
    # of a pack of which some was used, one is claimed
    if said.pieces > ceil(sold):
        raise NotThatMany(back.part, said.pieces, sold)
    origin = origin_of_part(records, back.visit, back.part)
    statement = records.statements.get(back.visit)
    cost = None
    if origin is not None:
        cost = Money.of(origin.piece * said.pieces, quote.net.currency)
    supplier = None if origin is None else suppliers.get(SupplierId(origin.line.supplier))
    received_on = None if origin is None else origin.received_on
    claim = Claim(
        number=0,
        version=1,
        quote=quote.number,
        visit=back.visit,
        part=back.part,
        pieces=said.pieces,
        supplier=None if origin is None else origin.line.supplier,
        order=None if origin is None else origin.order,
        line=None if origin is None else origin.line.line,
        sku=None if origin is None else origin.line.placed.sku,
        received_on=received_on,
        cost=cost,
        fitted_on=back.day if statement is None else statement.day,
        failed_on=back.day,
        hours_fitted=said.hours_fitted,
        hours_failed=said.hours_failed or _hours(records, quote),
        due_on=due_day(supplier, received_on, back.day),
        state=ClaimState.open,
        what=said.what,
        sent_on=None,
        reference=None,
        answered_on=None,
        credit=None,
        reason=None,
        who=said.who,
        made_at=stamp.at,
    )
    return add_record(records, stamp, "claim.created", records.claims, claim)


def _hours(records: Records, quote: KeptQuote) -> str | None:
    machine = None if quote.machine is None else records.machines.get(quote.machine)
    return None if machine is None else machine.hours


def change_claim(
    records: Records, stamp: Stamp, claim: Claim, act: ClaimAct, kind: EventKind, after: Claim
) -> Claim:
    """Return a claim with which something was done. Raises: ClaimNotNow."""
    if act not in ACTS_OF[claim.state]:
        raise ClaimNotNow(act, claim)
    facts: Facts = {"state": after.state.value, "quote": f"Q{claim.quote}"}
    if after.credit is not None:
        facts = {**facts, "credit": after.credit.amount_text}
    return change_record(records, stamp, kind, records.claims, claim, after, facts)


def credited(records: Records, quote: KeptQuote) -> Money:
    """Return what suppliers credited for the parts of a visit that came back."""
    claims = records.claims.of_quote(quote.number)
    currency = quote.net.currency
    return total((one.credit for one in claims if one.credit is not None), currency)


def sent(claim: Claim, day: date, reference: str | None, who: str) -> Claim:
    """Return a claim that was sent to its supplier on a day."""
    return structs.replace(
        claim, state=ClaimState.sent, sent_on=day, reference=reference, reason=None, who=who
    )


def answered(claim: Claim, day: date, credit: Money | None, reason: str | None, who: str) -> Claim:
    """Return a claim that its supplier credited, or refused if `credit` is None."""
    state = ClaimState.refused if credit is None else ClaimState.credited
    return structs.replace(
        claim, state=state, answered_on=day, credit=credit, reason=reason, who=who
    )


def withdrawn(claim: Claim, day: date, reason: str, who: str) -> Claim:
    """Return a claim that the shop took back."""
    return structs.replace(
        claim, state=ClaimState.withdrawn, answered_on=day, reason=reason, who=who
    )
