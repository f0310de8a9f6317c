"""Follow-up: the orders that an agreed revision still needs after those placed before."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from math import ceil, floor

from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, ItemId, Quality, Shop, SupplierId
from kitwright.errors import KitwrightError
from kitwright.stages.ordering.order import OrderLine, PartsOrder, Use, order_line, place_orders
from kitwright.stages.supply import Source, Supply, meets
from kitwright.units import exact

_Key = tuple[SupplierId, str, int]
"""Supplier, its SKU, and items per pack."""
_Need = tuple[str, int | None, ItemId, ItemId]
"""Role, cylinder, the item that is needed and the number that is fitted."""
_Amounts = dict[ItemId, Fraction]
"""Number that is fitted -> how much of it, in the unit of its needs."""


class Packs(Struct, frozen=True, kw_only=True):
    """Packs of a supplier's SKU that a revision needs, or that were ordered, with the terms of that
    time.

    There are `count` packs of `size` items each, at `unit_cost` per pack without tax; `covers` are
    the needs that they are for. Of a pack that several quotes share, each has a fraction.
    """

    supplier: SupplierId
    sku: str
    item: ItemId
    brand: str
    count: Fraction | int
    size: int
    unit_cost: Decimal
    lead_days: int
    covers: tuple[Use, ...]


def packs_of(orders: Iterable[PartsOrder]) -> tuple[Packs, ...]:
    """Return the packs of some orders."""
    return tuple(
        packs_from(line.source, line.packs, line.covers) for order in orders for line in order.lines
    )


def packs_from(source: Source, packs: int, covers: tuple[Use, ...]) -> Packs:
    """Return some packs from a source, at the cost for this number."""
    return Packs(
        supplier=source.supplier.id,
        sku=source.sku,
        item=source.item,
        brand=source.brand,
        count=packs,
        size=source.pack,
        unit_cost=source.unit_cost(packs),
        lead_days=source.lead_days,
        covers=covers,
    )


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
    placed = _placed(catalogue, supply, before)
    lines = [_line(catalogue, shop, supply, packs) for packs in wanted]
    # every line its own packs first: what one opens must not be what another one wants
    taken = [placed[line.key].take(line.packs) if line.key in placed else 0 for line in lines]
    spare = sorted(placed.values(), key=lambda one: one.rank)
    holding = _holding(spare)
    made: list[OrderLine] = []
    for line, own in zip(lines, taken, strict=True):
        missing = _missing(line, own, placed)
        packs = _fewest(line, own, missing, holding)
        opened = _open_spare(line, packs, missing, holding)
        if packs:
            if line.source is None:
                raise SupplierGone(line.wanted.supplier, line.wanted.sku)
            covers = _covers(line, {n: missing[n] - opened[n] for n in missing}, spare)
            day = days[line.source.supplier.id]
            made.append(order_line(shop, line.source, packs, covers, day))
            if own:
                # more than is missing, if fewer are not sold: so many of the old ones are left over
                placed[line.key].exceeded = max(0, own + packs - line.packs)
    return FollowUp(
        orders=place_orders(catalogue, made),
        surplus=tuple(
            Surplus(key[0], key[1], placed[key].surplus)
            for key in sorted(placed)
            if placed[key].surplus
        ),
    )


class _Placed:
    """All packs of one SKU that were ordered before, and how many of them are spare."""

    def __init__(self, catalogue: Catalogue, supply: Supply, lines: Sequence[Packs]) -> None:
        first, count = lines[0], sum(line.count for line in lines)
        source = _offered(supply, first)
        self.quality = Quality.alternate if source is None else source.quality
        self.covers = tuple(use for line in lines for use in line.covers)
        self.each = per_pack(catalogue, first.item, first.size, self.covers, count)
        self.exceeded: Fraction | int = 0
        """Packs that the revision would want, had not more been ordered than were missing."""
        self._spare = count
        self._opened: _Amounts = defaultdict(Fraction)
        # a need that takes maker quality alone shall find it, and a set is opened last
        self.rank = (self.quality is Quality.maker, sum(self.each.values()), _key(first))

    def take(self, most: int) -> Fraction | int:
        """Take at most `most` packs as they are; return the number taken."""
        packs = min(self._spare, most)
        self._spare -= packs
        return packs

    def free(self, number: ItemId, floor: Quality) -> Fraction:
        """Return the quantity of a number in the spare packs, if their quality meets a floor."""
        if number not in self.each or not meets(self.quality, floor):
            return Fraction(0)
        return self._spare * self.each[number] - self._opened.get(number, 0)

    def open(self, number: ItemId, amount: Fraction) -> None:
        """Use an amount of a number out of the spare packs."""
        self._opened[number] += amount

    @property
    def surplus(self) -> int:
        """The number of packs that are not needed: what is left of a pack is none."""
        opened = (amount / self.each[number] for number, amount in self._opened.items())
        return max(0, floor(self._spare - max(opened, default=0) + self.exceeded))


_Holding = Mapping[ItemId, Sequence[_Placed]]
"""Number -> the packs ordered before that hold it, in the order in which they are opened."""


def _placed(catalogue: Catalogue, supply: Supply, before: Iterable[Packs]) -> dict[_Key, _Placed]:
    by_key: dict[_Key, list[Packs]] = {}
    for packs in before:
        by_key.setdefault(_key(packs), []).append(packs)
    return {key: _Placed(catalogue, supply, lines) for key, lines in by_key.items()}


def _key(packs: Packs) -> _Key:
    return packs.supplier, packs.sku, packs.size


def _holding(spare: Iterable[_Placed]) -> _Holding:
    """Return the packs that hold a number, by number, in the order in which they are opened."""
    holding: dict[ItemId, list[_Placed]] = {}
    for one in spare:
        for number in one.each:
            holding.setdefault(number, []).append(one)
    return holding


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
    def key(self) -> _Key:
        """The key that packs of the same kind have in common."""
        return self.wanted.supplier, self.wanted.sku, self.size


def _line(catalogue: Catalogue, shop: Shop, supply: Supply, wanted: Packs) -> _Line:
    offered = _offered(supply, wanted)
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
        uses=_amounts(wanted.covers),
    )


def _offered(supply: Supply, packs: Packs) -> Source | None:
    """Return today's terms for a SKU, None if it is not offered."""
    return next(
        (
            source
            for source in supply.sources.get(packs.item, ())
            if (source.supplier.id, source.sku) == (packs.supplier, packs.sku)
        ),
        None,
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


def _amounts(covers: Iterable[Use]) -> _Amounts:
    amounts: _Amounts = defaultdict(Fraction)
    for use in covers:
        amounts[use.number] += use.quantity
    return amounts


def per_pack(
    catalogue: Catalogue, item: ItemId, size: int, covers: Iterable[Use], packs: Fraction | int
) -> _Amounts:
    """Return how much of each number a pack holds: by the catalogue, and at least what so many
    packs were said to fill, since the catalogue may have changed.
    """
    if item in catalogue.sets:
        holds = {
            part: Fraction(count * size) for part, count in catalogue.sets[item].contents.items()
        }
    else:
        consumable = catalogue.consumables.get(item)
        holds = {item: size * (Fraction(1) if consumable is None else exact(consumable.pack))}
    for number, amount in _amounts(covers).items():
        holds[number] = max(holds.get(number, Fraction(0)), amount / packs)
    return holds


def _missing(line: _Line, own: Fraction | int, placed: Mapping[_Key, _Placed]) -> _Amounts:
    """Return how much of each number a line's own packs of before leave open; below zero, so much
    is to spare.
    """
    held = placed[line.key].each if own else {}
    return {
        number: amount - own * held.get(number, Fraction(0)) for number, amount in line.uses.items()
    }


def _fewest(
    line: _Line, own: Fraction | int, missing: Mapping[ItemId, Fraction], holding: _Holding
) -> int:
    """Return the fewest packs that may be ordered and that fill what spare packs can't."""
    packs = ceil(line.packs - own)
    if packs <= 0:
        # its own packs are all that it wants: most lines, whatever turns up
        return 0
    free = {number: _free(line, number, holding) for number in missing}
    # a revision may want more packs than it needs, for a price break: of that, nothing is changed
    if own or any(free.values()):
        needed = (ceil((missing[n] - free[n]) / line.each[n]) for n in missing)
        packs = min(packs, max((0, *needed)))
    return line.source.allowed(packs) if packs and line.source is not None else packs


def _free(line: _Line, number: ItemId, holding: _Holding) -> Fraction:
    there = holding.get(number, ())
    return sum((one.free(number, line.floor) for one in there), start=Fraction(0))


def _open_spare(
    line: _Line, packs: int, missing: Mapping[ItemId, Fraction], holding: _Holding
) -> _Amounts:
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


def _covers(
    line: _Line, amounts: Mapping[ItemId, Fraction], spare: Sequence[_Placed]
) -> tuple[Use, ...]:
    """Return the uses of new packs; needs that nothing was ordered for come first."""
    ordered = defaultdict[_Need, Fraction](Fraction)
    for use in (use for one in spare for use in one.covers):
        ordered[_need(use)] += use.quantity
    covers = line.wanted.covers
    fresh = []
    for use in covers:
        known = min(use.quantity, ordered[_need(use)])
        ordered[_need(use)] -= known
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


def _need(use: Use) -> _Need:
    return use.role, use.cylinder, use.item, use.number
