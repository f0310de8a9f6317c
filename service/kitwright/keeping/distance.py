"""Distance: a yes by a link as a contract made from afar, which a consumer may withdraw from.

After Directive 2011/83/EU, articles 9 to 16: the period begins with the day after the contract, and
does not end on a Saturday or Sunday (Regulation (EEC, Euratom) No 1182/71, article 3). Work does
not begin in it unless the consumer asks for that, and then knows that a part is owed.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

from msgspec import structs

from kitwright.catalogue.model import Distance
from kitwright.keeping.acts import ActRefused, check_act
from kitwright.keeping.clock import stop_clocks
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.record import (
    Authorisation,
    Customer,
    EarlyWish,
    FromAfar,
    KeptQuote,
    Means,
    QuoteState,
    Revision,
    RevisionState,
    Stamp,
)
from kitwright.keeping.reserving import settle
from kitwright.keeping.store import Records
from kitwright.keeping.sums import read_reckoning

_SATURDAY: Final = 5


class WithdrawalPeriod(ActRefused):
    """Work that would begin while its customer may still withdraw, without being asked to."""

    code = "withdrawal-period"

    def __init__(self, until: date) -> None:
        first = until + timedelta(days=1)
        super().__init__(
            f"the customer may withdraw until {until.isoformat()} and did not ask for an earlier "
            f"start: start the work on {first.isoformat()} or later"
        )
        self.until = until


class NoWait(ActRefused):
    """The wish of an early start, where the work need not wait."""

    code = "no-wait"

    def __init__(self) -> None:
        super().__init__("the work need not wait: it can begin without this wish")


class NoRightToWithdraw(ActRefused):
    """A withdrawal from a contract that was not made from afar, is over, or is fulfilled."""

    code = "no-right-to-withdraw"

    def __init__(self, why: str) -> None:
        super().__init__(f"the customer can't withdraw: {why}")


def distance_of(records: Records, revision: Revision) -> Distance | None:
    """Return the rules of a contract that the customer of a revision makes by a link, None if it
    has none: the place has none, or the customer is no consumer.
    """
    reckoning = read_reckoning(revision)
    distance = None if reckoning is None else reckoning.area.distance
    customer = None if revision.customer is None else records.customers.get(revision.customer)
    return distance if is_consumer(customer) else None


def is_consumer(customer: Customer | None) -> bool:
    """Return whether a customer counts as a consumer: whoever has neither a number for VAT nor one
    of a register of companies.
    """
    billing = None if customer is None else customer.billing
    return billing is None or not (billing.vat_id or billing.registration)


def made_from_afar(
    records: Records,
    quote: KeptQuote,
    rules: Distance | None,
    day: date,
    *,
    starts_early: bool,
    notice_sha256: str | None,
) -> FromAfar | None:
    """Return what a yes by a link on a day means for the right to withdraw. A change of what is
    agreed leaves that as it is. `notice_sha256` is of the notice that was shown.
    """
    if quote.agreed is not None:
        given = records.authorisations.get(quote.number, quote.agreed)
        return None if given is None else given.from_afar
    if rules is None:
        return None
    until = last_day(day, rules.withdrawal_days)
    return FromAfar(
        days=rules.withdrawal_days,
        until=until,
        starts_early=starts_early,
        notice_sha256=notice_sha256,
    )


def last_day(day: date, days: int) -> date:
    """Return the last day on which somebody may withdraw who agreed on a day."""
    until = day + timedelta(days=days)
    while until.weekday() >= _SATURDAY:
        until += timedelta(days=1)
    return until


def from_afar(records: Records, quote: KeptQuote) -> FromAfar | None:
    """Return what is known of the right to withdraw from what is agreed, None if there is none."""
    if quote.agreed is None:
        return None
    given = records.authorisations.get(quote.number, quote.agreed)
    return None if given is None else given.from_afar


def waits_until(records: Records, quote: KeptQuote, today: date) -> date | None:
    """Return the last day of the period in which work can't begin, None if it can."""
    made = from_afar(records, quote)
    if made is None or made.starts_early or today > made.until:
        return None
    return made.until


def check_period(records: Records, quote: KeptQuote, today: date) -> None:
    """Raise WithdrawalPeriod if the work of a quote can't begin yet."""
    until = waits_until(records, quote, today)
    if until is not None:
        raise WithdrawalPeriod(until)


def wish_early_start(
    records: Records, stamp: Stamp, quote: KeptQuote, *, who: str | None, means: Means, text: str
) -> KeptQuote:
    """Return a quote whose customer asks, after the yes, that the work begin at once. Asking again
    changes nothing.

    Args:
        who: who asks; None: who gave the yes.
        text: the words of the wish.

    Raises: NotNow, NoWait.
    """
    check_act("early_start", quote)
    given = None
    if quote.agreed is not None:
        given = records.authorisations.get(quote.number, quote.agreed)
    made = None if given is None else given.from_afar
    if given is None or made is None or (stamp.today > made.until and not made.starts_early):
        raise NoWait
    if made.starts_early:
        return quote
    wish = EarlyWish(at=stamp.at, who=who or given.who, means=means, text=text)
    made = structs.replace(made, starts_early=True, wish=wish)
    records.authorisations.put(structs.replace(given, from_afar=made))
    facts: Facts = {"revision": given.revision, "means": means.value}
    return keep_change(records, stamp, "quote.early_start", quote, facts)


def may_withdraw(records: Records, quote: KeptQuote, today: date) -> bool:
    """Return whether the customer may withdraw from what is agreed on a day."""
    made = from_afar(records, quote)
    is_open = made is not None and made.withdrawn_at is None and today <= made.until
    return is_open and quote.state is not QuoteState.done


def withdraw(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    *,
    who: str,
    means: Means,
    day: date | None = None,
) -> KeptQuote:
    """Return a quote whose customer has withdrawn from the contract.

    If the work has not begun, nothing is agreed any longer: the quote is like one that was
    declined. If it has, it stays in work, for the shop to stop. Withdrawing again changes nothing.

    Args:
        day: when the customer said so, None for now.

    Raises: NoRightToWithdraw.
    """
    given = _withdrawn_from(records, quote, day or stamp.today)
    if given is None:
        return quote
    assert given.from_afar is not None
    made = structs.replace(given.from_afar, withdrawn_at=stamp.at, withdrawn_by=who, means=means)
    records.authorisations.put(structs.replace(given, from_afar=made))
    facts: Facts = {"revision": given.revision, "means": means.value}
    if quote.offered is not None:
        records.revisions.mark(quote.number, quote.offered, RevisionState.declined)
    if quote.state is QuoteState.in_work:
        stopped = stop_clocks(records, stamp, quote)
        if stopped:
            facts = {**facts, "clocks_stopped": stopped}
        left = structs.replace(quote, offered=None, withdrawn_at=stamp.at)
        return keep_change(records, stamp, "quote.withdrawal", left, facts)
    records.revisions.mark(quote.number, given.revision, RevisionState.declined)
    left = structs.replace(quote, state=QuoteState.declined, offered=None, agreed=None)
    kept = keep_change(records, stamp, "quote.withdrawal", left, facts)
    settle(records, stamp, kept)
    return kept


def _withdrawn_from(records: Records, quote: KeptQuote, day: date) -> Authorisation | None:
    """Return the authorisation that is withdrawn from, None if that was done before."""
    every = records.authorisations.of_quote(quote.number)
    if quote.agreed is None and any(_is_withdrawn(one) for one in every[-1:]):
        return None
    given = None
    if quote.agreed is not None:
        given = records.authorisations.get(quote.number, quote.agreed)
    if given is None or given.from_afar is None:
        raise NoRightToWithdraw("nothing is agreed by a link that leaves this right")
    if _is_withdrawn(given):
        return None
    if quote.state is QuoteState.done:
        raise NoRightToWithdraw("the work is finished")
    if day > given.from_afar.until:
        until = given.from_afar.until.isoformat()
        raise NoRightToWithdraw(f"the period ended on {until}")
    return given


def _is_withdrawn(given: Authorisation) -> bool:
    return given.from_afar is not None and given.from_afar.withdrawn_at is not None


def withdrawn_at(made: FromAfar | None) -> datetime | None:
    """Return when a customer withdrew, None if nobody did."""
    return None if made is None else made.withdrawn_at
