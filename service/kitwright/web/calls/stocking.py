"""Stocking: the free stock of the shelf's ledger, as quotes and orders read it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from fractions import Fraction

from kitwright.catalogue.model import Catalogue, ItemId
from kitwright.keeping.ledger import Owner, Standing
from kitwright.keeping.opening import pack_amount
from kitwright.keeping.record import ENDED
from kitwright.keeping.reserving import Taken, taken_by
from kitwright.keeping.store import Records
from kitwright.money import round_ratio
from kitwright.stages.supply import Held, Stock


class Shelf:
    """The free stock of one store's ledger. It is read again only after a move, and then only the
    items that moved.
    """

    def __init__(self) -> None:
        self._catalogue: Catalogue | None = None
        self._last = 0
        self._stock = Stock()

    @property
    def before(self) -> Stock:
        """What was free when it was read last."""
        return self._stock

    def stock(self, records: Records, catalogue: Catalogue, quote: int | None = None) -> Stock:
        """Return what is free now; for a quote, with what is reserved or drawn for it."""
        if catalogue is not self._catalogue:
            # another catalogue may have other packs
            self._catalogue, self._last, self._stock = catalogue, 0, Stock()
        last = records.shelf.last()
        if last != self._last:
            moved = records.shelf.moved(self._last)
            self._stock = _reread(records, catalogue, self._stock, moved)
            self._last = last
        if quote is None:
            return self._stock
        own: dict[int, int] = defaultdict(int)
        items = set()
        for share in records.shelf.shares(quote):
            if share.holding.owner is Owner.shop:
                own[share.holding.number] += share.reserved + share.drawn
                items.add(share.holding.item)
        return _reread(records, catalogue, self._stock, sorted(items), own) if own else self._stock


def less(stock: Stock, catalogue: Catalogue, taken: Iterable[Taken]) -> Stock:
    """Return the stock that is left once something is taken from it."""
    return stock.without(
        (
            ItemId(one.item),
            one.quality,
            one.bin,
            Fraction(one.amount, pack_amount(catalogue, one.item)),
        )
        for one in taken
    )


def promised_before(records: Records, number: int) -> Iterator[Taken]:
    """Yield what the machines of a quote's fleet before its own take from stock, as far as it is
    promised to them, but not reserved, because nothing is agreed yet.
    """
    quote = records.quotes.get(number)
    if quote is None or quote.fleet is None:
        return
    for other in records.quotes.of_fleet(quote.fleet):
        if other.number < number and other.agreed is None and other.state not in ENDED:
            revision = records.revisions.get(other.number, other.latest)
            yield from () if revision is None else taken_by(revision.answer)


def _reread(
    records: Records,
    catalogue: Catalogue,
    stock: Stock,
    items: tuple[str, ...] | list[str],
    more: dict[int, int] | None = None,
) -> Stock:
    """Return the stock with the rows of some items as the ledger has them, and with `more` of some
    holdings.
    """
    own = more or {}
    rows = [
        _held(one, pack_amount(catalogue, item), own.get(one[0].number, 0))
        for item in items
        for one in records.shelf.of_item(item)
        if one[0].owner is Owner.shop
    ]
    return stock.replaced(map(ItemId, items), rows)


def _held(standing: Standing, pack: int, more: int) -> Held:
    holding, balance = standing
    return Held(
        item=ItemId(holding.item),
        quality=holding.quality,
        brand=holding.brand,
        bin=holding.bin,
        free=Fraction(balance.free + more, pack),
        cost=round_ratio(balance.value.minor * pack, balance.on_hand) if balance.on_hand else 0,
    )
