"""Stopping: work is declined on the way, or before it began; what is not used is free again."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from fractions import Fraction

import msgspec
from msgspec import Struct

from kitwright.catalogue.model import Catalogue, SupplierId
from kitwright.keeping.acts import ActRefused, NotNow, check_act
from kitwright.keeping.clock import stop_clocks
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.life import revision_of
from kitwright.keeping.order_progress import Holder, LineState, orders_of, progress_of
from kitwright.keeping.record import KeptQuote, QuoteState, Revision, RevisionState, Stamp
from kitwright.keeping.reserving import draw_reserved, release_unused
from kitwright.keeping.store import Records
from kitwright.keeping.waiting import storage_due
from kitwright.stages.price import DIAGNOSTIC_FEE


class NothingOwed(ActRefused):
    """An offer that was declined, and that owes neither a diagnostic fee nor storage."""

    code = "nothing-owed"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__(
            f"nothing is agreed (it is {quote.state.value}), and it has no diagnostic fee nor "
            "storage: nothing is owed"
        )
        self.quote = quote.number


class StopNotPriced(ActRefused):
    """Work whose steps the catalogue of today no longer gives as they were agreed."""

    code = "stop-not-priced"

    def __init__(self, revision: int) -> None:
        super().__init__(
            f"the catalogue that revision {revision} was made with is no longer there, and today's "
            "plans its work differently: finish the quote, with the `goods` that were used and the "
            "minutes that were `clocked`"
        )
        self.revision = revision


class _Line(Struct, frozen=True):
    code: str


class _Place(Struct, frozen=True):
    line: int


class _ComesBack(Struct, frozen=True):
    """The lines that the shop bears."""

    lines: tuple[_Place, ...] = ()


class _Answer(Struct, frozen=True):
    """The members of a revision's answer that are read here."""

    lines: tuple[_Line, ...] = ()
    comes_back: _ComesBack | None = None


def owes_fee(revision: Revision) -> bool:
    """Return whether a revision has a diagnostic fee, which is owed if it is declined; one that the
    shop bears is not.
    """
    answer = msgspec.json.decode(revision.answer, type=_Answer)
    back = answer.comes_back
    borne = set() if back is None else {one.line for one in back.lines}
    return any(
        line.code == DIAGNOSTIC_FEE and place not in borne
        for place, line in enumerate(answer.lines, start=1)
    )


def check_stop(records: Records, quote: KeptQuote, today: date) -> Revision:
    """Return the revision whose work is stopped: the agreed one, else the one declined or expired,
    of which the diagnosis or storage is owed.

    Raises: NotNow, NothingOwed.
    """
    check_act("stop", quote)
    if quote.offered is not None:
        raise NotNow("stop", quote, f"revision {quote.offered} is on offer and not yet decided")
    revision = revision_of(records, quote, quote.agreed or quote.shown)
    stored = storage_due(records, quote, today)
    is_stored = stored is not None and stored.fee.minor
    if quote.agreed is None and not owes_fee(revision) and not is_stored:
        raise NothingOwed(quote)
    return revision


def stop(
    records: Records, stamp: Stamp, quote: KeptQuote, used: Mapping[str, Fraction], facts: Facts
) -> KeptQuote:
    """Return a quote whose work is stopped for good. A draft that was never offered is superseded.
    What is reserved for the quote and not in `used`, in the unit of each item, is free again.
    Clocks that run are stopped.
    """
    facts = {"revision": quote.agreed, **facts}
    newest = revision_of(records, quote, quote.latest)
    if newest.state is RevisionState.draft:
        records.revisions.mark(quote.number, newest.number, RevisionState.superseded)
        facts["superseded"] = newest.number
    shares = records.shelf.shares(quote.number)
    nothing = {share.holding.item: Fraction(0) for share in shares}
    release_unused(records, stamp, quote, {**nothing, **used})
    draw_reserved(records, stamp, quote)
    stopped = stop_clocks(records, stamp, quote)
    if stopped:
        facts["clocks_stopped"] = stopped
    return keep_change(records, stamp, "quote.stopped", quote, facts, state=QuoteState.done)


def kept_places(
    records: Records, catalogue: Catalogue, quote: int, today: date
) -> frozenset[tuple[str, int | None]]:
    """Return the roles, with their cylinders, whose parts were ordered for a quote and can't go
    back: they are special orders, or their days for that are over.
    """
    found = set[tuple[str, int | None]]()
    for order in orders_of(records, quote):
        progress = progress_of(records, order)
        if not progress.is_sent:
            continue
        for line in progress.lines:
            for holder in line.holders:
                if holder.quote == quote and _is_kept(catalogue, line, holder, today):
                    found.update((one.role, one.cylinder) for one in holder.covers)
    return frozenset(found)


def _is_kept(catalogue: Catalogue, line: LineState, holder: Holder, today: date) -> bool:
    supplier = catalogue.suppliers.get(SupplierId(line.supplier))
    if supplier is None or holder.kept <= 0:
        return False
    if supplier.is_special(line.placed.sku):
        return True
    if holder.there <= 0 or not line.days:
        return False
    return today > max(line.days) + timedelta(days=supplier.return_days)
