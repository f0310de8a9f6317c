"""Selling price: the shop's price for one piece, set or pack."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from kitwright.catalogue.model import (
    Catalogue,
    ItemId,
    PartsPrice,
    PriceRule,
    Quality,
    Shop,
)
from kitwright.errors import KitwrightError
from kitwright.money import Money, RoundMode, round_minor
from kitwright.stages.supply.succession import chain, current_number
from kitwright.stages.supply.supply import Supply
from kitwright.units import exact


class PriceError(KitwrightError):
    """A selling price that can't be computed."""

    code = "price-error"


class NoListPrice(PriceError):
    """An item without a list price, although the shop's rule needs one."""

    code = "no-list-price"

    def __init__(self, item: ItemId, price_list: str) -> None:
        super().__init__(f"{item} has no price in price list {price_list}")
        self.item = item
        self.price_list = price_list


class Prices:
    """The selling prices of a shop, each computed once."""

    def __init__(self, catalogue: Catalogue, shop: Shop, supply: Supply) -> None:
        self._given = (catalogue, shop, supply)
        self._known: dict[tuple[ItemId, Quality, Fraction | None], Decimal] = {}

    def of(self, item: ItemId, floor: Quality, planned: Fraction | None = None) -> Decimal:
        """Return the selling price of one item, in the shop's currency; see `selling_price`."""
        key = item, floor, planned
        if key not in self._known:
            self._known[key] = selling_price(*self._given, item, floor, planned)
        return self._known[key]


def selling_price(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    item: ItemId,
    floor: Quality,
    planned: Fraction | None = None,
) -> Decimal:
    """Return the selling price of one item, in the shop's currency; it includes tax if the shop's
    prices do.

    The replacement cost is the cost of one item at the cheapest eligible source, without price
    breaks and unrounded; if the shop's rule says so, the `planned` cost if that is higher. The
    price is that of the cost's band, but not below the price at the top
    of an earlier band. If the rule says so, it is at most the list price. It is rounded to the
    shop's step, half up, but never above a list price that limits it. An item without a source is
    priced by its list price.

    A superseded number has the replacement cost of its successor. Its list price is its own, or, if
    it has none, that of the next number that has one.

    Raises: NoListPrice.
    """
    rule = shop.parts_price
    sources = supply.eligible(current_number(catalogue, item), floor)
    if rule.rule is PriceRule.list or not sources:
        return _list_price(catalogue, shop, item)
    cost = sources[0].cost_of_one
    if planned is not None and rule.follows_offer:
        cost = max(cost, planned)
    asked = _by_cost(rule, cost)
    step = exact(rule.step)
    if rule.rule is not PriceRule.lower_of_list_and_markup:
        return _amount(shop, round_minor(asked / step, RoundMode.half_up) * step)
    most = exact(_list_price(catalogue, shop, item))
    stepped = round_minor(min(asked, most) / step, RoundMode.half_up) * step
    return _amount(shop, min(stepped, most))


def _amount(shop: Shop, value: Fraction) -> Decimal:
    return Money.of(value, shop.currency).amount


def _list_price(catalogue: Catalogue, shop: Shop, item: ItemId) -> Decimal:
    for number in chain(catalogue, item):
        record = (
            catalogue.parts.get(number)
            or catalogue.sets.get(number)
            or catalogue.consumables[number]
        )
        price = record.list_price.get(shop.price_list)
        if price is not None:
            return _amount(shop, exact(price))
    raise NoListPrice(item, shop.price_list)


def _by_cost(rule: PartsPrice, cost: Fraction) -> Fraction:
    """Return the price for a cost by the shop's rule, unrounded."""
    if rule.rule is PriceRule.margin and rule.margin_percent is not None:
        # margin is a share of the price, markup one of the cost
        return cost / (1 - exact(rule.margin_percent) / 100)
    least = Fraction(0)
    for band in rule.bands:
        markup = 1 + exact(band.percent) / 100
        if band.up_to is None or cost <= exact(band.up_to):
            return max(cost * markup, least)
        if rule.is_monotone:
            least = max(least, exact(band.up_to) * markup)
    raise CostBeyondBands(cost)


class CostBeyondBands(PriceError):
    """A cost that no markup band holds."""

    code = "cost-beyond-bands"

    def __init__(self, cost: Fraction) -> None:
        super().__init__(
            f"no markup band covers a cost of {Decimal(cost.numerator) / cost.denominator}"
        )
        self.cost = cost
