"""Price: the lines of a quote with their taxes, the taxes of all, and the totals."""

from __future__ import annotations

from datetime import date
from typing import Final

from msgspec import Struct

from kitwright.quote.base import (
    Amount,
    DecimalText,
    Measure,
    MoreMinutes,
    OnCylinder,
    Reason,
    UnitCode,
)
from kitwright.quote.kit import Need
from kitwright.tax import Category

ADDED_SINCE: Final = "added-since"
"""The reason of a line that was added after the revision was agreed to."""


class ComputedPrice(Struct, frozen=True, kw_only=True):
    """What a line came to before somebody overrode its price."""

    unit_price: DecimalText
    base_quantity: DecimalText
    amount: Amount


class Make(Struct, frozen=True, kw_only=True):
    """How many of a line's pieces are of one make; null where that is not known yet."""

    make: str | None
    quantity: DecimalText


class LineTax(Struct, frozen=True, kw_only=True):
    """How one tax treats a line. The amounts of all lines sum to the tax's own.

    `category` is of UNCL 5305: `S`, charged at `rate` per cent; `Z`, charged at a rate of zero;
    `E`, spared by the exemption that was shown; `O`, not charged on such a line at all.
    """

    component: str
    name: str
    category: Category
    rate: DecimalText
    base: Amount
    amount: Amount


class Place(Struct, frozen=True):
    """What a line's parts fill: a role, on its cylinder or of the engine."""

    role: str
    cylinder: OnCylinder | None


class Line(Struct, frozen=True, kw_only=True):
    """A line: `amount` = quantity x unit price / base quantity, rounded once; net, or gross
    where prices include tax. Where an exemption takes tax off it, `net` and `gross` are less.

    `net`, `tax` and `gross` are null where the tax is not known. Of parts, `code` is the number
    that is fitted; `makes` says whose it is, of parts and sets. `places` are the
    roles that they fill, `sources` where they come from (a supplier's id, `stock`, `customer`).
    `job` is the job of a line of work. `reason` sums up `why` in words. `taxes` is empty if the tax
    is not known, and if none is charged on anything.
    """

    kind: str
    code: str
    cylinder: OnCylinder | None
    description: str
    makes: tuple[Make, ...]
    quantity: DecimalText
    unit: UnitCode
    measure: Measure
    unit_price: DecimalText
    base_quantity: DecimalText
    amount: Amount
    net: Amount | None
    tax: Amount | None
    gross: Amount | None
    taxes: tuple[LineTax, ...]
    computed: ComputedPrice | None
    tax_kind: str
    labour_class: str | None
    job: str | None
    places: tuple[Place, ...]
    sources: tuple[str, ...]
    reason: str
    why: tuple[Reason, ...]

    @property
    def is_added(self) -> bool:
        """Whether it was added after the revision was agreed to."""
        return any(one.code == ADDED_SINCE for one in self.why)


class Tax(Struct, frozen=True, kw_only=True):
    """One tax; `rate` in per cent."""

    component: str
    name: str
    rate: DecimalText
    base: Amount
    amount: Amount


class Totals(Struct, frozen=True, kw_only=True):
    """Sums of the printed lines; net + tax = gross; null where the tax is not known.

    `lines` sums all lines but discounts, `discount` those (zero or below), both as printed: where
    prices include tax, what an exemption spares is still in them. `deposit` is asked in
    advance. `payable` is gross less `prepaid`, plus `cash_rounding`; below zero, that much more was
    paid and is paid back.
    """

    lines: Amount
    discount: Amount
    net: Amount | None
    tax: Amount | None
    gross: Amount | None
    deposit: Amount
    prepaid: Amount
    cash_rounding: Amount
    payable: Amount | None


class Exemption(Struct, frozen=True, kw_only=True):
    """The exemption that was shown, the charge kinds that it frees here, and the taxes that it
    spares: what they would be charged on, and how much. Prices that include tax are less by that.
    """

    certificate_number: str
    valid_until: date
    kinds: tuple[str, ...]
    spares: tuple[Tax, ...]


class Extra(Struct, frozen=True, kw_only=True):
    """An optional job at what the whole visit costs more with it, tax included where it is
    known.
    """

    job: str
    name: str
    cylinders: tuple[OnCylinder, ...]
    price: Amount
    minutes: MoreMinutes
    default: str
    why: tuple[Reason, ...]
    needs: tuple[Need, ...]
