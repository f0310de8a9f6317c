"""Retaining: what stays of a customer who is erased, why, and until when.

Invoices, credit notes and the consents to them stay until the end of the year in which the tax
area's years of retention are over. A quote with a balance, with a machine that is not collected or
with a warranty that runs stays with the customer's record until that is over. Each is a record,
which is a thing to do: what it kept is erased when it is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from msgspec import Struct, structs

from kitwright.keeping.accounts import account_of
from kitwright.keeping.dossier import own_revisions
from kitwright.keeping.erasure_words import without_buyer, without_name
from kitwright.keeping.event import keep_change
from kitwright.keeping.record import KeptBill, KeptQuote, QuoteState, Retention, RetentionWhy, Stamp
from kitwright.keeping.store import Records

HOLDS: Final = frozenset(RetentionWhy) - {RetentionWhy.invoices}
"""Why a whole quote stays, with its customer."""


class Terms(Struct, frozen=True, kw_only=True):
    """For how many `years` invoices are kept, None if that is not known, and for how many days
    after the machine was collected the shop gives a warranty.
    """

    years: int | None = None
    warranty_days: int = 0


def held_by(
    records: Records, quote: KeptQuote, terms: Terms, today: date
) -> tuple[RetentionWhy, date | None] | None:
    """Return why a quote is not erased yet, and until when if that is known; None if it can be."""
    if quote.state is not QuoteState.done or records.statements.get(quote.number) is None:
        return None
    if account_of(records, quote).balance.minor:
        return RetentionWhy.balance, None
    handover = records.handovers.get(quote.number)
    if handover is None:
        return RetentionWhy.machine, None
    until = handover.day + timedelta(days=terms.warranty_days)
    # who declined paid for the diagnosis alone, which has no warranty
    is_repaired = quote.agreed is not None
    return (RetentionWhy.warranty, until) if is_repaired and _runs(terms, until, today) else None


def _runs(terms: Terms, until: date, today: date) -> bool:
    return bool(terms.warranty_days) and today <= until


def bills_to(records: Records, quote: int, customer: int) -> tuple[KeptBill, ...]:
    """Return the invoices and credit notes of a quote that are made out to a customer."""
    is_own = is_for(records, quote, customer)
    return tuple(
        one
        for one in records.bills.of_quote(quote)
        if one.buyer == customer or (one.buyer is None and is_own)
    )


def billed_to(records: Records, customer: int) -> Iterator[KeptQuote]:
    """Yield the quotes of others with invoices that are made out to a customer."""
    for number in records.bills.quotes_billed(customer):
        quote = records.quotes.get(number)
        if quote is not None and not is_for(records, number, customer):
            yield quote


def is_for(records: Records, quote: int, customer: int) -> bool:
    """Return whether a revision of a quote is a customer's."""
    return bool(own_revisions(records, records.revisions.of_quote(quote), customer))


def held_for(
    records: Records, quote: KeptQuote, customer: int, terms: Terms, today: date
) -> tuple[RetentionWhy, date | None] | None:
    """Return why a quote holds a customer, and until when, as `held_by`; one of somebody else who
    is billed to the customer holds as long as it is not paid.
    """
    held = held_by(records, quote, terms, today)
    is_debt = held is not None and held[0] is RetentionWhy.balance
    return held if is_debt or is_for(records, quote.number, customer) else None


def held_quotes(records: Records, customer: int) -> frozenset[int]:
    """Return the quotes that stay with their customer, as it was last found."""
    kept = records.retentions.of_customer(customer)
    return frozenset(one.quote for one in kept if one.why in HOLDS)


def let_go(records: Records, customer: int) -> None:
    """Forget which quotes of a customer stay, because it is looked at anew."""
    for one in records.retentions.of_customer(customer):
        if one.why in HOLDS:
            records.retentions.drop(one.number)


def retain(
    records: Records,
    stamp: Stamp,
    customer: int,
    quote: int,
    why: RetentionWhy,
    until: date | None = None,
) -> Retention:
    """Return the record that something of a quote stays of a customer, made if there is none."""
    for one in records.retentions.of_customer(customer):
        if one.quote == quote and (one.why is why or {one.why, why} <= HOLDS):
            return one
    return records.retentions.add(
        Retention(number=0, customer=customer, quote=quote, why=why, until=until, at=stamp.at)
    )


def until_of(records: Records, one: Retention, terms: Terms) -> date | None:
    """Return the last day on which something stays; None if no day is known. The years of invoices
    are counted from the end of that of the last document.
    """
    years = terms.years
    if one.until is not None or one.why is not RetentionWhy.invoices or years is None:
        return one.until
    found = records.bills.of_quote(one.quote)
    own = bills_to(records, one.quote, one.customer)
    # consents to what somebody else is billed stay as long as those documents
    days = [bill.day for bill in own or found]
    return date(max(days).year + years, 12, 31) if days else None


def is_over(records: Records, one: Retention, terms: Terms, today: date) -> bool:
    """Return whether what stays may be erased by now."""
    if one.why is RetentionWhy.invoices:
        until = until_of(records, one, terms)
        return until is not None and today > until
    quote = records.quotes.get(one.quote)
    return quote is None or held_for(records, quote, one.customer, terms, today) is None


def ended(records: Records, terms: Terms, today: date) -> Iterator[Retention]:
    """Yield what stays no longer, oldest first; of what holds a customer, one of each customer of
    whom nothing is held any longer.
    """
    seen = set[int]()
    every = records.retentions.every()
    for one in every:
        if one.why is RetentionWhy.invoices:
            if is_over(records, one, terms, today):
                yield one
        elif one.customer not in seen:
            seen.add(one.customer)
            holding = [
                each for each in every if each.customer == one.customer and each.why in HOLDS
            ]
            if all(is_over(records, each, terms, today) for each in holding):
                yield one


def forget_invoices(records: Records, stamp: Stamp, one: Retention) -> None:
    """Remove personal data from a quote's invoices and credit notes that are made out to an erased
    customer, and from the consents to the quote if it is the customer's. Numbers, amounts and
    hashes stay.
    """
    for bill in bills_to(records, one.quote, one.customer):
        if bill.erased_at is None:
            records.bills.put(
                structs.replace(bill, erased_at=stamp.at, body=without_buyer(bill.body))
            )
    own = own_revisions(records, records.revisions.of_quote(one.quote), one.customer)
    erased = {number for number, each in own.items() if each.is_erased}
    for consent in records.authorisations.of_quote(one.quote):
        if consent.revision in erased:
            records.authorisations.put(without_name(consent))
    records.retentions.drop(one.number)
    quote = records.quotes.get(one.quote)
    if quote is not None:
        keep_change(records, stamp, "quote.erased", quote)
