"""Price: the lines of a quote, the counter's changes to them, their tax and totals."""

from kitwright.stages.price.adjustment import adjust_lines
from kitwright.stages.price.balance import Balance, balance
from kitwright.stages.price.covering import (
    WARRANTY,
    Share,
    shares_borne,
)
from kitwright.stages.price.goods import CUSTOMER, GOODS, STOCK, Goods
from kitwright.stages.price.line import (
    DIAGNOSTIC_CREDIT,
    DIAGNOSTIC_FEE,
    LineKind,
    PricedLine,
    price_line,
)
from kitwright.stages.price.price import Priced, price_lines
from kitwright.stages.price.total import (
    WHOLE_ENGINE,
    Advance,
    Totals,
    find_advances,
    price_of,
    tax_lines,
)

__all__ = [
    "CUSTOMER",
    "DIAGNOSTIC_CREDIT",
    "DIAGNOSTIC_FEE",
    "GOODS",
    "STOCK",
    "WARRANTY",
    "WHOLE_ENGINE",
    "Advance",
    "Balance",
    "Goods",
    "LineKind",
    "Priced",
    "PricedLine",
    "Share",
    "Totals",
    "adjust_lines",
    "balance",
    "find_advances",
    "price_line",
    "price_lines",
    "price_of",
    "shares_borne",
    "tax_lines",
]
