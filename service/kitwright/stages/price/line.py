"""Line: one priced row of a quote, rounded once."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from enum import StrEnum
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import ChargeKind, LabourClass
from kitwright.money import Money, line_amount
from kitwright.stages.why import Why
from kitwright.stages.work import OperationKey

DIAGNOSTIC_FEE: Final = "diagnostic-fee"
DIAGNOSTIC_CREDIT: Final = "diagnostic-credit"


class LineKind(StrEnum):
    """The kind of a line, as shown to the customer."""

    part = "part"
    part_set = "set"
    brought = "customer_part"
    consumable = "consumable"
    labour = "labour"
    sublet = "sublet"
    fee = "fee"
    freight = "freight"
    core = "core"
    free = "free"
    discount = "discount"


class Computed(Struct, frozen=True, kw_only=True):
    """The price and amount of a line as computed, before its price was overridden."""

    unit_price: Decimal
    base_quantity: Decimal
    amount: Money


class Make(Struct, frozen=True):
    """The number of a line's pieces that are of one make; `name` is None if it is not known."""

    name: str | None
    quantity: Decimal


class PricedLine(Struct, frozen=True, kw_only=True):
    """A line: amount = quantity x unit price / base quantity, rounded once, half up.

    `amount` is net, or gross if the shop's prices include tax. `unit` is a unit word of the
    catalogue; labour is in minutes at a price per hour, base quantity 60. `description` is the text
    of an added line. For parts and sets, `makes` are the makes of the pieces, whose numbers add up
    to the quantity. `places` are the roles that they fill, with cylinders. `sources` are a
    supplier's id, the stock or the customer. For a discount, `reduces` gives the lines that it
    reduces, by place, and the reduction of each in minor units.
    """

    kind: LineKind
    code: str
    quantity: Decimal
    unit: str
    unit_price: Decimal
    base_quantity: Decimal
    amount: Money
    tax_kind: ChargeKind
    why: tuple[Why, ...]
    operation: OperationKey | None = None
    labour_class: LabourClass | None = None
    description: str | None = None
    computed: Computed | None = None
    makes: tuple[Make, ...] = ()
    places: tuple[tuple[str, int | None], ...] = ()
    sources: tuple[str, ...] = ()
    reduces: tuple[tuple[int, int], ...] = ()


def price_line(
    kind: LineKind,
    code: str,
    *,
    quantity: Decimal | int,
    unit: str,
    unit_price: Decimal,
    currency: str,
    tax_kind: ChargeKind,
    why: Iterable[Why],
    base_quantity: Decimal | int = 1,
    operation: OperationKey | None = None,
    labour_class: LabourClass | None = None,
    description: str | None = None,
    makes: tuple[Make, ...] = (),
    places: Iterable[tuple[str, int | None]] = (),
    sources: Iterable[str | None] = (),
) -> PricedLine:
    """Return a line with its amount computed. Raises: BaseQuantityInvalid, UnknownCurrency."""
    quantity = Decimal(quantity)
    base_quantity = Decimal(base_quantity)
    return PricedLine(
        kind=kind,
        code=code,
        quantity=quantity,
        unit=unit,
        unit_price=unit_price,
        base_quantity=base_quantity,
        amount=line_amount(quantity, unit_price, base_quantity, currency=currency),
        tax_kind=tax_kind,
        why=tuple(why),
        operation=operation,
        labour_class=labour_class,
        description=description,
        makes=makes,
        places=tuple(dict.fromkeys(places)),
        sources=tuple(dict.fromkeys(filter(None, sources))),
    )
