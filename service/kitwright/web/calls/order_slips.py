"""Order slips: the quotes whose parts come later than was promised, and where they could be had
sooner.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import date
from types import MappingProxyType

from kitwright.catalogue.model import ItemId, SupplierId
from kitwright.keeping.life import revision_of
from kitwright.keeping.order_acts import Done
from kitwright.keeping.order_progress import Holder, LineState, Progress, orders_of, progress_of
from kitwright.keeping.record import KeptOrder, KeptQuote, Stamp
from kitwright.keeping.slip import Slip, day_known, note_slipped
from kitwright.keeping.store import Records
from kitwright.stages.ordering import Lacking, next_offer
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import ORDER, QUOTE, written
from kitwright.web.calls.order_shown import terms_of
from kitwright.web.calls.order_wire import ProposalOut, SlipOut
from kitwright.web.calls.reckoning import asked_of


def slips_of(records: Records, stamp: Stamp, done: Done) -> tuple[SlipOut, ...]:
    """Return the quotes whose parts come later than before; each that slips gets one event."""
    found, told = [], set[int]()
    for then, now in _slipping(done):
        for holder in now.holders:
            quote = records.quotes.get(holder.quote) if holder.due else None
            if quote is None:
                continue
            complete = complete_on(records, quote.number)
            needed_by = needed_by_of(records, quote)
            if quote.number not in told:
                told.add(quote.number)
                before = complete_on(records, quote.number, {done.order.number: done.before})
                order = written(ORDER, done.order.number)
                note_slipped(records, stamp, quote, order=order, was=before, now=complete)
            is_late = needed_by is not None and (complete is None or complete > needed_by)
            found.append(
                SlipOut(
                    quote=written(QUOTE, quote.number),
                    line=now.line,
                    sku=now.placed.sku,
                    promised=then.promised,
                    now=now.promised,
                    complete_on=complete,
                    needed_by=needed_by,
                    is_late=is_late,
                )
            )
    return tuple(found)


def slip_to(records: Records, stamp: Stamp, quote: KeptQuote, made: Collection[KeptOrder]) -> None:
    """Note what comes later for a quote because orders just `made` bring what suppliers refused, or
    what was cancelled.
    """
    lost: set[tuple[str, int | None]] = set()
    days: list[date] = []
    for order in orders_of(records, quote.number):
        progress = progress_of(records, order)
        for line, holder in _held(progress, quote.number) if progress.is_sent else ():
            days.append(line.placed.promised)
            lost |= _places(holder) if holder.cancelled else set()
    was = day_known(records, quote, max(days, default=None))
    for order in made if lost else ():
        carried = [
            line.promised
            for line, holder in _held(progress_of(records, order), quote.number)
            if lost & _places(holder)
        ]
        if any(_is_later(day, was) for day in carried):
            now = complete_on(records, quote.number)
            note_slipped(
                records, stamp, quote, order=written(ORDER, order.number), was=was, now=now
            )


def _held(progress: Progress, quote: int) -> Iterator[tuple[LineState, Holder]]:
    for line in progress.lines:
        yield from ((line, holder) for holder in line.holders if holder.quote == quote)


def _places(holder: Holder) -> set[tuple[str, int | None]]:
    return {(cover.role, cover.cylinder) for cover in holder.covers}


def _is_later(day: date | None, was: date | None) -> bool:
    """Return whether a day is later than one before, or one of them is not known."""
    return day is None or was is None or day > was


def late_orders(records: Records, quote: int, slip: Slip) -> tuple[str, ...]:
    """Return those orders of a slip, by id, that still have to bring something too late."""
    late = {
        written(ORDER, order.number)
        for order in orders_of(records, quote)
        for line, holder in _held(progress_of(records, order), quote)
        if holder.due and _is_later(line.promised, slip.was)
    }
    return tuple(name for name in slip.orders if name in late)


def proposals_of(desk: Desk, stamp: Stamp, done: Done) -> Iterator[ProposalOut]:
    """Yield where the goods of lines that slip, or that the supplier refuses, could be had sooner,
    if they can.
    """
    workshop = desk.service.workshop
    days = desk.order_days(stamp.at)
    late = {now.line: now for _, now in _slipping(done)}
    for then, line in zip(done.before.lines, done.after.lines, strict=True):
        slipping, refused = line.line in late, line.cancelled - then.cancelled
        if not slipping and not refused:
            continue
        # what is refused comes never, so any day is sooner
        promised = line.promised if slipping else None
        lacking = Lacking(
            item=ItemId(line.placed.item),
            pieces=(refused + line.due * slipping) * line.placed.pack_size,
            quality=terms_of(desk, line).quality,
            supplier=SupplierId(line.supplier),
            sku=line.placed.sku,
            promised=promised,
        )
        order = next_offer(workshop.catalogue, workshop.shop, workshop.supply, lacking, days)
        if order is not None:
            (offered,) = order.lines
            yield ProposalOut(
                line=line.line,
                supplier=order.supplier.id,
                name=order.supplier.name,
                sku=offered.source.sku,
                item=offered.source.item,
                packs=offered.packs,
                unit_cost=f"{offered.unit_cost:f}",
                net=order.net,
                promised=offered.promised,
            )


def complete_on(
    records: Records, quote: int, instead: Mapping[int, Progress] = MappingProxyType({})
) -> date | None:
    """Return the day on which everything ordered for a quote should be there; None if a part has no
    day. If nothing is to come, it is the earliest day that there is. Some orders may be given as
    they were, `instead`.
    """
    days = [
        line.promised
        for order in orders_of(records, quote)
        for line in (instead.get(order.number) or progress_of(records, order)).lines
        for holder in line.holders
        if holder.quote == quote and holder.due
    ]
    known = [day for day in days if day is not None]
    return max(known, default=date.min) if len(known) == len(days) else None


def _slipping(done: Done) -> Iterator[tuple[LineState, LineState]]:
    """Yield the lines of which packs come later than before, as they were and as they are."""
    for then, now in zip(done.before.lines, done.after.lines, strict=True):
        is_later = now.promised is None or (
            then.promised is not None and now.promised > then.promised
        )
        if now.due and then.promised is not None and is_later:
            yield then, now


def needed_by_of(records: Records, quote: KeptQuote) -> date | None:
    """Return the day by which the agreed revision of a quote needs its parts, None for any."""
    if quote.agreed is None:
        return None
    return asked_of(revision_of(records, quote, quote.agreed)).needed_by
