"""Acts: which actions each state of a quote allows, and the errors if one is not allowed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Final

from kitwright.errors import KitwrightError
from kitwright.keeping.record import KeptQuote, QuoteState

ACTS: Final[Mapping[str, frozenset[QuoteState]]] = MappingProxyType(
    {
        "revise": frozenset(QuoteState) - {QuoteState.done},
        "issue": frozenset(QuoteState) - {QuoteState.done},
        "accept": frozenset(QuoteState) - {QuoteState.draft, QuoteState.done},
        "decline": frozenset(QuoteState) - {QuoteState.draft, QuoteState.done},
        "withdraw": frozenset(QuoteState) - {QuoteState.withdrawn, QuoteState.done},
        "order": frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work}),
        "start": frozenset({QuoteState.accepted, QuoteState.ordered}),
        "add": frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work}),
        "finish": frozenset({QuoteState.in_work}),
    }
)
"""Act -> the states of a quote that allow it; the acts themselves check the other conditions."""

AT_WORK: Final = frozenset({QuoteState.ordered, QuoteState.in_work})
"""States that a new agreement does not change back."""


class ActRefused(KitwrightError):
    """An action that the present state of a record does not allow."""

    code = "act-refused"


class NotNow(ActRefused):
    """An act that the quote's state does not allow."""

    code = "not-in-this-state"

    def __init__(self, act: str, quote: KeptQuote, reason: str) -> None:
        done = {"add": "add to", "order": "order for"}.get(act, act)
        super().__init__(f"can't {done} this quote in state {quote.state.value}: {reason}")
        self.act = act
        self.state = quote.state
        self.possible = possible_acts(quote)


class NothingOffered(ActRefused):
    """No issued revision is open for a decision."""

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
    """A revision whose tax is not known can't be offered."""

    code = "tax-not-known"

    def __init__(self, revision: int) -> None:
        super().__init__(
            f"the tax of revision {revision} is not known: revise the quote with a tax_area"
        )
        self.revision = revision


class NotQuotable(ActRefused):
    """The request of a draft can no longer be quoted, so its price today is unknown."""

    code = "not-quotable-today"

    def __init__(self, revision: int, why: object) -> None:
        super().__init__(
            f"the request of revision {revision} can't be quoted today ({why}): revise the quote, "
            "or give the reason for keeping its prices in `keep_prices`"
        )
        self.revision = revision


class OtherCustomer(ActRefused):
    """A quote issued to one customer can't be revised for another."""

    code = "other-customer"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__("this quote was made out to another customer: make a new quote")
        self.quote = quote.number


def possible_acts(quote: KeptQuote) -> tuple[str, ...]:
    """Return the names of the acts that a quote's state allows, sorted."""
    undecided = {"accept", "decline"} if quote.offered is None else {"finish"}
    # without an offer or an agreement, a quote with a draft is a draft itself
    ended = (QuoteState.declined, QuoteState.expired, QuoteState.withdrawn)
    is_drafted = quote.latest not in (quote.offered, quote.agreed) and quote.state not in ended
    drafted = set() if is_drafted else {"issue"}
    left_out = undecided | drafted
    if quote.offered is None and quote.state not in (QuoteState.draft, QuoteState.accepted):
        left_out.add("withdraw")
    return tuple(
        sorted(act for act, states in ACTS.items() if quote.state in states and act not in left_out)
    )


def check_act(act: str, quote: KeptQuote) -> None:
    """Raise NotNow if a quote's state does not allow an act."""
    if quote.state not in ACTS[act]:
        possible = ", ".join(possible_acts(quote)) or "none"
        raise NotNow(act, quote, f"possible actions: {possible}")
