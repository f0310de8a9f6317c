"""Answers on the wire: the structs of a quote, and what every answer struct is made of."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Annotated

from msgspec import Meta, Struct

from kitwright.catalogue.model import SERIAL_MAX
from kitwright.money import Money

DecimalText = Annotated[
    str, Meta(pattern=r"^-?[0-9]+(\.[0-9]+)?$", description="A decimal number.")
]
Minutes = Annotated[int, Meta(ge=0, le=1_000_000_000, description="Whole minutes.")]
MoreMinutes = Annotated[
    int, Meta(ge=-1_000_000_000, le=1_000_000_000, description="Whole minutes more, or less.")
]
Count = Annotated[int, Meta(ge=0, le=1_000_000_000)]
OnCylinder = Annotated[int, Meta(ge=1, le=99, description="Cylinders count from 1.")]
SerialNumber = Annotated[int, Meta(ge=0, le=SERIAL_MAX)]
FactNumber = Annotated[int, Meta(ge=-1_000_000_000, le=1_000_000_000)]


class Out(Struct, frozen=True, kw_only=True):
    """The base of every answer struct."""


class MoneyOut(Out, frozen=True, kw_only=True):
    """An amount with all digits of its currency."""

    amount: DecimalText
    currency: Annotated[str, Meta(pattern="^[A-Z]{3}$", description="ISO 4217.")]


class WhyOut(Out, frozen=True, kw_only=True):
    """A reason: its code and facts for machines, its text for people."""

    code: str
    facts: dict[str, str | FactNumber | MoneyOut | None]
    text: str


class EngineOut(Out, frozen=True, kw_only=True):
    """The engine and its machine: `chassis` is `loose` where there is none, and null where nobody
    has named it, which is among the questions.
    """

    family: str
    name: str
    serial: SerialNumber | None
    build_code: str | None
    chassis: str | None
    chassis_name: str | None


class JobOut(Out, frozen=True, kw_only=True):
    """A job with its billed minutes, for all machines: as the only one, and here among the others.

    `minutes_computed` is what it would be billed here, had nobody overridden it.
    """

    job: str
    name: str
    cylinder: OnCylinder | None
    minutes_alone: Minutes
    minutes_here: Minutes
    minutes_computed: Minutes
    why: tuple[WhyOut, ...]


class SwallowedOut(Out, frozen=True, kw_only=True):
    """A job that another one holds."""

    job: str
    cylinder: OnCylinder | None
    by_job: str
    by_cylinder: OnCylinder | None


class RemoveOut(Out, frozen=True, kw_only=True):
    """A component to take off, in order."""

    component: str
    cylinder: OnCylinder | None
    minutes: Minutes
    exact_minutes: DecimalText
    why: tuple[WhyOut, ...]


class RefitOut(Out, frozen=True, kw_only=True):
    """A component to put back, in order; `work_minutes` is the bench work that its refit
    carries.
    """

    component: str
    cylinder: OnCylinder | None
    minutes: Minutes
    work_minutes: Minutes
    exact_minutes: DecimalText


class AccessOut(Out, frozen=True, kw_only=True):
    """Everything that comes off. The whole minutes of the steps sum to `minutes`, the exact
    ones to `exact_minutes`.
    """

    remove: tuple[RemoveOut, ...]
    refit: tuple[RefitOut, ...]
    minutes: Minutes
    exact_minutes: DecimalText
    engine_out: bool


class LabourOut(Out, frozen=True, kw_only=True):
    """A labour class over the visit: exact minutes, and what is billed for them."""

    labour_class: str
    exact_minutes: DecimalText
    billed_minutes: Minutes


class NeedOut(Out, frozen=True, kw_only=True):
    """A role, or a piece of work, with the item that it needs."""

    role: str
    cylinder: OnCylinder | None
    part: str
    name: str
    quantity: DecimalText
    unit: Annotated[str, Meta(description="UN/ECE Recommendation 20.")]
    kind: str
    why: tuple[WhyOut, ...]


class CoversOut(Out, frozen=True, kw_only=True):
    """How much of a need a pack fills: what needs `part` gets `fitted`, an older number where its
    stock is used up, the customer's own or one out of a set. `fitted` is null where nothing is.
    """

    role: str
    cylinder: OnCylinder | None
    part: str
    quantity: DecimalText
    fitted: str | None


class PackOut(Out, frozen=True, kw_only=True):
    """Packs of an item, from the shelf (`source` "stock") or from a supplier, and what they
    fill.
    """

    item: str
    packs: DecimalText
    source: str
    covers: tuple[CoversOut, ...]


class StockOut(Out, frozen=True, kw_only=True):
    """What is taken from the shelf."""

    item: str
    quantity: DecimalText
    unit: str
    bin: str


class LeftOut(Out, frozen=True, kw_only=True):
    """What the shop keeps."""

    item: str
    quantity: DecimalText
    unit: str
    quality: str


class KitOut(Out, frozen=True, kw_only=True):
    """The needs, and what covers them; `is_least` where no cheaper purchase would do."""

    needs: tuple[NeedOut, ...]
    packs: tuple[PackOut, ...]
    left_over: tuple[LeftOut, ...]
    from_stock: tuple[StockOut, ...]
    is_least: bool


class ComputedOut(Out, frozen=True, kw_only=True):
    """What a line came to before somebody overrode its price."""

    unit_price: DecimalText
    base_quantity: DecimalText
    amount: MoneyOut


class MakeOut(Out, frozen=True, kw_only=True):
    """How many of a line's pieces are of one make; null where that is not known yet."""

    make: str | None
    quantity: DecimalText


class LineOut(Out, frozen=True, kw_only=True):
    """A line: `amount` = quantity x unit price / base quantity, rounded once; net, or gross
    where prices include tax. Where an exemption takes tax off it, `net` and `gross` are less.

    `net`, `tax` and `gross` are null where the tax is not known. Of parts, `code` is the number
    that is fitted; `makes` says whose it is, of parts and sets.
    """

    kind: str
    code: str
    cylinder: OnCylinder | None
    description: str
    makes: tuple[MakeOut, ...]
    quantity: DecimalText
    unit: str
    unit_price: DecimalText
    base_quantity: DecimalText
    amount: MoneyOut
    net: MoneyOut | None
    tax: MoneyOut | None
    gross: MoneyOut | None
    computed: ComputedOut | None
    tax_kind: str
    labour_class: str | None
    why: tuple[WhyOut, ...]


class TaxOut(Out, frozen=True, kw_only=True):
    """One tax; `rate` in per cent."""

    component: str
    name: str
    rate: DecimalText
    base: MoneyOut
    amount: MoneyOut


class TotalsOut(Out, frozen=True, kw_only=True):
    """Sums of the printed lines; net + tax = gross; null where the tax is not known.

    `lines` sums all lines but discounts, `discount` those (zero or below), both as printed: where
    prices include tax, what an exemption spares is still in them. `deposit` is asked in
    advance. `payable` is gross less `prepaid`, plus `cash_rounding`; below zero, that much more was
    paid and is paid back.
    """

    lines: MoneyOut
    discount: MoneyOut
    net: MoneyOut | None
    tax: MoneyOut | None
    gross: MoneyOut | None
    deposit: MoneyOut
    prepaid: MoneyOut
    cash_rounding: MoneyOut
    payable: MoneyOut | None


class OrderLineOut(Out, frozen=True, kw_only=True):
    """A line of a parts order: whole packs, cost without tax; `stock` is `known`, `unknown` or
    `back_order`. `lead_days` are the supplier's working days from which `promised` follows.
    """

    sku: str
    item: str
    name: str
    brand: str
    packs: Count
    pack_size: Count
    unit_cost: DecimalText
    net: MoneyOut
    stock: str
    lead_days: Count = 0
    promised: date
    covers: tuple[CoversOut, ...]


class OrderFeeOut(Out, frozen=True, kw_only=True):
    """A supplier's charge on an order."""

    code: str
    amount: MoneyOut


class OrderOut(Out, frozen=True, kw_only=True):
    """What one supplier is asked to send; `net` is goods, fees and freight without tax.

    `promised` is reckoned from `ordered_on`: in a quote its own day, ordered before the cutoff; in
    an order that is made the day of that, by the clock.
    """

    supplier: str
    name: str
    order_by: Annotated[str, Meta(description="The supplier's cutoff, by `time_zone`'s clock.")]
    time_zone: Annotated[str | None, Meta(description="Null: the shop's.")] = None
    ordered_on: Annotated[date | None, Meta(description="Where the shop is.")] = None
    lines: tuple[OrderLineOut, ...]
    goods: MoneyOut
    fees: tuple[OrderFeeOut, ...]
    freight: MoneyOut
    net: MoneyOut
    promised: date


class UnfilledOut(Out, frozen=True, kw_only=True):
    """What of a need no source can fill; its quantity is in `unit`."""

    need: CoversOut
    unit: str
    why: tuple[WhyOut, ...]


class ExtraOut(Out, frozen=True, kw_only=True):
    """An optional job at what the whole visit costs more with it, tax included where it is
    known.
    """

    job: str
    name: str
    cylinders: tuple[OnCylinder, ...]
    price: MoneyOut
    minutes: MoreMinutes
    default: str
    why: tuple[WhyOut, ...]
    needs: tuple[NeedOut, ...]


class OptionOut(Out, frozen=True, kw_only=True):
    """One answer to a question: its id and its name."""

    id: str
    name: str


class QuestionOut(Out, frozen=True, kw_only=True):
    """A question that makes a quote provisional: a role whose part the plate decides, priced as
    `priced`, and ordered as none.

    Under the role `chassis` it is the machine around the engine: `parts` and `options` hold what
    it may be, `priced` the dearest for this very quote. What not all of them call for is in the
    price and not ordered: it stands in `held`.
    """

    role: str
    cylinder: OnCylinder | None
    parts: tuple[str, ...]
    options: tuple[OptionOut, ...]
    priced: str
    held: tuple[CoversOut, ...]


class CautionOut(Out, frozen=True, kw_only=True):
    """A hazard of this visit, and the steps that bring it."""

    code: str
    title: str
    text: str
    steps: tuple[str, ...]


class ShopOut(Out, frozen=True, kw_only=True):
    """Whose quote it is."""

    id: str
    name: str
    currency: str
    prices_include_tax: bool


class ExemptionOut(Out, frozen=True, kw_only=True):
    """The exemption that was shown, the charge kinds that it frees here, and the taxes that it
    spares: what they would be charged on, and how much. Prices that include tax are less by that.
    """

    certificate_number: str
    valid_until: date
    kinds: tuple[str, ...]
    spares: tuple[TaxOut, ...] = ()


@lru_cache(maxsize=8_192)
def money(value: Money) -> MoneyOut:
    """Return an amount on the wire; a quote has the same few amounts many times over."""
    return MoneyOut(amount=value.amount_text, currency=value.currency)
