"""Life: a quote is stored and revised, its parts are ordered, and its work is started and finished.

Every act takes the records of one transaction and the stamp of the caller. It checks that the act
is allowed, changes the quote, and adds one event. A revision restates the complete quote. The
revision that a customer agreed to stays in force until another is accepted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from types import MappingProxyType
from typing import Any

import msgspec
from msgspec import Struct, structs

from kitwright.keeping.acts import NoSuchRevision, NotNow, OtherCustomer, check_act
from kitwright.keeping.clock import stop_clocks
from kitwright.keeping.distance import check_period
from kitwright.keeping.event import Facts, keep_change, note_event
from kitwright.keeping.linked import keep_link
from kitwright.keeping.record import (
    Addition,
    KeptQuote,
    QuoteState,
    Revision,
    RevisionState,
    Stamp,
)
from kitwright.keeping.reserving import draw_reserved, release_unused
from kitwright.keeping.store import Records
from kitwright.keeping.sums import sums_of


def keep_fleet(records: Records, stamp: Stamp, revisions: Sequence[Revision]) -> int:
    """Store a new quote for each of some revisions, at least one; return the fleet's number."""
    fleet = 0
    for revision in revisions:
        fleet = keep_quote(records, stamp, revision, fleet=fleet).fleet or 0
    return fleet


def keep_quote(
    records: Records,
    stamp: Stamp,
    revision: Revision,
    copy_of: int | None = None,
    fleet: int | None = None,
) -> KeptQuote:
    """Store a new quote with its first revision, a draft; return the quote. `fleet` is the number
    of its fleet, 0 of a new one.
    """
    first = structs.replace(revision, number=1, made_at=stamp.at)
    quote = records.quotes.add(
        KeptQuote(
            number=0,
            version=1,
            state=QuoteState.draft,
            latest=1,
            offered=None,
            agreed=None,
            made_at=stamp.at,
            made_on=stamp.today,
            changed_at=stamp.at,
            fleet=fleet or None,
            **shown_of(first),
        )
    )
    if fleet == 0:
        # a fleet has the number of its first quote
        quote = structs.replace(quote, fleet=quote.number)
        records.quotes.put(quote)
    first = structs.replace(first, quote=quote.number)
    records.revisions.add(first)
    link = keep_link(records, stamp, first)
    facts = {
        "copy_of": copy_of,
        "fleet": quote.fleet,
        "comes_back": None if link is None else link.visit,
    }
    given = {name: number for name, number in facts.items() if number}
    note_event(records, stamp, "quote.created", quote, given)
    return quote


def revise(records: Records, stamp: Stamp, quote: KeptQuote, revision: Revision) -> KeptQuote:
    """Return a quote with another revision. It replaces the newest revision if that is a draft;
    otherwise it is a new one. An offered or agreed revision stays the one that is shown.

    Raises: NotNow, OtherCustomer.
    """
    check_act("revise", quote)
    newest = revision_of(records, quote, quote.latest)
    is_begun = newest.state is RevisionState.draft
    number = quote.latest if is_begun else quote.latest + 1
    # otherwise an earlier revision would hold one customer's data in another customer's quote
    if number > 1 and newest.customer not in (None, revision.customer):
        raise OtherCustomer(quote)
    keep = records.revisions.put if is_begun else records.revisions.add
    revision = structs.replace(revision, quote=quote.number, number=number, made_at=stamp.at)
    keep(revision)
    keep_link(records, stamp, revision)
    revised = structs.replace(quote, latest=number)
    if quote.offered is None and quote.agreed is None:
        # a quote of which nothing is offered or agreed is a draft again
        revised = showing(records, structs.replace(revised, state=QuoteState.draft), number)
    asked = _asked(revision)
    facts: dict[str, str | int | None] = {"revision": number}
    for name, numbers in (("carried", asked.carried), ("left_out", asked.left_out)):
        if numbers:
            facts[name] = ", ".join(map(str, numbers))
    return keep_change(records, stamp, "quote.revised", revised, facts)


class _Named(Struct, frozen=True):
    """An addition, by its number."""

    addition: int


class _FreeLine(Struct, frozen=True):
    carried: _Named | None = None


class Ticked(Struct, frozen=True, order=True):
    """A job that a customer left out or added, on its cylinder."""

    job: str
    cylinder: int | None = None


class Chosen(Struct, frozen=True):
    """What a customer chose of a revision on offer."""

    revision: int
    course: str | None = None
    leave_out: tuple[Ticked, ...] = ()
    extras: tuple[Ticked, ...] = ()


class _Asked(Struct, frozen=True):
    """The members of a revision's request that are read here."""

    family: str
    serial: int | None = None
    ticket: str | None = None
    diagnostic_done: bool = False
    chosen: Chosen | None = None
    free_lines: tuple[_FreeLine, ...] = ()
    leave_out_additions: tuple[_Named, ...] = ()

    @property
    def carried(self) -> tuple[int, ...]:
        """The numbers of the additions that are lines of the revision."""
        return tuple(each.carried.addition for each in self.free_lines if each.carried is not None)

    @property
    def left_out(self) -> tuple[int, ...]:
        """The numbers of the additions that it leaves out."""
        return tuple(each.addition for each in self.leave_out_additions)


def _asked(revision: Revision) -> _Asked:
    return msgspec.json.decode(revision.request, type=_Asked)


def chosen_of(revision: Revision) -> Chosen | None:
    """Return what a customer chose of which revision, None if a revision is no such choice."""
    return _asked(revision).chosen


def charges_diagnosis(records: Records, quote: KeptQuote) -> bool:
    """Return whether the revision that a quote shows, or its newest, charges the diagnosis."""
    numbers = {quote.shown, quote.latest}
    return any(_asked(revision_of(records, quote, one)).diagnostic_done for one in numbers)


def shown_of(revision: Revision) -> dict[str, Any]:
    """Return the members of a quote that are those of the revision that it shows."""
    engine = _asked(revision)
    return {
        "shown": revision.number,
        "customer": revision.customer,
        "machine": revision.machine,
        "family": engine.family,
        "serial": engine.serial,
        # as it goes over the wire: T and the number
        "ticket": None if engine.ticket is None else int(engine.ticket[1:]),
        "net": revision.net,
        "gross": revision.gross,
        "valid_until": revision.valid_until,
    }


def showing(records: Records, quote: KeptQuote, number: int) -> KeptQuote:
    """Return a quote that shows one of its revisions, with the additions if it is the agreed one.

    Raises: NoSuchRevision.
    """
    revision = revision_of(records, quote, number)
    shown = structs.replace(quote, **shown_of(revision))
    added = additions_to(records, quote, revision)
    if not added:
        return shown
    sums = sums_of(revision, added)
    return structs.replace(shown, net=sums.net, gross=sums.gross)


def additions_to(records: Records, quote: KeptQuote, revision: Revision) -> tuple[Addition, ...]:
    """Return the additions to a revision, oldest first; empty if it is not the agreed one."""
    if revision.number != quote.agreed:
        return ()
    every = records.additions.of_quote(quote.number)
    if not every:
        return ()
    # a revision restates everything: its figures include additions made before it, but not later
    # ones, whichever revision was in force then
    asked = _asked(revision)
    settled = {*asked.carried, *asked.left_out}
    return tuple(
        one
        for one in every
        if one.revision == revision.number
        or (one.number not in settled and one.at >= revision.made_at)
    )


def agreed_additions(records: Records, quote: KeptQuote) -> tuple[Addition, ...]:
    """Return the additions that a new revision carries over, oldest first: those that the agreed
    revision carries, and those made on top of it.
    """
    if quote.agreed is None:
        return ()
    agreed = revision_of(records, quote, quote.agreed)
    carried = _asked(agreed).carried
    on_top = {one.number for one in additions_to(records, quote, agreed)}
    return tuple(
        one
        for one in records.additions.of_quote(quote.number)
        if one.number in on_top or one.number in carried
    )


def ordered(records: Records, stamp: Stamp, quote: KeptQuote, orders: int) -> KeptQuote:
    """Return a quote some of whose parts orders were placed."""
    is_first = quote.state is QuoteState.accepted
    state = QuoteState.ordered if is_first else quote.state
    facts = {"revision": quote.agreed, "orders": orders}
    return keep_change(records, stamp, "quote.ordered", quote, facts, state=state)


class _Need(Struct, frozen=True):
    """The part of a need that no source can supply, as far as it is read here."""

    part: str


class _Unfilled(Struct, frozen=True):
    need: _Need


class _Answer(Struct, frozen=True):
    """The members of a revision's answer that are read here."""

    unfilled: tuple[_Unfilled, ...] = ()


def missing_parts(revision: Revision) -> tuple[str, ...]:
    """Return the numbers of the parts of a revision that no source can supply, each once."""
    answer = msgspec.json.decode(revision.answer, type=_Answer)
    return tuple(dict.fromkeys(each.need.part for each in answer.unfilled))


def start(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    unordered: Sequence[str],
    *,
    can_begin: bool = False,
) -> KeptQuote:
    """Return a quote in work.

    Args:
        unordered: the parts orders not yet placed for the agreed revision, each in words.
        can_begin: whether it is torn down before they are, because its first steps need no part
            that is not here.

    Raises: NotNow, also if no source can supply some part of the agreed revision.
    """
    check_act("start", quote)
    check_period(records, quote, stamp.today)
    missing = missing_parts(revision_of(records, quote, quote.agreed or 0))
    if missing:
        raise NotNow("start", quote, f"no supplier has {', '.join(missing)}: revise the quote")
    if unordered and not can_begin:
        raise NotNow("start", quote, _not_placed(unordered))
    facts = {"revision": quote.agreed}
    if unordered:
        facts["unordered"] = len(unordered)
    return keep_change(records, stamp, "quote.started", quote, facts, state=QuoteState.in_work)


def check_finish(quote: KeptQuote, unordered: Sequence[str] = ()) -> None:
    """Raise NotNow unless the work on a quote can be finished, for which some parts orders, in
    words, are not placed.
    """
    check_act("finish", quote)
    if quote.offered is not None:
        raise NotNow("finish", quote, f"revision {quote.offered} is on offer and not yet decided")
    if unordered:
        reason = f"{_not_placed(unordered)}; place them, or say in `goods` what was used"
        raise NotNow("finish", quote, reason)


def _not_placed(unordered: Sequence[str]) -> str:
    return f"parts orders not yet placed: {len(unordered)} ({'; '.join(unordered)})"


def finish(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    used: Mapping[str, Fraction] = MappingProxyType({}),
    stopped: int = 0,
    unbooked: Facts = MappingProxyType({}),
) -> KeptQuote:
    """Return a quote whose work is finished. A draft that was never offered is superseded by the
    agreed revision, and named in the event. What is still reserved for the quote is drawn; of an
    item in `used`, only as much as was used, in its unit, and the rest is free again. Clocks that
    run are stopped; the event says how many, with those `stopped` for the bill before, and what
    it is told of lines that are billed `unbooked`.

    Raises: NotNow, while a revision is undecided.
    """
    check_finish(quote)
    facts = {"revision": quote.agreed, **unbooked}
    if revision_of(records, quote, quote.latest).state is RevisionState.draft:
        records.revisions.mark(quote.number, quote.latest, RevisionState.superseded)
        facts["superseded"] = quote.latest
    release_unused(records, stamp, quote, used)
    draw_reserved(records, stamp, quote)
    stopped += stop_clocks(records, stamp, quote)
    if stopped:
        facts["clocks_stopped"] = stopped
    return keep_change(records, stamp, "quote.finished", quote, facts, state=QuoteState.done)


def revision_of(records: Records, quote: KeptQuote, number: int) -> Revision:
    """Return a revision of a quote. Raises: NoSuchRevision."""
    revision = records.revisions.get(quote.number, number)
    if revision is None:
        raise NoSuchRevision(number, quote.latest)
    return revision
