"""Supply: the suppliers' offers for each item, its cost and selling price, and its arrival."""

from kitwright.stages.supply.charge import Goods, Terms, goods_of, is_hazardous, sum_goods
from kitwright.stages.supply.promise import arrival, day_of_order, promise, working_day
from kitwright.stages.supply.selling import PriceError, Prices
from kitwright.stages.supply.stock import Held, Stock, opening_stock
from kitwright.stages.supply.succession import chain, current_number
from kitwright.stages.supply.supply import Source, Supply, find_supply, meets

__all__ = [
    "Goods",
    "Held",
    "PriceError",
    "Prices",
    "Source",
    "Stock",
    "Supply",
    "Terms",
    "arrival",
    "chain",
    "current_number",
    "day_of_order",
    "find_supply",
    "goods_of",
    "is_hazardous",
    "meets",
    "opening_stock",
    "promise",
    "sum_goods",
    "working_day",
]
