"""Supply: every way to buy an item in the shop's currency."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    Break,
    Catalogue,
    Hazmat,
    ItemId,
    Offer,
    Part,
    PartSet,
    Quality,
    Shop,
    Supplier,
)
from kitwright.money import Money, line_amount
from kitwright.units import exact

_MOST_COSTS: Final = 16
"""The costs of lines that are remembered for each source."""


class Source(Struct, frozen=True, kw_only=True, dict=True):
    """One supplier's terms for one item.

    `cost` is per pack of `pack` items, without tax, in the supplier's currency. `stock` is in
    packs, None if unknown. `lead_days` are working days. `is_back_order` says that the supplier has
    none in stock; `lead_days` is then the time until it can deliver.
    """

    supplier: Supplier
    item: ItemId
    sku: str
    brand: str
    quality: Quality
    cost: Decimal
    pack: int
    minimum: int
    multiple: int
    breaks: tuple[Break, ...]
    stock: int | None
    lead_days: int
    freight: Decimal | None
    is_linear: bool = False
    """Whether n multiples cost exactly n times the price of one multiple, to the minor unit."""

    def __post_init__(self) -> None:
        """Compute `is_linear`, which is needed for every source of every quote."""
        first = -(-self.minimum // self.multiple) * self.multiple
        whole = Money.of(self.cost, self.supplier.currency).amount == self.cost
        is_linear = not self.breaks and first == self.multiple and whole
        structs.force_setattr(self, "is_linear", is_linear)

    @property
    def is_back_order(self) -> bool:
        """Whether the supplier is known to have none in stock."""
        return self.stock == 0

    @property
    def cost_of_one(self) -> Fraction:
        """The cost of one item without price breaks, exact."""
        return exact(self.cost) / self.pack

    def unit_cost(self, packs: int) -> Decimal:
        """Return the cost of one pack in a line of some packs, by the price breaks."""
        reached = [each.cost for each in self.breaks if each.packs <= packs]
        return reached[-1] if reached else self.cost

    def line_cost(self, packs: int) -> Money:
        """Return the cost of a line of some packs, without tax."""
        cost = self._line_costs.get(packs)
        if cost is None:
            cost = line_amount(packs, self.unit_cost(packs), currency=self.supplier.currency)
            if len(self._line_costs) < _MOST_COSTS:
                self._line_costs[packs] = cost
        return cost

    @cached_property
    def _line_costs(self) -> dict[int, Money]:
        """What small lines cost, by packs: every kit asks for them again."""
        return {}

    def lots(self, items: int) -> Iterator[int]:
        """Yield the numbers of packs that may be worth buying for up to `items` items.

        These are all allowed numbers up to the first that is enough, and the smallest allowed
        number at each later price break. None is more than the supplier's known stock, unless it is
        on back order. A linear source has one lot, which is taken as often as needed.
        """
        if self.is_linear:
            if self.stock is None or self.is_back_order or self.multiple <= self.stock:
                yield self.multiple
            return
        enough = self.allowed(-(-items // self.pack))
        beyond = {self.allowed(each.packs) for each in self.breaks if each.packs > enough}
        for packs in [*range(self.allowed(1), enough + 1, self.multiple), *sorted(beyond)]:
            if self.stock is None or self.is_back_order or packs <= self.stock:
                yield packs

    def allowed(self, packs: int) -> int:
        """Return the least number of packs, not below `packs`, that may be bought in one line."""
        return -(-max(packs, self.minimum) // self.multiple) * self.multiple


class Supply(Struct, frozen=True, kw_only=True):
    """All sources of a shop, by item: cheapest first, then by supplier."""

    sources: dict[ItemId, tuple[Source, ...]]

    def eligible(self, item: ItemId, floor: Quality) -> tuple[Source, ...]:
        """Return the sources of an item at or above a quality floor, cheapest for one item
        first.
        """
        return tuple(
            source for source in self.sources.get(item, ()) if meets(source.quality, floor)
        )


def meets(quality: Quality, floor: Quality) -> bool:
    """Return whether a quality satisfies a floor; `maker` satisfies every one."""
    return quality is Quality.maker or floor is Quality.alternate


def find_supply(catalogue: Catalogue, shop: Shop) -> Supply:
    """Return every source of every item that the shop can buy in its own currency.

    An offer row replaces the supplier's default rule. Superseded numbers are left out, and so are
    hazardous goods of suppliers that do not ship them.
    """
    found: dict[ItemId, list[Source]] = {}
    for _, supplier in sorted(catalogue.suppliers.items()):
        if supplier.currency != shop.currency:
            continue
        offered = {offer.item for offer in supplier.offer}
        for offer in supplier.offer:
            if _is_sold(catalogue, supplier, offer.item):
                found.setdefault(offer.item, []).append(_from_offer(supplier, offer))
        for source in _by_default(catalogue, supplier):
            if source.item not in offered and _is_sold(catalogue, supplier, source.item):
                found.setdefault(source.item, []).append(source)
    return Supply(
        sources={
            item: tuple(sorted(sources, key=lambda each: (each.cost_of_one, each.supplier.id)))
            for item, sources in found.items()
        }
    )


def _is_sold(catalogue: Catalogue, supplier: Supplier, item: ItemId) -> bool:
    part = catalogue.parts.get(item)
    if part is not None and part.superseded_by is not None:
        return False
    consumable = catalogue.consumables.get(item)
    return consumable is None or consumable.hazmat is Hazmat.none or supplier.ships_hazmat


def _from_offer(supplier: Supplier, offer: Offer) -> Source:
    return Source(
        supplier=supplier,
        item=offer.item,
        sku=offer.sku,
        brand=offer.brand,
        quality=offer.quality,
        cost=offer.cost,
        pack=offer.pack,
        minimum=offer.minimum,
        multiple=offer.multiple,
        breaks=offer.breaks,
        stock=offer.stock,
        lead_days=supplier.lead_days if offer.lead_days is None else offer.lead_days,
        freight=offer.freight,
    )


def _by_default(catalogue: Catalogue, supplier: Supplier) -> Iterator[Source]:
    if supplier.default_cost_percent is None or supplier.price_list is None:
        return
    share = exact(supplier.default_cost_percent) / 100
    made: list[Part | PartSet] = [*catalogue.parts.values(), *catalogue.sets.values()]
    for record in made:
        listed = record.list_price.get(supplier.price_list)
        if record.maker in supplier.makers and listed is not None:
            yield Source(
                supplier=supplier,
                item=record.id,
                sku=record.id,
                brand=record.maker,
                quality=record.quality,
                cost=Money.of(exact(listed) * share, supplier.currency).amount,
                pack=1,
                minimum=1,
                multiple=1,
                breaks=(),
                stock=None,
                lead_days=supplier.lead_days,
                freight=None,
            )
