"""Offer: a revision is issued to its customer. It ends when the customer accepts or declines, when
it expires, or when the shop withdraws it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence

from msgspec import structs

from kitwright.keeping.acts import (
    AT_WORK,
    NOT_FOLLOWED,
    NothingOffered,
    NotNow,
    OtherRevisionOffered,
    PartsNotAvailable,
    QuoteExpired,
    TaxNotKnown,
    check_act,
)
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.life import missing_parts, revision_of, showing
from kitwright.keeping.prices import PriceMoved, PricesMoved
from kitwright.keeping.record import KeptQuote, QuoteState, Revision, RevisionState, Stamp
from kitwright.keeping.reserving import settle
from kitwright.keeping.set_off import check_set_off_once, note_set_off
from kitwright.keeping.store import Records


def issue(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    show: Callable[[bytes], bytes] = lambda answer: answer,
    *,
    moved: Sequence[PriceMoved] | None = (),
    keep_prices: str | None = None,
) -> KeptQuote:
    """Return a quote whose newest revision, a draft, is offered to the customer and never changes
    again. A revision offered before is superseded.

    Args:
        show: returns the part of the answer that the customer sees (default: all of it); it is
            stored with its hash.
        moved: the prices that would be different today, None if they are not known.
        keep_prices: the reason for keeping them. It is stored with the revision, and in no event,
            because it may be personal.

    Raises: NotNow, TaxNotKnown, QuoteExpired, PartsNotAvailable, DiagnosisSetOff; PricesMoved,
    without a reason to keep them.
    """
    revision = draft_to_issue(records, quote, stamp)
    facts: dict[str, str | int | None] = {}
    reason = None
    if moved is None or moved:
        if keep_prices is None:
            raise PricesMoved(revision.number, moved or ())
        reason = keep_prices
        facts = {"keep_prices": 1, "moved": None if moved is None else len(moved)}
    if quote.offered is not None:
        records.revisions.mark(quote.number, quote.offered, RevisionState.superseded)
    shown = show(revision.answer)
    digest = hashlib.sha256(shown).hexdigest()
    records.revisions.put(
        structs.replace(
            revision,
            state=RevisionState.issued,
            issued_at=stamp.at,
            sha256=digest,
            reason=reason,
            shown=shown,
        )
    )
    issued = structs.replace(quote, offered=revision.number)
    if quote.agreed is None:
        issued = showing(records, structs.replace(issued, state=QuoteState.issued), revision.number)
    facts = {"revision": revision.number, "sha256": digest, **facts}
    return keep_change(records, stamp, "quote.issued", issued, facts)


def draft_to_issue(records: Records, quote: KeptQuote, stamp: Stamp) -> Revision:
    """Return the newest revision of a quote if it can be issued. Its prices are not checked here.

    Raises: NotNow, TaxNotKnown, QuoteExpired, PartsNotAvailable, DiagnosisSetOff.
    """
    check_act("issue", quote)
    revision = revision_of(records, quote, quote.latest)
    if revision.state is not RevisionState.draft:
        raise NotNow(
            "issue",
            quote,
            f"revision {quote.latest} is {revision.state.value}; revise the quote first",
        )
    if revision.gross is None:
        raise TaxNotKnown(revision.number)
    if revision.valid_until < stamp.today:
        raise QuoteExpired(revision.number, revision.valid_until)
    missing = missing_parts(revision)
    if missing:
        raise PartsNotAvailable(revision.number, missing)
    check_set_off_once(records, quote, revision.number)
    return revision


def decline(
    records: Records, stamp: Stamp, quote: KeptQuote, revision: int, reason: str | None = None
) -> KeptQuote:
    """Return a quote whose offered revision the customer declined.

    The reason is stored with the revision, and in no event, because it may be personal. Declining
    again changes nothing.

    Raises: NothingOffered, OtherRevisionOffered, NoSuchRevision.
    """
    if revision_of(records, quote, revision).state is RevisionState.declined:
        return quote
    quote = still_offered(records, stamp, quote, revision)
    check_offer(records, "decline", quote, revision, stamp)
    facts = {"revision": revision, "has_reason": int(reason is not None)}
    return _end(records, stamp, "quote.declined", quote, RevisionState.declined, facts, reason)


def withdraw(records: Records, stamp: Stamp, quote: KeptQuote) -> KeptQuote:
    """Return a quote whose offer is withdrawn: the offered revision, else the draft, else the
    agreement if no order or work has followed yet.

    Raises: NotNow.
    """
    check_act("withdraw", quote)
    taken = quote.offered
    agreed = quote.agreed
    if taken is None:
        if quote.state not in NOT_FOLLOWED:
            raise NotNow("withdraw", quote, "no revision is on offer")
        taken, agreed = quote.agreed or quote.latest, None
        newest = revision_of(records, quote, quote.latest)
        if newest.state is RevisionState.draft and newest.number != taken:
            # a newer draft is withdrawn too, but a declined or expired revision keeps its state
            records.revisions.mark(quote.number, newest.number, RevisionState.withdrawn)
    records.revisions.mark(quote.number, taken, RevisionState.withdrawn)
    left = structs.replace(
        quote,
        state=QuoteState.withdrawn if agreed is None else quote.state,
        offered=None,
        agreed=agreed,
    )
    left = showing(records, left, agreed or taken)
    kept = keep_change(records, stamp, "quote.withdrawn", left, {"revision": taken})
    settle(records, stamp, kept)
    return kept


def expire_overdue(records: Records, stamp: Stamp) -> int:
    """Mark the offers that have expired by a day; return their number."""
    overdue = records.quotes.overdue(stamp.today)
    for quote in overdue:
        facts = {"revision": quote.offered}
        _end(records, stamp, "quote.expired", quote, RevisionState.expired, facts)
    return len(overdue)


def mark_by_day(records: Records, stamp: Stamp) -> None:
    """Mark the offers that have expired by a day, and offer again those that have not."""
    expire_overdue(records, stamp)
    reopen_early(records, stamp)


def reopen_early(records: Records, stamp: Stamp) -> int:
    """Offer again what was marked as expired though it is still valid, because a clock was ahead;
    return how many quotes.
    """
    early = records.quotes.early(stamp.today)
    for quote in early:
        still_offered(records, stamp, quote, quote.shown)
    return len(early)


def still_offered(records: Records, stamp: Stamp, quote: KeptQuote, revision: int) -> KeptQuote:
    """Return a quote on which a revision can be decided: if it was marked as expired but is valid
    today, it is on offer again. Any other quote is returned as it is.
    """
    offer = revision_of(records, quote, revision)
    later = (one for one in records.revisions.of_quote(quote.number) if one.number > revision)
    if (
        offer.state is not RevisionState.expired
        or offer.valid_until < stamp.today
        or quote.offered is not None
        or (quote.agreed is None and quote.state is not QuoteState.expired)
        or quote.state is QuoteState.done
        or any(one.issued_at is not None for one in later)
    ):
        return quote
    records.revisions.mark(quote.number, revision, RevisionState.issued)
    state = QuoteState.issued if quote.agreed is None else quote.state
    facts = {"revision": revision, "sha256": offer.sha256, "reopened": 1}
    return keep_change(records, stamp, "quote.issued", quote, facts, state=state, offered=revision)


def _end(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    quote: KeptQuote,
    end: RevisionState,
    facts: Facts,
    reason: str | None = None,
) -> KeptQuote:
    """Return a quote whose offer ended; an earlier agreement stays in force."""
    records.revisions.mark(quote.number, quote.offered or 0, end, reason)
    state = QuoteState(end.value) if quote.agreed is None else quote.state
    kept = keep_change(records, stamp, kind, quote, facts, state=state, offered=None)
    if kept.agreed is None:
        settle(records, stamp, kept)
    return kept


def accepted(
    records: Records, stamp: Stamp, quote: KeptQuote, revision: int, facts: Facts
) -> KeptQuote:
    """Return a quote whose offered revision is agreed; the one agreed before is superseded. What it
    takes from stock is reserved, as far as it is free.
    """
    if quote.agreed is not None:
        records.revisions.mark(quote.number, quote.agreed, RevisionState.superseded)
    records.revisions.mark(quote.number, revision, RevisionState.accepted)
    agreed = structs.replace(
        quote,
        state=quote.state if quote.state in AT_WORK else QuoteState.accepted,
        offered=None,
        agreed=revision,
    )
    agreed = showing(records, agreed, revision)
    kept = keep_change(records, stamp, "quote.accepted", agreed, {"revision": revision, **facts})
    note_set_off(records, stamp, kept, revision)
    settle(records, stamp, kept)
    return kept


def check_offer(
    records: Records, act: str, quote: KeptQuote, revision: int, stamp: Stamp
) -> Revision:
    """Return the revision on offer if it is the one to decide on.

    Raises: NoSuchRevision, NothingOffered, OtherRevisionOffered, QuoteExpired.
    """
    offer = revision_of(records, quote, revision)
    if quote.offered is None:
        if offer.state is RevisionState.expired:
            raise QuoteExpired(revision, offer.valid_until)
        raise NothingOffered(act, quote)
    if revision != quote.offered:
        raise OtherRevisionOffered(revision, quote.offered)
    if offer.valid_until < stamp.today:
        raise QuoteExpired(revision, offer.valid_until)
    return offer
