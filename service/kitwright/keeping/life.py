"""Life: what may be done with a quote, when, and what comes of it.

Every act takes the records of one piece of work and the stamp of who does it, checks that it may
be done, changes the quote, and adds one event. A revision restates the whole quote; the revision
that a customer agreed to stays in force until another is accepted.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import date
from types import MappingProxyType
from typing import Final

from msgspec import Struct, structs

from kitwright.errors import KitwrightError
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import (
    Event,
    KeptQuote,
    QuoteState,
    Revision,
    RevisionState,
    Stamp,
)
from kitwright.keeping.store import Records
from kitwright.money import Money

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
"""Act -> the states of a quote in which it can be thought of; the acts say what else they need."""

AT_WORK: Final = frozenset({QuoteState.ordered, QuoteState.in_work})
"""States that a new agreement does not take back."""


class ActRefused(KitwrightError):
    """Something that can't be done with a record as it stands."""

    code = "act-refused"


class NotNow(ActRefused):
    """An act that the quote's state does not allow."""

    code = "not-in-this-state"

    def __init__(self, act: str, quote: KeptQuote, reason: str) -> None:
        done = {"add": "add to", "order": "order for"}.get(act, act)
        super().__init__(f"can't {done} this quote, which is {quote.state.value}: {reason}")
        self.act = act
        self.state = quote.state
        self.possible = possible_acts(quote)


class NothingOffered(ActRefused):
    """There is no issued revision to decide on."""

    code = "nothing-offered"

    def __init__(self, act: str, quote: KeptQuote) -> None:
        super().__init__(f"no revision is offered to {act}: issue one first")
        self.latest = quote.latest


class OtherRevisionOffered(ActRefused):
    """A decision on a revision that is not the one on offer."""

    code = "other-revision-offered"

    def __init__(self, revision: int, offered: int) -> None:
        super().__init__(f"revision {revision} is not on offer any more: revision {offered} is")
        self.revision = revision
        self.offered = offered


class NoSuchRevision(ActRefused):
    """A revision that the quote does not have."""

    code = "no-such-revision"

    def __init__(self, revision: int, latest: int) -> None:
        super().__init__(f"there is no revision {revision}: the newest is {latest}")
        self.revision = revision
        self.latest = latest


class ValidityOver(ActRefused):
    """A revision whose last valid day has passed."""

    code = "validity-over"

    def __init__(self, revision: int, valid_until: date) -> None:
        super().__init__(
            f"revision {revision} was valid until {valid_until.isoformat()}: revise it, then issue"
        )
        self.revision = revision
        self.valid_until = valid_until


class TaxNotKnown(ActRefused):
    """A revision without a tax area can't be offered."""

    code = "tax-not-known"

    def __init__(self, revision: int) -> None:
        super().__init__(f"the tax of revision {revision} is not known: revise it with a tax_area")
        self.revision = revision


class OtherCustomer(ActRefused):
    """A quote that was made out to one customer is never revised for another."""

    code = "other-customer"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__("this quote was made out to another customer: make a new quote")
        self.quote = quote.number


class Figures(Struct, frozen=True, kw_only=True):
    """What a new revision says: the request and its answer as JSON, and the answer's figures."""

    request: bytes
    answer: bytes
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


def possible_acts(quote: KeptQuote) -> tuple[str, ...]:
    """Return the acts that make sense in a quote's state, by name."""
    offered = {"accept", "decline"} if quote.offered is None else {"finish"}
    # without an offer or an agreement, a quote with a draft is a draft itself
    ended = (QuoteState.declined, QuoteState.expired, QuoteState.withdrawn)
    is_drafted = quote.latest not in (quote.offered, quote.agreed) and quote.state not in ended
    drafted = set() if is_drafted else {"issue"}
    left_out = offered | drafted
    if quote.offered is None and quote.state not in (QuoteState.draft, QuoteState.accepted):
        left_out.add("withdraw")
    return tuple(
        sorted(act for act, states in ACTS.items() if quote.state in states and act not in left_out)
    )


def keep_quote(
    records: Records, stamp: Stamp, figures: Figures, copy_of: int | None = None
) -> KeptQuote:
    """Return a new quote with its first revision, a draft."""
    quote = records.quotes.add(
        KeptQuote(
            number=0,
            version=1,
            state=QuoteState.draft,
            latest=1,
            offered=None,
            agreed=None,
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
    records.quotes.add_revision(_revision(quote.number, 1, stamp, figures))
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
    )


def revise(records: Records, stamp: Stamp, quote: KeptQuote, figures: Figures) -> KeptQuote:
    """Return a quote with other figures: in place of its newest revision where that is a draft,
    else as a new one. Raises: NotNow, OtherCustomer.
    """
    check_act("revise", quote)
    newest = revision_of(records, quote, quote.latest)
    number = quote.latest if newest.state is RevisionState.draft else quote.latest + 1
    # a revision that stays would hold one customer's data among another's
    if number > 1 and quote.customer not in (None, figures.customer):
        raise OtherCustomer(quote)
    revision = _revision(quote.number, number, stamp, figures)
    if number == quote.latest:
        records.quotes.put_revision(revision)
    else:
        records.quotes.add_revision(revision)
    return _changed(
        records,
        stamp,
        "quote.revised",
        quote,
        structs.replace(
            quote,
            # a quote of which nothing is offered or agreed is a draft again
            state=quote.state
            if quote.offered is not None or quote.agreed is not None
            else QuoteState.draft,
            latest=number,
            customer=figures.customer,
            machine=figures.machine,
            family=figures.family,
            serial=figures.serial,
            net=figures.net,
            gross=figures.gross,
            valid_until=figures.valid_until,
        ),
        {"revision": number},
    )


def issue(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    show: Callable[[bytes], bytes] = lambda answer: answer,
) -> KeptQuote:
    """Return a quote whose newest revision, a draft, is offered to the customer and never changes
    again. A revision that was offered before is superseded.

    `show` makes what the customer sees of its answer, all of it unless told otherwise; that is
    kept with its hash.

    Raises: NotNow, TaxNotKnown, ValidityOver.
    """
    check_act("issue", quote)
    revision = revision_of(records, quote, quote.latest)
    if revision.state is not RevisionState.draft:
        raise NotNow(
            "issue", quote, f"revision {quote.latest} is {revision.state.value}: revise it first"
        )
    if revision.gross is None:
        raise TaxNotKnown(revision.number)
    if revision.valid_until < stamp.today:
        raise ValidityOver(revision.number, revision.valid_until)
    if quote.offered is not None:
        records.quotes.mark_revision(quote.number, quote.offered, RevisionState.superseded)
    shown = show(revision.answer)
    digest = hashlib.sha256(shown).hexdigest()
    records.quotes.mark_revision(
        quote.number,
        revision.number,
        RevisionState.issued,
        issued_at=stamp.at,
        sha256=digest,
        shown=shown,
    )
    return _changed(
        records,
        stamp,
        "quote.issued",
        quote,
        structs.replace(
            quote,
            state=QuoteState.issued if quote.agreed is None else quote.state,
            offered=revision.number,
        ),
        {"revision": revision.number, "sha256": digest},
    )


def decline(
    records: Records, stamp: Stamp, quote: KeptQuote, revision: int, reason: str | None = None
) -> KeptQuote:
    """Return a quote whose offered revision the customer declined.

    The reason goes to no event, since it may be personal. Declining twice changes nothing.
    Raises: NothingOffered, OtherRevisionOffered, NoSuchRevision.
    """
    if revision_of(records, quote, revision).state is RevisionState.declined:
        return quote
    check_offer(records, "decline", quote, revision, stamp)
    records.quotes.mark_revision(quote.number, revision, RevisionState.declined)
    return _changed(
        records,
        stamp,
        "quote.declined",
        quote,
        structs.replace(
            quote,
            state=QuoteState.declined if quote.agreed is None else quote.state,
            offered=None,
        ),
        {"revision": revision, "has_reason": int(reason is not None)},
    )


def withdraw(records: Records, stamp: Stamp, quote: KeptQuote) -> KeptQuote:
    """Return a quote whose offer is taken back: the offered revision, else the draft or the
    agreement that no order or work has followed yet.

    Raises: NotNow.
    """
    check_act("withdraw", quote)
    taken = quote.offered
    agreed = quote.agreed
    if taken is None:
        if quote.state not in (QuoteState.draft, QuoteState.accepted):
            raise NotNow("withdraw", quote, "nothing of it is offered")
        taken, agreed = quote.agreed or quote.latest, None
        newest = revision_of(records, quote, quote.latest)
        if newest.state is RevisionState.draft and newest.number != taken:
            # a newer draft goes too, but what was declined or ran out stays so
            records.quotes.mark_revision(quote.number, newest.number, RevisionState.withdrawn)
    records.quotes.mark_revision(quote.number, taken, RevisionState.withdrawn)
    return _changed(
        records,
        stamp,
        "quote.withdrawn",
        quote,
        structs.replace(
            quote,
            state=QuoteState.withdrawn if agreed is None else quote.state,
            offered=None,
            agreed=agreed,
        ),
        {"revision": taken},
    )


def expire_overdue(records: Records, stamp: Stamp) -> int:
    """Return how many offers ran out by a day, once they are marked so."""
    overdue = records.quotes.overdue(stamp.today)
    for quote in overdue:
        if quote.offered is None:
            continue
        records.quotes.mark_revision(quote.number, quote.offered, RevisionState.expired)
        _changed(
            records,
            stamp,
            "quote.expired",
            quote,
            structs.replace(
                quote,
                state=QuoteState.expired if quote.agreed is None else quote.state,
                offered=None,
            ),
            {"revision": quote.offered},
        )
    return len(overdue)


def start(records: Records, stamp: Stamp, quote: KeptQuote, unordered: int) -> KeptQuote:
    """Return a quote in work. `unordered` counts the parts orders that the agreed revision still
    needs.

    Raises: NotNow.
    """
    check_act("start", quote)
    if unordered:
        raise NotNow("start", quote, f"{unordered} parts orders are still to be made")
    return _changed(
        records,
        stamp,
        "quote.started",
        quote,
        structs.replace(quote, state=QuoteState.in_work),
        {"revision": quote.agreed},
    )


def finish(records: Records, stamp: Stamp, quote: KeptQuote) -> KeptQuote:
    """Return a quote whose work is done. A draft that nobody was offered is superseded by what was
    agreed, and named in the event.

    Raises: NotNow, while a revision is undecided.
    """
    check_act("finish", quote)
    if quote.offered is not None:
        raise NotNow("finish", quote, f"revision {quote.offered} is offered and undecided")
    facts = {"revision": quote.agreed}
    if revision_of(records, quote, quote.latest).state is RevisionState.draft:
        records.quotes.mark_revision(quote.number, quote.latest, RevisionState.superseded)
        facts["superseded"] = quote.latest
    return _changed(
        records,
        stamp,
        "quote.finished",
        quote,
        structs.replace(quote, state=QuoteState.done),
        facts,
    )


def accepted(records: Records, stamp: Stamp, quote: KeptQuote, revision: int) -> KeptQuote:
    """Return a quote whose offered revision is agreed to; the one before is superseded."""
    if quote.agreed is not None:
        records.quotes.mark_revision(quote.number, quote.agreed, RevisionState.superseded)
    records.quotes.mark_revision(quote.number, revision, RevisionState.accepted)
    return _changed(
        records,
        stamp,
        "quote.accepted",
        quote,
        structs.replace(
            quote,
            state=quote.state if quote.state in AT_WORK else QuoteState.accepted,
            offered=None,
            agreed=revision,
        ),
        {"revision": revision},
    )


def ordered(records: Records, stamp: Stamp, quote: KeptQuote, orders: int) -> KeptQuote:
    """Return a quote some of whose parts orders were made."""
    is_first = quote.state is QuoteState.accepted
    return _changed(
        records,
        stamp,
        "quote.ordered",
        quote,
        structs.replace(quote, state=QuoteState.ordered if is_first else quote.state),
        {"revision": quote.agreed, "orders": orders},
    )


def check_act(act: str, quote: KeptQuote) -> None:
    """Raise NotNow where a quote's state leaves no room for an act."""
    if quote.state not in ACTS[act]:
        possible = ", ".join(possible_acts(quote)) or "nothing"
        raise NotNow(act, quote, f"what can be done is {possible}")


def check_offer(
    records: Records, act: str, quote: KeptQuote, revision: int, stamp: Stamp
) -> Revision:
    """Return the revision on offer, if it is the one that is to be decided on.

    Raises: NoSuchRevision, NothingOffered, OtherRevisionOffered, ValidityOver.
    """
    offer = revision_of(records, quote, revision)
    if quote.offered is None:
        if offer.state is RevisionState.expired:
            raise ValidityOver(revision, offer.valid_until)
        raise NothingOffered(act, quote)
    if revision != quote.offered:
        raise OtherRevisionOffered(revision, quote.offered)
    if offer.valid_until < stamp.today:
        raise ValidityOver(revision, offer.valid_until)
    return offer


def revision_of(records: Records, quote: KeptQuote, number: int) -> Revision:
    """Return a revision of a quote. Raises: NoSuchRevision."""
    revision = records.quotes.revision(quote.number, number)
    if revision is None:
        raise NoSuchRevision(number, quote.latest)
    return revision


def note_event(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    quote: KeptQuote,
    facts: Mapping[str, str | int | None] = MappingProxyType({}),
) -> None:
    """Add an event of a quote, with its state and version after the change."""
    add_event(
        records,
        stamp,
        kind,
        f"quote:{quote.number}",
        {"state": quote.state.value, "version": quote.version, **facts},
    )


def add_event(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    subject: str,
    facts: Mapping[str, str | int | None] = MappingProxyType({}),
    *,
    only: int | None = None,
) -> Event:
    """Return a new event of any subject, for all hooks that take its kind or for `only` one."""
    return records.events.add(
        Event(
            seq=0,
            at=stamp.at,
            kind=kind,
            subject=subject,
            facts=dict(facts),
            hand=stamp.hand,
            by=stamp.by,
            request_id=stamp.request_id,
        ),
        only,
    )


def _changed(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    before: KeptQuote,
    after: KeptQuote,
    facts: Mapping[str, str | int | None],
) -> KeptQuote:
    quote = structs.replace(after, version=before.version + 1, changed_at=stamp.at)
    records.quotes.put(quote)
    note_event(records, stamp, kind, quote, facts)
    return quote
