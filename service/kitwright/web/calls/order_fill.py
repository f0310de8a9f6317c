"""Order fill: what new orders lack to free freight, and what of the shelf's goods makes it up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from kitwright.catalogue.model import Catalogue, ItemId
from kitwright.keeping.ledger import Owner
from kitwright.keeping.opening import pack_amount
from kitwright.keeping.store import Records
from kitwright.quote import Amount, Count, amount_of
from kitwright.stages.ordering import Restock, fill_up
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import ORDER, OrderId, written
from kitwright.web.calls.order_making import Made
from kitwright.web.calls.shown import Out


class FillerOut(Out, frozen=True, kw_only=True):
    """Packs to add to an order; `net` is what its goods then cost more, without tax."""

    item: str
    sku: str
    packs: Count
    net: Amount


class FillOut(Out, frozen=True, kw_only=True):
    """The goods with which an order reaches free freight, from the `gap` to it: only such as the
    shelf has fewer of than its reorder points want. `saved` is what is charged less for freight and
    fees then. It is a proposal; nothing of it is ordered.
    """

    order: OrderId
    gap: Amount
    saved: Amount
    fillers: tuple[FillerOut, ...]


def fills_of(desk: Desk, records: Records, made: Sequence[Made]) -> Iterator[FillOut]:
    """Yield the goods with which new orders reach free freight."""
    workshop = desk.service.workshop
    wanted = _wanted(records, workshop.catalogue) if made else []
    for one in made if wanted else ():
        found = fill_up(workshop.catalogue, workshop.supply, one.joint.order, wanted)
        if found is not None:
            yield FillOut(
                order=written(ORDER, one.order.number),
                gap=amount_of(found.gap),
                saved=amount_of(found.saved),
                fillers=tuple(
                    FillerOut(
                        item=each.source.item,
                        sku=each.source.sku,
                        packs=each.packs,
                        net=amount_of(each.net),
                    )
                    for each in found.fillers
                ),
            )


def _wanted(records: Records, catalogue: Catalogue) -> list[Restock]:
    """Return what the shelf has less of than is wanted, first that of which the least is left."""
    found: list[tuple[Fraction, Restock]] = []
    for point in records.shelf.points():
        free = sum(
            balance.free
            for holding, balance in records.shelf.of_item(point.item)
            if holding.owner is Owner.shop
        )
        items = (point.wanted - free) // pack_amount(catalogue, point.item)
        if items > 0:
            left = Fraction(max(0, free), point.wanted)
            found.append((left, Restock(ItemId(point.item), items)))
    return [restock for _, restock in sorted(found)]
