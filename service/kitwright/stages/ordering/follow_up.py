"""Follow-up: the orders that an agreed revision still needs after those placed before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from fractions import Fraction
from functools import cached_property
from math import ceil

from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, ItemId, Quality, Shop, SupplierId
from kitwright.errors import KitwrightError
from kitwright.stages.kit import Bought
from kitwright.stages.ordering.order import (
    OrderLine,
    PartsOrder,
    Use,
    order_line,
    place_orders,
    use_of,
)
from kitwright.stages.ordering.placed import (
    Amounts,
    Count,
    Earlier,
    Key,
    Packs,
    Placed,
    amounts_of,
    need_of,
    offered_as,
    packs_from,
    per_pack,
)
from kitwright.stages.supply import Source, Supply


class Surplus(Struct, frozen=True):
    """Complete packs that were ordered and that the revision does not need."""

    supplier: SupplierId
    sku: str
    packs: int


class FollowUp(Struct, frozen=True, kw_only=True):
    """The orders to place now, and the packs ordered before that are not needed."""

    orders: tuple[PartsOrder, ...]
    surplus: tuple[Surplus, ...]


class NotOrderable(KitwrightError):
    """Parts still to be ordered can't be."""

    code = "not-orderable"


class SupplierGone(NotOrderable):
    """A supplier of parts still to be ordered is not in the catalogue, or not in its currency."""

    code = "supplier-gone"

    def __init__(self, supplier: SupplierId, sku: str) -> None:
        super().__init__(
            f"can't order {sku}: the catalogue no longer has supplier {supplier} in the shop's "
            "currency; revise the quote, or put the supplier back into the catalogue"
        )
        self.supplier = supplier
        self.sku = sku


def plan_follow_up(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    wanted: Iterable[Packs],
    before: Iterable[Packs],
    days: Mapping[SupplierId, date],
) -> FollowUp:
    """Return the orders that are still needed, at the suppliers' terms of today.

    Packs of the same SKU count first. Other packs that were ordered before and are not wanted are
    opened if that saves packs: they hold the same number, in a quality that is as good. Parts
    that are then missing are ordered in the fewest packs that minimum and multiple allow. If
    nothing was ordered before, the packs are those of the revision. A SKU that its supplier no
    longer offers is ordered at the revision's cost per pack.

    Args:
        wanted: the order lines of the agreed revision.
        before: the lines of all orders that were placed for the quote.
        days: supplier -> the day that an order placed now counts for.

    Raises: SupplierGone.
    """
    earlier = Earlier(catalogue, supply, before)
    placed = earlier.placed(earlier.counts)
    lines = [_line(catalogue, shop, supply, packs) for packs in wanted]
    # every line its own packs first: what one opens must not be what another one wants
    taken = [placed[line.key].take(line.packs) if line.key in placed else 0 for line in lines]
    made = [
        more
        for line, own in zip(lines, taken, strict=True)
        if (more := _order_more(shop, line, own, placed, earlier, days)) is not None
    ]
    return FollowUp(
        orders=place_orders(catalogue, made),
        surplus=tuple(
            Surplus(key[0], key[1], placed[key].surplus)
            for key in sorted(placed)
            if placed[key].surplus
        ),
    )


def order_rest(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    wanted: Iterable[Bought],
    earlier: Earlier,
    on: date,
) -> tuple[PartsOrder, ...]:
    """Return the orders of `plan_follow_up` for what would be bought on a day.

    Most of it is there completely, or holds nothing of what is there. Neither changes what is left
    for the rest.
    """
    left = dict(earlier.counts)
    open_ones: list[tuple[Bought, Count]] = []
    for each in sorted(wanted, key=_in_orders):
        key = each.source.supplier.id, each.source.sku, each.source.pack
        own = min(left.get(key, 0), each.packs)
        if own:
            left[key] -= own
        if own != each.packs or not earlier.fills(key, own, each.covers):
            open_ones.append((each, own))
    placed: dict[Key, Placed] | None = None
    days = dict.fromkeys(catalogue.suppliers, on)
    made: list[OrderLine] = []
    for each, own in open_ones:
        uses = tuple(map(use_of, each.covers))
        if not own and _is_new(supply, earlier, each):
            made.append(order_line(shop, each.source, each.packs, uses, on))
            continue
        if placed is None:
            placed = earlier.placed(left)
        line = _line(catalogue, shop, supply, packs_from(each.source, each.packs, uses))
        more = _order_more(shop, line, own, placed, earlier, days)
        if more is not None:
            made.append(more)
    return place_orders(catalogue, made)


def _in_orders(bought: Bought) -> tuple[SupplierId, ItemId, str]:
    """Return the key by which purchases are sorted in orders."""
    source = bought.source
    return source.supplier.id, source.item, source.sku


def _is_new(supply: Supply, earlier: Earlier, bought: Bought) -> bool:
    """Return whether nothing of a purchase was ordered before, and it is ordered as it is."""
    source = bought.source
    return (
        source.allowed(bought.packs) == bought.packs
        and offered_as(supply, source.item, source.supplier.id, source.sku) is source
        and all(one.quantity and one.number not in earlier.holding for one in bought.covers)
    )


def _order_more(
    shop: Shop,
    line: _Line,
    own: Count,
    placed: Mapping[Key, Placed],
    earlier: Earlier,
    days: Mapping[SupplierId, date],
) -> OrderLine | None:
    """Return the order line for what a line's own packs and spare ones leave open, None for none.

    Raises: SupplierGone.
    """
    missing = _missing(line, own, earlier)
    holding = {n: [placed[key] for key in earlier.holding.get(n, ())] for n in missing}
    packs = _fewest(line, own, missing, holding)
    opened = _open_spare(line, packs, missing, holding)
    if not packs:
        return None
    if line.source is None:
        raise SupplierGone(line.wanted.supplier, line.wanted.sku)
    covers = _covers(line, {n: missing[n] - opened[n] for n in missing}, earlier)
    if own:
        # more than is missing, if fewer are not sold: so many of the old ones are left over
        placed[line.key].exceeded = max(0, own + packs - line.packs)
    return order_line(shop, line.source, packs, covers, days[line.source.supplier.id])


_Holding = Mapping[ItemId, Sequence[Placed]]
"""Number -> the packs ordered before that hold it, in the order in which they are opened."""


class _Line(Struct, frozen=True, kw_only=True, dict=True):
    """A line of the revision at today's terms: `packs` are wanted, of today's size.

    `source` is None if the supplier is gone; `floor` is the quality that other packs need to have
    in place of these; `uses` is what is needed.
    """

    catalogue: Catalogue
    wanted: Packs
    source: Source | None
    size: int
    packs: int
    floor: Quality
    uses: Mapping[ItemId, Fraction]

    @cached_property
    def each(self) -> Mapping[ItemId, Fraction]:
        """What one pack holds, by number."""
        covers = self.wanted.covers
        return per_pack(self.catalogue, self.wanted.item, self.size, covers, self.packs)

    @property
    def key(self) -> Key:
        """The key that packs of the same kind have in common."""
        return self.wanted.supplier, self.wanted.sku, self.size


def _line(catalogue: Catalogue, shop: Shop, supply: Supply, wanted: Packs) -> _Line:
    offered = offered_as(supply, wanted.item, wanted.supplier, wanted.sku)
    source = offered or _as_quoted(catalogue, shop, wanted)
    size = wanted.size if source is None else source.pack
    packs = -(-wanted.count * wanted.size // size)
    if source is not None:
        packs = source.allowed(packs)
    return _Line(
        catalogue=catalogue,
        wanted=wanted,
        source=source,
        size=size,
        packs=packs,
        # the quality of an offer that no longer exists is not known
        floor=Quality.maker if offered is None else offered.quality,
        uses=amounts_of(wanted.covers),
    )


def _as_quoted(catalogue: Catalogue, shop: Shop, packs: Packs) -> Source | None:
    """Return the terms for a SKU that were quoted, None if the supplier is gone."""
    supplier = catalogue.suppliers.get(packs.supplier)
    if supplier is None or supplier.currency != shop.currency:
        return None
    return Source(
        supplier=supplier,
        item=packs.item,
        sku=packs.sku,
        brand=packs.brand,
        quality=Quality.alternate,
        cost=packs.unit_cost,
        pack=packs.size,
        minimum=1,
        multiple=1,
        breaks=(),
        stock=None,
        lead_days=packs.lead_days,
        freight=None,
    )


def _missing(line: _Line, own: Count, earlier: Earlier) -> Amounts:
    """Return how much of each number a line's own packs of before leave open; below zero, so much
    is to spare.
    """
    held = earlier.kinds[line.key].each if own else {}
    return {
        number: amount - own * held.get(number, Fraction(0)) for number, amount in line.uses.items()
    }


def _fewest(line: _Line, own: Count, missing: Mapping[ItemId, Fraction], holding: _Holding) -> int:
    """Return the fewest packs that may be ordered and that fill what spare packs can't."""
    packs = ceil(line.packs - own)
    if packs <= 0:
        # its own packs are all that it wants: most lines, whatever turns up
        return 0
    free = {number: _free(line, number, holding) for number in missing}
    # a revision may want more packs than it needs, for a price break: of that, nothing is changed
    if own or any(free.values()):
        lacking = {n: amount - free[n] for n, amount in missing.items() if amount > free[n]}
        needed = (ceil(amount / line.each[n]) for n, amount in lacking.items())
        packs = min(packs, max(needed, default=0))
    return line.source.allowed(packs) if packs and line.source is not None else packs


def _free(line: _Line, number: ItemId, holding: _Holding) -> Fraction:
    there = holding.get(number, ())
    return sum((one.free(number, line.floor) for one in there), start=Fraction(0))


def _open_spare(
    line: _Line, packs: int, missing: Mapping[ItemId, Fraction], holding: _Holding
) -> Amounts:
    """Fill from the spare packs what so many new ones leave open; return how much that was."""
    opened = {}
    for number, amount in missing.items():
        left = amount - packs * line.each[number] if packs else amount
        rest = start = max(Fraction(0), left)
        for one in holding.get(number, ()) if rest else ():
            used = min(rest, one.free(number, line.floor))
            if used:
                one.open(number, used)
                rest -= used
        opened[number] = start - rest
    return opened


def _covers(line: _Line, amounts: Mapping[ItemId, Fraction], earlier: Earlier) -> tuple[Use, ...]:
    """Return the uses of new packs; needs that nothing was ordered for come first."""
    ordered = earlier.ordered()
    covers = line.wanted.covers
    fresh = []
    for use in covers:
        known = min(use.quantity, ordered[need_of(use)])
        ordered[need_of(use)] -= known
        fresh.append(use.quantity - known)
    left = {number: max(Fraction(0), amount) for number, amount in amounts.items()}
    filled = [Fraction(0)] * len(covers)
    for most in (fresh, [use.quantity for use in covers]):
        for place, use in enumerate(covers):
            amount = min(left[use.number], most[place] - filled[place])
            filled[place] += amount
            left[use.number] -= amount
    return tuple(
        structs.replace(use, quantity=amount)
        for use, amount in zip(covers, filled, strict=True)
        if amount
    )
