"""Claims: calls that claim parts which failed from their suppliers, and record what these gave."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.keeping import claims
from kitwright.keeping.aftercare import Claim, ClaimState
from kitwright.keeping.claims import ACTS_OF, ClaimAct, Failed
from kitwright.keeping.come_backs import agreed_quote
from kitwright.keeping.key import Scope
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.store import Records
from kitwright.quote import Amount, amount_of
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.amounts import read_amount
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import CLAIM, QUOTE, QuoteId, read_id_or_none
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.shown import ListOut, Out, extended
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, PageCursor, PageLimit, Text, Wire

Hours = Annotated[DecimalIn | None, Meta(description="A reading of the machine's meter.")]


class ClaimIn(Wire, frozen=True, kw_only=True):
    """A part that failed: how many `pieces` of it, and `what` is wrong with them. `hours_failed`
    null: those of the machine's record.
    """

    what: Text
    pieces: Annotated[int, Meta(ge=1, le=1000)] = 1
    hours_fitted: Hours = None
    hours_failed: Hours = None
    by: Text


class SendClaimIn(Wire, frozen=True, kw_only=True):
    """That a claim was sent; `reference` is the supplier's own for it, `day` null: today."""

    reference: Text | None = None
    day: date | None = None
    by: Text


class CreditClaimIn(Wire, frozen=True, kw_only=True):
    """What a supplier credited, without tax; `day` null: today."""

    amount: DecimalIn
    day: date | None = None
    reason: Text | None = None
    by: Text


class RefuseClaimIn(Wire, frozen=True, kw_only=True):
    """Why a supplier refused; `day` null: today."""

    reason: Text
    day: date | None = None
    by: Text


class WithdrawClaimIn(Wire, frozen=True, kw_only=True):
    """Why a claim is taken back, and who says so."""

    reason: Text
    by: Text


class ClaimDayInvalid(RequestFault):
    """A day that is still to come, or before the claim was made."""

    code = "claim-day-invalid"

    def __init__(self, day: date, first: date, today: date) -> None:
        super().__init__(
            f"{day.isoformat()} is not between {first.isoformat()}, when the part failed, and "
            f"today ({today.isoformat()})"
        )
        self.day = day


class KeptClaimOut(Claim, frozen=True, kw_only=True):
    """A claim with what may be done with it; `is_late` says that it was not sent by `due_on`.

    Supplier, order, line, SKU, cost and `received_on` are null if the records do not say where the
    part came from. `due_on` follows from the supplier's terms, null if these name no days.
    """

    is_late: bool
    acts: tuple[ClaimAct, ...]


class ClaimsOut(Out, frozen=True, kw_only=True):
    """The claims of a visit that came back. `cost` is what its parts and sublet work cost the shop
    as agreed, null if that is not known; cost - credited = left. All are without tax.
    """

    items: tuple[KeptClaimOut, ...]
    cost: Amount | None
    credited: Amount
    left: Amount | None


class ClaimsQuery(Wire, frozen=True, kw_only=True):
    """Which claims, newest first."""

    state: Annotated[
        Literal["open", "sent", "credited", "refused", "withdrawn"] | None,
        Meta(description="In this state."),
    ] = None
    quote: Annotated[QuoteId | None, Meta(description="Of this visit that came back.")] = None
    limit: PageLimit = 50
    cursor: PageCursor = ""


def _out(call: Call, claim: Claim) -> KeptClaimOut:
    day = claim.sent_on or call.stamp.today
    is_sent = claim.state is not ClaimState.open
    is_late = claim.due_on is not None and day > claim.due_on and (claim.sent_on or not is_sent)
    acts = ACTS_OF[claim.state]
    return extended(KeptClaimOut, claim, is_late=bool(is_late), acts=acts)


@operation(
    "POST /v1/quotes/{id}/claims",
    "claimPart",
    "claims",
    "act-refused",
    scope=Scope.ORDER,
    is_guarded=True,
    status=201,
)
def create(records: Records, call: Call, body: ClaimIn) -> Reply[KeptClaimOut]:
    """Claim a part that failed.

    Makes a claim against the supplier of the part that made the machine come back: with the order
    and line that delivered it, the days on which it was received, fitted and failed, the hours, and
    the last day by the supplier's terms. A part that was ordered for the earlier visit is found by
    its order. One from the shelf is found if all that its bin received came by one order; otherwise
    where it came from is not known. The cause has to be settled as a `part` before. More pieces
    than the earlier visit sold are refused (`claim-too-many`).
    """
    quote = call.checked(QUOTE, records.quotes.get)
    said = Failed(
        pieces=body.pieces,
        what=body.what,
        hours_fitted=body.hours_fitted,
        hours_failed=body.hours_failed,
        who=body.by,
    )
    suppliers = call.desk.service.workshop.catalogue.suppliers
    kept = claims.add_claim(records, call.stamp, quote, suppliers, said)
    return answer(call.desk, _out(call, kept), is_new=True)


@operation("GET /v1/quotes/{id}/claims", "listClaimsOfQuote", "claims")
def of_quote(records: Records, call: Call) -> Reply[ClaimsOut]:
    """List the claims of a visit that came back, and what it costs the shop less what suppliers
    credited.
    """
    quote = call.record(QUOTE, records.quotes.get)
    margin = agreed_quote(records, quote).margin
    credited = claims.credited(records, quote)
    cost = None
    if margin is not None:
        cost = margin.landed.money + margin.from_stock.money + margin.sublet.money
    return Reply(
        body=ClaimsOut(
            items=tuple(_out(call, one) for one in records.claims.of_quote(quote.number)),
            cost=None if cost is None else amount_of(cost),
            credited=amount_of(credited),
            left=None if cost is None else amount_of(cost - credited),
        )
    )


@operation("GET /v1/claims", "listClaims", "claims", "unknown-record")
def find(records: Records, call: Call, query: ClaimsQuery) -> Reply[ListOut[KeptClaimOut]]:
    """List claims, newest first, each with the last day by its supplier's terms."""
    quote = read_id_or_none(QUOTE, query.quote)
    state = None if query.state is None else ClaimState(query.state)

    def some(before: int | None, most: int) -> list[KeptClaimOut]:
        return [_out(call, one) for one in records.claims.find(quote, state, before, most)]

    return page_of(call.operation.path, query, some)


@operation("GET /v1/claims/{id}", "getClaim", "claims")
def get(records: Records, call: Call) -> Reply[KeptClaimOut]:
    """Get a claim."""
    return answer(call.desk, _out(call, call.record(CLAIM, records.claims.get)))


@operation(
    "POST /v1/claims/{id}/send",
    "sendClaim",
    "claims",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    is_guarded=True,
)
def send(records: Records, call: Call, body: SendClaimIn) -> Reply[KeptClaimOut]:
    """Record that a claim was sent to its supplier. One that was refused can be sent again."""
    claim = call.checked(CLAIM, records.claims.get)
    day = _day(call, claim, body.day)
    after = claims.sent(claim, day, body.reference or claim.reference, body.by)
    return _done(records, call, claim, "send", "claim.sent", after)


@operation(
    "POST /v1/claims/{id}/credit",
    "creditClaim",
    "claims",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    is_guarded=True,
)
def credit(records: Records, call: Call, body: CreditClaimIn) -> Reply[KeptClaimOut]:
    """Record what a supplier credited for a claim. It lowers what the visit costs the shop."""
    claim = call.checked(CLAIM, records.claims.get)
    amount = read_amount(body.amount, call.desk.currency, "amount")
    after = claims.answered(claim, _day(call, claim, body.day), amount, body.reason, body.by)
    return _done(records, call, claim, "credit", "claim.credited", after)


@operation(
    "POST /v1/claims/{id}/refuse",
    "refuseClaim",
    "claims",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    is_guarded=True,
)
def refuse(records: Records, call: Call, body: RefuseClaimIn) -> Reply[KeptClaimOut]:
    """Record that a supplier refused a claim, and why."""
    claim = call.checked(CLAIM, records.claims.get)
    after = claims.answered(claim, _day(call, claim, body.day), None, body.reason, body.by)
    return _done(records, call, claim, "refuse", "claim.refused", after)


@operation(
    "POST /v1/claims/{id}/withdraw",
    "withdrawClaim",
    "claims",
    "act-refused",
    scope=Scope.ORDER,
    is_guarded=True,
)
def withdraw(records: Records, call: Call, body: WithdrawClaimIn) -> Reply[KeptClaimOut]:
    """Take a claim back that is not settled. Then the part can be claimed again."""
    claim = call.checked(CLAIM, records.claims.get)
    after = claims.withdrawn(claim, call.stamp.today, body.reason, body.by)
    return _done(records, call, claim, "withdraw", "claim.withdrawn", after)


def _day(call: Call, claim: Claim, day: date | None) -> date:
    """Return the day on which something happened to a claim. Raises: RequestRefused."""
    today = call.stamp.today
    found = day or today
    if not claim.failed_on <= found <= today:
        raise RequestRefused([ClaimDayInvalid(found, claim.failed_on, today).at("day")])
    return found


def _done(
    records: Records, call: Call, before: Claim, act: ClaimAct, kind: EventKind, after: Claim
) -> Reply[KeptClaimOut]:
    kept = claims.change_claim(records, call.stamp, before, act, kind, after)
    return answer(call.desk, _out(call, kept))
