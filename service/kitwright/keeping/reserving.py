"""Reserving: what the agreed revision of a quote takes from stock is reserved for that quote alone.

It is reserved in the transaction of the acceptance, as far as it is free. What is missing is a
shortage: it has to be ordered. Reservations end as soon as no agreement needs them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction

import msgspec
from msgspec import Struct

from kitwright.catalogue.model import Quality
from kitwright.keeping.ledger import UNIT, Holding, MoveKind, Owner, Share
from kitwright.keeping.order_progress import arrived_for, held_by
from kitwright.keeping.record import KeptQuote, Stamp
from kitwright.keeping.shelf import Entry, enter
from kitwright.keeping.store import Records
from kitwright.stages.price import STOCK
from kitwright.stages.supply import meets

AGREED = "agreed"
"""The reason of a reservation at an acceptance."""
NOT_NEEDED = "no agreement needs it"
FINISHED = "work finished"
NOT_USED = "not used"
USED_MORE = "more used than agreed"


class Taken(Struct, frozen=True):
    """What a quote takes from stock of an item: `quality` is None if the quote does not say it."""

    item: str
    quantity: str
    bin: str
    quality: Quality | None = None

    @property
    def amount(self) -> int:
        """The quantity in millionths of its unit."""
        return int(Fraction(self.quantity) * UNIT)


class _Cover(Struct, frozen=True):
    quantity: str
    fitted: str | None = None


class _Pack(Struct, frozen=True):
    item: str
    packs: str
    source: str
    covers: tuple[_Cover, ...] = ()

    @property
    def needed(self) -> int:
        """What the quote needs of it, in millionths: of a set, its packs."""
        used = [Fraction(one.quantity) for one in self.covers if one.fitted == self.item]
        return int((sum(used) if used else Fraction(self.packs)) * UNIT)


class _Kit(Struct, frozen=True):
    from_stock: tuple[Taken, ...] = ()
    packs: tuple[_Pack, ...] = ()


class _Answer(Struct, frozen=True):
    kit: _Kit = _Kit()


_ANSWER = msgspec.json.Decoder(_Answer)


def taken_by(answer: bytes) -> tuple[Taken, ...]:
    """Return what a stored quote takes from stock."""
    return _ANSWER.decode(answer).kit.from_stock


class Shortage(Struct, frozen=True):
    """An amount, in millionths, of what a quote takes from stock that it does not have."""

    taken: Taken
    amount: int


def shortages(records: Records, quote: KeptQuote) -> tuple[Shortage, ...]:
    """Return what the agreed revision of a quote takes from stock and is neither reserved nor
    drawn for it.
    """
    kit = _kit(records, quote)
    had = _had(records.shelf.shares(quote.number))
    own = Counter[str]()
    for one in _opened(records, quote, kit):
        own[one.item] += one.amount
    # what was ordered for it is no stock that it was to take
    had.subtract(arrived_for(records, quote.number) | (own & had))
    return tuple(_missing(kit.from_stock, had))


def _unreserved(records: Records, quote: KeptQuote) -> tuple[Shortage, ...]:
    """Return the shortages that goods which arrived for the quote do not fill either, and what of
    such goods the quote needs and is not reserved for it. They fill what the quote buys first.
    """
    kit = _kit(records, quote)
    own = tuple(_opened(records, quote, kit))
    return tuple(_missing((*own, *kit.from_stock), _had(records.shelf.shares(quote.number))))


def _opened(records: Records, quote: KeptQuote, kit: _Kit) -> Iterator[Taken]:
    """Yield what a kit that buys needs of the packs that arrived for a quote, also if it needed
    less of them when they were ordered.
    """
    needed = _bought(kit)
    for line, holder in held_by(records, quote.number):
        item = line.placed.item
        amount = min(needed[item], max(holder.amount, int(holder.there * line.per_pack)))
        if amount > 0:
            needed[item] -= amount
            quality = None if holder.quality is None else Quality(holder.quality)
            yield Taken(item, str(Fraction(amount, UNIT)), "", quality)


def _bought(kit: _Kit) -> Counter[str]:
    """Return what a kit buys, in millionths of the unit, by item."""
    bought = Counter[str]()
    for pack in kit.packs:
        if pack.source != STOCK:
            bought[pack.item] += pack.needed
    return bought


def settle(records: Records, stamp: Stamp, quote: KeptQuote) -> None:
    """Release what the agreed revision of a quote does not need; reserve what it lacks and is free.

    A quote without an agreed revision needs nothing.
    """
    kit, shares = _kit(records, quote), records.shelf.shares(quote.number)
    needed = Counter[str]()
    for one in kit.from_stock:
        needed[one.item] += one.amount
    # what was ordered for it may be on the shelf by now
    needed.update(_bought(kit) | arrived_for(records, quote.number))
    needed.subtract(_had(shares))
    for share in reversed(shares):
        over = min(share.reserved, -needed[share.holding.item])
        if over > 0:
            needed[share.holding.item] += over
            _enter(records, stamp, quote, share.holding, MoveKind.release, over, NOT_NEEDED)
    reserve_missing(records, stamp, quote)


def reserve_missing(
    records: Records, stamp: Stamp, quote: KeptQuote, besides: Iterable[str] = ()
) -> int:
    """Reserve what the agreed revision of a quote lacks, as far as it is free, except the items
    `besides`; return the number of reservations.
    """
    left_out = frozenset(besides)
    missing = (one for one in _unreserved(records, quote) if one.taken.item not in left_out)
    return _reserve(records, stamp, quote, missing)


def reserve_opened(records: Records, stamp: Stamp, quote: KeptQuote) -> None:
    """Reserve what the agreed revision of a quote needs of the packs that arrived for it."""
    opened = _opened(records, quote, _kit(records, quote))
    _reserve(records, stamp, quote, _missing(opened, _had(records.shelf.shares(quote.number))))


def _reserve(records: Records, stamp: Stamp, quote: KeptQuote, missing: Iterable[Shortage]) -> int:
    """Reserve shortages as far as they are free; return the number of reservations."""
    count = 0
    for short in missing:
        rest = short.amount
        for holding, free in _free(records, short.taken):
            amount = min(rest, free)
            if amount > 0:
                _enter(records, stamp, quote, holding, MoveKind.reserve, amount, AGREED)
                rest -= amount
                count += 1
    return count


def reserve_used(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    used: Mapping[str, Fraction],
    more: Mapping[str, Fraction],
) -> None:
    """Reserve what a quote does not have of each item in `used`, as far as it is free: at most what
    was used beyond what was agreed, `more`.
    """
    had = _had(records.shelf.shares(quote.number))
    for item, beyond in more.items():
        rest = min(int(beyond * UNIT), int(used.get(item, 0) * UNIT) - had[item])
        for holding, free in free_of(records, item):
            amount = min(rest, free)
            if amount > 0:
                _enter(records, stamp, quote, holding, MoveKind.reserve, amount, USED_MORE)
                rest -= amount


def release_unused(
    records: Records, stamp: Stamp, quote: KeptQuote, used: Mapping[str, Fraction]
) -> None:
    """Release what is reserved for a quote of each item in `used`, beyond the quantity used."""
    shares = records.shelf.shares(quote.number)
    over = _had(shares)
    for share in reversed(shares):
        item = share.holding.item
        if item not in used:
            continue
        amount = min(share.reserved, over[item] - int(used[item] * UNIT))
        if amount > 0:
            over[item] -= amount
            _enter(records, stamp, quote, share.holding, MoveKind.release, amount, NOT_USED)


def draw_reserved(records: Records, stamp: Stamp, quote: KeptQuote) -> None:
    """Draw everything that is still reserved for a quote, because its work is finished."""
    for share in records.shelf.shares(quote.number):
        if share.reserved:
            amount = share.reserved
            _enter(records, stamp, quote, share.holding, MoveKind.draw, amount, FINISHED)


def _enter(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    holding: Holding,
    kind: MoveKind,
    amount: int,
    reason: str,
) -> None:
    entry = Entry(holding=holding, kind=kind, amount=amount, quote=quote.number, reason=reason)
    enter(records, stamp, entry, quote.net.currency)


def _kit(records: Records, quote: KeptQuote) -> _Kit:
    """Return the kit of the agreed revision of a quote, empty without one."""
    revision = None if quote.agreed is None else records.revisions.get(quote.number, quote.agreed)
    return _Kit() if revision is None else _ANSWER.decode(revision.answer).kit


def _had(shares: Iterable[Share]) -> Counter[str]:
    had = Counter[str]()
    for share in shares:
        had[share.holding.item] += share.reserved + share.drawn
    return had


def _missing(taken: Iterable[Taken], had: Counter[str]) -> Iterator[Shortage]:
    for one in taken:
        filled = min(one.amount, max(0, had[one.item]))
        had[one.item] -= filled
        if filled < one.amount:
            yield Shortage(one, one.amount - filled)


def _free(records: Records, taken: Taken) -> list[tuple[Holding, int]]:
    """Return the free stock that a quote may take instead of nothing: that of the bin that it
    names, then any other of at least the same quality.
    """
    floor = taken.quality or Quality.maker
    found = [
        (holding, free)
        for holding, free in free_of(records, taken.item)
        if meets(holding.quality, floor) or (taken.quality is None and holding.bin == taken.bin)
    ]
    return sorted(found, key=lambda one: (one[0].bin != taken.bin, one[0].number))


def free_of(records: Records, item: str) -> list[tuple[Holding, int]]:
    """Return the holdings of the shop of an item, each with what is free, in millionths."""
    return [
        (holding, balance.free)
        for holding, balance in records.shelf.of_item(item)
        if holding.owner is Owner.shop and balance.free > 0
    ]
