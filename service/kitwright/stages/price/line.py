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
    """What a line shows the customer."""

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
    """What a line came to before somebody overrode its price."""

    unit_price: Decimal
    base_quantity: Decimal
    amount: Money


class Make(Struct, frozen=True):
    """How many of a line's pieces are of one make; `name` None where it is not known."""

    name: str | None
    quantity: Decimal


class PricedLine(Struct, frozen=True, kw_only=True):
    """A line: amount = quantity x unit price / base quantity, rounded once, half up.

    `amount` is net, or gross where the shop's prices include tax. `unit` is a unit word of the
    catalogue; labour is in minutes at a price an hour, base quantity 60. `description` is that
    of a free line. `makes` says of parts and sets who made those that are fitted; they sum to the
    quantity; `places` are the roles that they fill, on their cylinders, and `sources` where they
    come from: a supplier's id, the shelves or the customer. `reduces` says of a discount by how
    many minor units it reduces which lines, by place.
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
    """Return a line with its amount worked out."""
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
