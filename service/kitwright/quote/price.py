"""Price: the lines of a quote with their taxes, the taxes of the quote, and its totals."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Final, Protocol

from msgspec import Struct

from kitwright.quote.base import (
    Amount,
    DecimalText,
    Measure,
    MoreMinutes,
    OnCylinder,
    Reason,
    UnitCode,
    known,
)
from kitwright.quote.kit import Need
from kitwright.tax import Category
from kitwright.units import decimal_text

ADDED_SINCE: Final = "added-since"
"""The reason of a line that was added after the revision was agreed to."""


class ComputedPrice(Struct, frozen=True, kw_only=True):
    """The price and amount of a line as computed, before the price was overridden."""

    unit_price: DecimalText
    base_quantity: DecimalText
    amount: Amount


class Make(Struct, frozen=True, kw_only=True):
    """The number of a line's pieces that are of one make; `make` is null if not known yet."""

    make: str | None
    quantity: DecimalText


class LineTax(Struct, frozen=True, kw_only=True):
    """The treatment of a line by one tax. The amounts of all lines add up to the tax's `amount`.

    `category` is a code of UNCL 5305. `S`: charged at `rate` per cent. `Z`: charged at a rate of
    zero. `E`: not charged because of the exemption shown. `O`: never charged on such a line.
    """

    component: str
    name: str
    category: Category
    rate: DecimalText
    base: Amount
    amount: Amount


class Place(Struct, frozen=True):
    """A role that a line's parts fill; `cylinder` is null for a role of the engine."""

    role: str
    cylinder: OnCylinder | None


class Line(Struct, frozen=True, kw_only=True):
    """A line: `amount` = quantity x unit price / base quantity, rounded once. It is net, or gross
    if prices include tax; if an exemption takes that tax off, `net` and `gross` are less.

    `net`, `tax` and `gross` are null if the tax is not known. For parts, `code` is the part number
    that is fitted. `makes` are the makes of parts and sets, `places` the roles that they fill.
    `sources` are where they come from: a supplier's id, `stock` or `customer`. `job` is the job of
    a line of work. `reason` sums up `why` in words. `taxes` is empty if the tax is not known, or
    if no tax applies.
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


class Priced(Protocol):
    """A line with its printed price and its net, whose tax is known."""

    @property
    def quantity(self) -> DecimalText:
        """How much of it."""

    @property
    def unit_price(self) -> DecimalText:
        """The price of the base quantity as printed."""

    @property
    def base_quantity(self) -> DecimalText:
        """What the price is for."""

    @property
    def amount(self) -> Amount:
        """The amount as printed."""

    @property
    def net(self) -> Amount | None:
        """The amount without tax."""


class Tax(Struct, frozen=True, kw_only=True):
    """One tax of the quote: the `base` that it is charged on, its `rate` in per cent, and its
    `amount`.
    """

    component: str
    name: str
    rate: DecimalText
    base: Amount
    amount: Amount


class Totals(Struct, frozen=True, kw_only=True):
    """Sums of the printed lines; net + tax = gross, and all three are null if the tax is unknown.

    `lines` is the sum of all lines except discounts, `discount` the sum of discounts (zero or
    negative). Both are as printed: if prices include tax, they still include tax that an exemption
    takes off. `deposit` is due before parts are ordered. `payable` is gross less `prepaid`, plus
    `cash_rounding`; if it is negative, that amount was overpaid and is refunded. It is null if the
    tax is unknown.
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
    """The tax exemption that was shown, and the charge kinds that it exempts on this quote.

    `spares` are the taxes not charged because of it: the base and the amount of each. Prices that
    include tax are reduced by these amounts.
    """

    certificate_number: str
    valid_until: date
    kinds: tuple[str, ...]
    spares: tuple[Tax, ...]


class Extra(Struct, frozen=True, kw_only=True):
    """An optional job. `price` and `minutes` are the extra cost and billed minutes of the entire
    visit with it; the price includes tax if the tax is known.
    """

    job: str
    name: str
    cylinders: tuple[OnCylinder, ...]
    price: Amount
    minutes: MoreMinutes
    default: str
    why: tuple[Reason, ...]
    needs: tuple[Need, ...]


def net_price(line: Priced) -> tuple[DecimalText, DecimalText]:
    """Return a price without tax and its base quantity, which give the line's net exactly.

    If the printed price includes tax, the result is the net for the printed base quantity, if that
    has few decimals. Otherwise it is the net for the entire quantity of the line.
    """
    net = known(line.net)
    if net == line.amount.money:
        return line.unit_price, line.base_quantity
    exact = Fraction(net.amount) * Fraction(line.base_quantity) / Fraction(line.quantity)
    price = decimal_text(exact)
    if Fraction(Decimal(price)) == exact:
        return price, line.base_quantity
    return net.amount_text, line.quantity
