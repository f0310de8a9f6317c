"""Acts: what may be done with a quote in which state, and what is said if it may not."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.keeping.record import KeptQuote, QuoteState, Revision, RevisionState

ACTS: Final[Mapping[str, frozenset[QuoteState]]] = MappingProxyType(
    {
        "revise": frozenset(QuoteState) - {QuoteState.done},
        "issue": frozenset(QuoteState) - {QuoteState.done},
        "accept": frozenset(QuoteState) - {QuoteState.draft, QuoteState.done},
        "decline": frozenset(QuoteState) - {QuoteState.draft, QuoteState.done},
        "withdraw": frozenset(QuoteState) - {QuoteState.withdrawn, QuoteState.done},
        "order": frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work}),
        "start": frozenset({QuoteState.accepted, QuoteState.ordered}),
        "tear_down": frozenset({QuoteState.accepted, QuoteState.ordered}),
        "add": frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work}),
        "found": frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work}),
        "cause": frozenset(QuoteState) - {QuoteState.done},
        "claim": frozenset(QuoteState),
        "clock": frozenset({QuoteState.in_work}),
        "finish": frozenset({QuoteState.in_work}),
        "stop": frozenset(
            {
                QuoteState.accepted,
                QuoteState.ordered,
                QuoteState.in_work,
                QuoteState.declined,
                QuoteState.expired,
            }
        ),
        "early_start": frozenset({QuoteState.accepted, QuoteState.ordered}),
        "withdrawal": frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work}),
        "pay": frozenset(QuoteState),
        "collect": frozenset({QuoteState.done, QuoteState.declined, QuoteState.expired}),
        "notice": frozenset({QuoteState.done, QuoteState.declined, QuoteState.expired}),
        "invoice": frozenset({QuoteState.done}),
    }
)
"""Act -> the states of a quote in which it can be thought of; the acts say what else they need."""

_SAID: Final = {
    "add": "add to",
    "order": "order for",
    "cause": "settle the cause of",
    "clock": "clock on",
    "early_start": "record the wish of an early start for",
    "found": "record what was found for",
    "notice": "record a notice for",
    "pay": "record a payment for",
    "tear_down": "tear down for",
    "withdrawal": "withdraw from",
}
"""How acts are said whose name alone says too little."""

AT_WORK: Final = frozenset({QuoteState.ordered, QuoteState.in_work})
"""States that a new agreement does not take back."""

NOT_FOLLOWED: Final = frozenset({QuoteState.draft, QuoteState.accepted})
"""States that can be withdrawn without an offer: no order or work has followed yet."""


_AFTER_WITHDRAWAL: Final = frozenset({"stop", "pay", "collect", "invoice"})
"""The acts on work that its customer withdrew from once it had begun."""


class Standing(Struct, frozen=True, kw_only=True):
    """How the account of a quote stands: whether anything can be paid or paid back, and of a
    finished one, whether the machine is still here, and whether the statement is to be invoiced.
    """

    is_payable: bool = False
    is_here: bool = False
    is_billable: bool = False


_NOTHING: Final = Standing()


class ActRefused(KitwrightError):
    """Something that can't be done with a record as it stands."""

    code = "act-refused"


class NotNow(ActRefused):
    """An act that the quote's state does not allow."""

    code = "not-in-this-state"

    def __init__(self, act: str, quote: KeptQuote, reason: str) -> None:
        done = _SAID.get(act, act)
        super().__init__(f"can't {done} this quote in state {quote.state.value}: {reason}")
        self.act = act
        self.state = quote.state


class NothingOffered(ActRefused):
    """There is no issued revision to decide on."""

    code = "nothing-offered"

    def __init__(self, act: str, quote: KeptQuote) -> None:
        super().__init__(f"no revision is on offer to {act}: issue one first")
        self.latest = quote.latest


class OtherRevisionOffered(ActRefused):
    """A decision on a revision that is not the one on offer."""

    code = "other-revision-offered"

    def __init__(self, revision: int, offered: int) -> None:
        super().__init__(f"revision {revision} is no longer on offer; revision {offered} is")
        self.revision = revision
        self.offered = offered


class NoSuchRevision(ActRefused):
    """A revision that the quote does not have."""

    code = "no-such-revision"

    def __init__(self, revision: int, latest: int) -> None:
        super().__init__(f"there is no revision {revision}: the newest is {latest}")
        self.revision = revision
        self.latest = latest


class QuoteExpired(ActRefused):
    """A revision whose last valid day has passed."""

    code = "quote-expired"

    def __init__(self, revision: int, valid_until: date) -> None:
        super().__init__(
            f"revision {revision} was valid until {valid_until.isoformat()}: revise the quote, "
            "then issue it"
        )
        self.revision = revision
        self.valid_until = valid_until


class TaxNotKnown(ActRefused):
    """A revision without a tax area can't be offered."""

    code = "tax-not-known"

    def __init__(self, revision: int) -> None:
        super().__init__(
            f"the tax of revision {revision} is not known: revise the quote with a tax_area"
        )
        self.revision = revision


class PartsNotAvailable(ActRefused):
    """A revision with parts that no source can supply can't be offered."""

    code = "parts-not-available"

    def __init__(self, revision: int, items: tuple[str, ...]) -> None:
        super().__init__(
            f"no supplier has {', '.join(items)} of revision {revision} in the required quality: "
            "revise the quote once they are on the shelf or on sale, or with the parts that the "
            "customer brings (`customer_parts`), another quality (`floors`) or without the job "
            "(`leave_out`)"
        )
        self.revision = revision
        self.items = items


class NotQuotable(ActRefused):
    """What a draft asked can't be quoted any more, so that nobody can tell its price today."""

    code = "not-quotable-today"

    def __init__(self, revision: int, why: object) -> None:
        super().__init__(
            f"the request of revision {revision} can't be quoted today ({why}): revise the quote, "
            "or give the reason for keeping its prices in `keep_prices`"
        )
        self.revision = revision


class OtherCustomer(ActRefused):
    """A quote that was made out to one customer is never revised for another."""

    code = "other-customer"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__("this quote was made out to another customer: make a new quote")
        self.quote = quote.number


def possible_acts(
    quote: KeptQuote,
    newest: Revision,
    today: date,
    *,
    is_supplied: bool,
    is_orderable: bool,
    is_here: bool = True,
    can_begin: bool = False,
    owes_fee: bool = False,
    account: Standing = _NOTHING,
    waits: bool = False,
    may_withdraw: bool = False,
    comes_back: bool = False,
    may_claim: bool = False,
    is_waiting: bool = False,
    may_issue: bool = True,
    may_accept: bool = True,
) -> tuple[str, ...]:
    """Return the acts that are not refused as a quote stands, by name.

    Whether prices have moved since a draft was made, and whether all of its parts are available, is
    looked at when it is issued; what an invoice lacks, when it is made.

    Args:
        newest: the quote's newest revision.
        today: the shop's day.
        is_supplied: whether all parts orders of the agreed revision are made.
        is_orderable: whether those that are not made can be.
        is_here: whether none is left to be made, and all goods that were agreed are here.
        can_begin: whether the work can begin with the parts that are here.
        owes_fee: whether it owes the diagnostic fee if nothing is agreed.
        account: how the account stands once the work is finished.
        waits: whether work can't begin yet, because the customer may withdraw.
        may_withdraw: whether the customer may.
        comes_back: whether its machine came back from an earlier visit.
        may_claim: whether the part that made it come back can be claimed.
        is_waiting: whether its machine waits to be collected.
        may_issue: whether the newest revision takes off no diagnosis that another quote takes off.
        may_accept: whether the same holds for the revision on offer.
    """
    is_offered = quote.offered is not None
    met = {
        "issue": newest.state is RevisionState.draft
        and newest.gross is not None
        and newest.valid_until >= today
        and may_issue,
        "accept": is_offered and may_accept,
        "decline": is_offered,
        "withdraw": is_offered or quote.state in NOT_FOLLOWED,
        "cause": comes_back,
        "claim": may_claim,
        "order": is_orderable,
        "start": is_supplied and not waits,
        "tear_down": can_begin and not waits,
        "early_start": waits,
        "withdrawal": may_withdraw,
        "stop": not is_offered and (quote.agreed is not None or owes_fee),
        "finish": not is_offered and is_here,
        "pay": account.is_payable,
        "collect": account.is_here or is_waiting,
        "notice": is_waiting,
        "invoice": account.is_billable,
    }
    every = ACTS if quote.withdrawn_at is None else _AFTER_WITHDRAWAL
    return tuple(sorted(act for act in every if quote.state in ACTS[act] and met.get(act, True)))


def check_act(act: str, quote: KeptQuote) -> None:
    """Raise NotNow if a quote's state leaves no room for an act."""
    if quote.withdrawn_at is not None and act not in _AFTER_WITHDRAWAL:
        raise NotNow(act, quote, "the customer has withdrawn from the contract: stop the work")
    if quote.state in ACTS[act]:
        return
    if quote.state is QuoteState.done:
        raise NotNow(act, quote, "nothing changes it any longer")
    needed = [state.value for state in QuoteState if state in ACTS[act]]
    raise NotNow(act, quote, f"it has to be {' or '.join(needed)}")
