"""Life: a quote is stored and revised, its parts are ordered, and its work is started and finished.

Every act takes the records of one transaction and the stamp of the caller. It checks that the act
is allowed, changes the quote, and adds one event. A revision restates the complete quote. The
revision that a customer agreed to stays in force until another is accepted.
"""

from __future__ import annotations

from datetime import date

import msgspec
from msgspec import Struct, structs

from kitwright.keeping.acts import NoSuchRevision, NotNow, OtherCustomer, check_act
from kitwright.keeping.event import keep_change, note_event
from kitwright.keeping.record import (
    Addition,
    KeptQuote,
    QuoteState,
    Revision,
    RevisionState,
    Stamp,
)
from kitwright.keeping.store import Records
from kitwright.keeping.sums import sums_of
from kitwright.money import Money


class Figures(Struct, frozen=True, kw_only=True):
    """The content of a new revision: the request, its answer and how it was totalled, as JSON, with
    the figures of the answer.
    """

    request: bytes
    answer: bytes
    reckoning: bytes
    catalogue_revision: str
    tax_state: str
    is_provisional: bool
    net: Money
    gross: Money | None
    valid_until: date
    family: str
    serial: int | None
    customer: int | None
    machine: int | None


def keep_quote(
    records: Records, stamp: Stamp, figures: Figures, copy_of: int | None = None
) -> KeptQuote:
    """Store a new quote with its first revision, a draft; return the quote."""
    quote = records.quotes.add(
        KeptQuote(
            number=0,
            version=1,
            state=QuoteState.draft,
            latest=1,
            offered=None,
            agreed=None,
            shown=1,
            customer=figures.customer,
            machine=figures.machine,
            family=figures.family,
            serial=figures.serial,
            net=figures.net,
            gross=figures.gross,
            valid_until=figures.valid_until,
            made_at=stamp.at,
            made_on=stamp.today,
            changed_at=stamp.at,
        )
    )
    records.revisions.add(_revision(quote.number, 1, stamp, figures))
    note_event(records, stamp, "quote.created", quote, {"copy_of": copy_of} if copy_of else {})
    return quote


def _revision(quote: int, number: int, stamp: Stamp, figures: Figures) -> Revision:
    return Revision(
        quote=quote,
        number=number,
        state=RevisionState.draft,
        customer=figures.customer,
        machine=figures.machine,
        made_at=stamp.at,
        issued_at=None,
        valid_until=figures.valid_until,
        catalogue_revision=figures.catalogue_revision,
        tax_state=figures.tax_state,
        is_provisional=figures.is_provisional,
        net=figures.net,
        gross=figures.gross,
        sha256=None,
        is_erased=False,
        request=figures.request,
        answer=figures.answer,
        reckoning=figures.reckoning,
    )


def revise(records: Records, stamp: Stamp, quote: KeptQuote, figures: Figures) -> KeptQuote:
    """Return a quote with another revision. It replaces the newest revision if that is a draft;
    otherwise it is a new one. An offered or agreed revision stays the one that is shown.

    Raises: NotNow, OtherCustomer.
    """
    check_act("revise", quote)
    newest = revision_of(records, quote, quote.latest)
    number = quote.latest if newest.state is RevisionState.draft else quote.latest + 1
    # otherwise an earlier revision would hold one customer's data in another customer's quote
    if number > 1 and newest.customer not in (None, figures.customer):
        raise OtherCustomer(quote)
    revision = _revision(quote.number, number, stamp, figures)
    if number == quote.latest:
        records.revisions.put(revision)
    else:
        records.revisions.add(revision)
    revised = structs.replace(quote, latest=number)
    if quote.offered is None and quote.agreed is None:
        # a quote of which nothing is offered or agreed is a draft again
        revised = showing(records, structs.replace(revised, state=QuoteState.draft), number)
    return keep_change(records, stamp, "quote.revised", quote, revised, {"revision": number})


class _Engine(Struct, frozen=True):
    """The members of a revision's request that are read here."""

    family: str
    serial: int | None = None


def showing(records: Records, quote: KeptQuote, number: int) -> KeptQuote:
    """Return a quote that shows one of its revisions, with the additions if it is the agreed one.

    Raises: NoSuchRevision.
    """
    revision = revision_of(records, quote, number)
    engine = msgspec.json.decode(revision.request, type=_Engine)
    shown = structs.replace(
        quote,
        shown=number,
        customer=revision.customer,
        machine=revision.machine,
        family=engine.family,
        serial=engine.serial,
        net=revision.net,
        gross=revision.gross,
        valid_until=revision.valid_until,
    )
    added = additions_to(records, quote, revision)
    if not added:
        return shown
    sums = sums_of(revision, added)
    return structs.replace(shown, net=sums.net, gross=sums.gross)


def additions_to(records: Records, quote: KeptQuote, revision: Revision) -> tuple[Addition, ...]:
    """Return the additions to a revision, oldest first; empty if it is not the agreed one."""
    if revision.number != quote.agreed:
        return ()
    # a revision restates everything: its figures include additions made before it, but not later
    # ones, whichever revision was in force then
    return tuple(
        one
        for one in records.additions.of_quote(quote.number)
        if one.revision == revision.number or one.at >= revision.made_at
    )


def ordered(records: Records, stamp: Stamp, quote: KeptQuote, orders: int) -> KeptQuote:
    """Return a quote some of whose parts orders were placed."""
    is_first = quote.state is QuoteState.accepted
    return keep_change(
        records,
        stamp,
        "quote.ordered",
        quote,
        structs.replace(quote, state=QuoteState.ordered if is_first else quote.state),
        {"revision": quote.agreed, "orders": orders},
    )


def start(records: Records, stamp: Stamp, quote: KeptQuote, unordered: int) -> KeptQuote:
    """Return a quote in work. `unordered` is the number of parts orders not yet placed for the
    agreed revision.

    Raises: NotNow.
    """
    check_act("start", quote)
    if unordered:
        raise NotNow("start", quote, f"parts orders not yet placed: {unordered}")
    return keep_change(
        records,
        stamp,
        "quote.started",
        quote,
        structs.replace(quote, state=QuoteState.in_work),
        {"revision": quote.agreed},
    )


def finish(records: Records, stamp: Stamp, quote: KeptQuote) -> KeptQuote:
    """Return a quote whose work is finished. A draft that was never offered is superseded by the
    agreed revision, and named in the event.

    Raises: NotNow, while a revision is undecided.
    """
    check_act("finish", quote)
    if quote.offered is not None:
        raise NotNow("finish", quote, f"revision {quote.offered} is on offer and not yet decided")
    facts = {"revision": quote.agreed}
    if revision_of(records, quote, quote.latest).state is RevisionState.draft:
        records.revisions.mark(quote.number, quote.latest, RevisionState.superseded)
        facts["superseded"] = quote.latest
    return keep_change(
        records,
        stamp,
        "quote.finished",
        quote,
        structs.replace(quote, state=QuoteState.done),
        facts,
    )


def revision_of(records: Records, quote: KeptQuote, number: int) -> Revision:
    """Return a revision of a quote. Raises: NoSuchRevision."""
    revision = records.revisions.get(quote.number, number)
    if revision is None:
        raise NoSuchRevision(number, quote.latest)
    return revision
