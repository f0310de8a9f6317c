"""Shops: policy, prices, fees, stock."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from enum import StrEnum

from kitwright.catalogue.model.words import (
    AreaId,
    ElementId,
    Grade,
    ItemId,
    LabourClass,
    OverrunId,
    PriceListId,
    Quality,
    Record,
    RoleId,
    Seize,
    ServiceId,
    ShopId,
    SupplierId,
    VisitWorkId,
)
from kitwright.units import Figure


class PriceRule(StrEnum):
    """How a selling price follows from list and cost."""

    list = "list"
    markup = "markup"
    margin = "margin"
    lower_of_list_and_markup = "lower_of_list_and_markup"


class Band(Record, frozen=True, kw_only=True):
    """Costs up to `up_to` (None: any) carry `percent` markup on cost."""

    percent: Figure
    up_to: Figure | None = None


class PartsPrice(Record, frozen=True, kw_only=True):
    """The shop's selling price rule. Prices are rounded to `step`; `margin_percent` is for the
    margin rule only. With `follows_offer`, an item that is bought from a dearer offer than the
    cheapest, to save freight or to be in time, is priced by that offer's cost.
    """

    rule: PriceRule
    bands: tuple[Band, ...] = ()
    margin_percent: Figure | None = None
    step: Figure
    is_monotone: bool = True
    follows_offer: bool = True


class LabourBasis(StrEnum):
    """Which minutes are paid: those quoted, those clocked, or those clocked up to those quoted."""

    flat = "flat"
    actual = "actual"
    actual_capped_by_quote = "actual_capped_by_quote"


class ElementTime(Record, frozen=True, kw_only=True):
    """Minutes to undo, and to do up again, one fastener or connection of a kind."""

    remove: Figure
    refit: Figure


class Labour(Record, frozen=True, kw_only=True):
    """Hourly rates by labour class, the increment to which each class is rounded up, and surcharges
    for conditions.

    `rust_factor` multiplies the removal minutes of components whose `seize` is in
    `rust_applies_to`.

    `elements` are the times of fasteners and connections, for components without minutes of their
    own; such minutes may be off by `elements_spread_percent`.
    """

    increment_minutes: int
    rates: dict[LabourClass, Figure]
    minimum_bench_minutes: int
    minimum_bench_class: LabourClass
    basis: LabourBasis
    debris_heavy_minutes: int
    debris_heavy_class: LabourClass
    debris_heavy_visit: VisitWorkId
    previous_work_minutes: int
    previous_work_class: LabourClass
    rust_factor: dict[str, Figure]
    rust_applies_to: tuple[Seize, ...]
    elements: dict[ElementId, ElementTime] = {}
    awkward_factor: Figure = Figure("1")
    elements_spread_percent: Figure = Figure("0")


class SubletPrice(Record, frozen=True, kw_only=True):
    """A sublet service: its cost without tax, the working days it adds, and the markup on cost."""

    cost: Figure
    days: int
    percent: Figure


class DiagnosticCredit(StrEnum):
    """How the diagnostic fee is credited when the repair is accepted."""

    none = "none"
    full_if_repair_accepted = "full_if_repair_accepted"
    partial_percent = "partial_percent"


class Supplies(Record, frozen=True, kw_only=True):
    """Shop supplies: a percentage of labour, at most `cap`. Itemised chemicals are deducted if
    `exclude_itemised` is true.
    """

    percent_of_labour: Figure
    cap: Figure
    exclude_itemised: bool


class Pickup(Record, frozen=True, kw_only=True):
    """The price of collecting the machine: a base amount and a rate per kilometre."""

    base: Figure
    per_km: Figure


class Storage(Record, frozen=True, kw_only=True):
    """The price per day of an unclaimed machine after `grace_days`, and the notice given; `most` is
    all that it can come to, None if nothing limits it.
    """

    grace_days: int
    per_day: Figure
    most: Figure | None = None
    notice: str


class Collection(Record, frozen=True, kw_only=True):
    """When customers are told to collect a machine: the first time so many days after it is ready,
    then every so many days, at most so often.
    """

    first_notice_days: int = 7
    every_days: int = 14
    most_notices: int = 3


class Abort(Record, frozen=True, kw_only=True):
    """The charge if the repair is declined after teardown: the minutes done, if `charge_done`, and
    what was destroyed; and either refitting what is off, or returning it in boxes, with a discount
    on refitting.
    """

    return_in_boxes_discount_percent: Figure
    charge_done: bool = True


class FreightRule(Record, frozen=True, kw_only=True):
    """Each quote bears the freight of its parts orders by its share of their value, up to `cap`."""

    cap: Figure


class Fees(Record, frozen=True, kw_only=True):
    """The shop's fees, in its own currency, including tax if its prices do."""

    diagnostic: Figure
    diagnostic_credit: DiagnosticCredit
    diagnostic_credit_percent: Figure | None = None
    supplies: Supplies
    waste_oil_per_litre: Figure
    abort: Abort
    freight: FreightRule
    pickup: Pickup | None = None
    storage: Storage | None = None

    @property
    def credited_percent(self) -> Decimal:
        """How much of the diagnostic fee is credited when the repair is accepted."""
        return {
            DiagnosticCredit.none: Decimal(0),
            DiagnosticCredit.full_if_repair_accepted: Decimal(100),
            DiagnosticCredit.partial_percent: self.diagnostic_credit_percent or Decimal(0),
        }[self.diagnostic_credit]


class Deposit(Record, frozen=True, kw_only=True):
    """The percentage of the price due in advance, for parts ordered specially and for a complete
    engine.
    """

    special_order_percent: Figure
    whole_engine_percent: Figure


class Warranty(Record, frozen=True, kw_only=True):
    """Warranty terms: days on labour and on alternate parts, texts for the rest."""

    labour_days: int
    maker_parts: str
    alternate_parts_days: int
    customer_supplied_parts: str


class QuoteTerms(Record, frozen=True, kw_only=True):
    """How long a quote is valid, its deposit and its warranty.

    `link_days` are the most by which a customer's link may outlive the last valid day. Customers
    see consumables of less than `small_consumables_under` as one line, and labour as one line a
    job, unless the shop shows its labour classes.
    """

    valid_days: int
    deposit: Deposit
    warranty: Warranty
    revisit_if_over_percent: Figure
    limit_includes_tax: bool
    link_days: int = 30
    small_consumables_under: Figure = Figure("0")
    shows_labour_classes: bool = False


class Confidence(Record, frozen=True, kw_only=True):
    """The posterior probability needed for each grade; `confirmed` also needs a direct finding."""

    confirmed: Figure
    probable: Figure
    possible: Figure


class Decision(Record, frozen=True, kw_only=True):
    """When to advise against a repair, and the grade that a diagnosis needs to be quoted as a
    repair.
    """

    warn_if_repair_percent_of_value: Figure
    strong_warn_percent: Figure
    confidence: Confidence
    teardown_quote_needs: Grade


class StockRow(Record, frozen=True, kw_only=True):
    """Stock on a shelf: `on_hand` less `promised` is free; a consumable is counted in packs.

    `brand` is the maker of the stock. If absent, it is the item's own maker if the quality is the
    item's own.
    """

    item: ItemId
    on_hand: int
    bin: str
    cost: Figure
    promised: int = 0
    quality: Quality = Quality.maker
    brand: str | None = None


class Contact(Record, frozen=True, kw_only=True):
    """How customers reach the shop; `address` in lines, as on a letter."""

    address: tuple[str, ...] = ()
    telephone: str | None = None
    email: str | None = None


class Seller(Record, frozen=True, kw_only=True):
    """What invoices say of the shop besides its contact; all of it may be missing until an invoice
    needs it. `name` is its registered name (absent: the shop's).

    `country` is a code of ISO 3166-1. `vat_id` is the number for a tax like VAT, `tax_id` another
    number for tax, `registration` that of a register of companies. `endpoint` is an electronic
    address under `endpoint_scheme`, a code of the list EAS. Invoices are due after `due_days`, and
    paid to `account`.
    """

    name: str | None = None
    street: str | None = None
    more: str | None = None
    city: str | None = None
    postcode: str | None = None
    region: str | None = None
    country: str | None = None
    vat_id: str | None = None
    tax_id: str | None = None
    registration: str | None = None
    endpoint: str | None = None
    endpoint_scheme: str | None = None
    account: str | None = None
    account_name: str | None = None
    due_days: int = 0
    terms: str | None = None


class ShareBy(StrEnum):
    """How quotes that are ordered together share what the supplier charges once: by the value of
    their goods, by their packs, or in equal parts.
    """

    value = "value"
    packs = "packs"
    equal = "equal"


class Purchasing(Record, frozen=True, kw_only=True):
    """How the shop buys: its account number with each supplier, the address for deliveries (in
    lines; absent: its own), by how much a price may be higher than agreed without a question, how
    quotes share the fees and freight of an order, what work another parcel makes, and whether
    customers are told at once when a supplier's answer moves a day (`tells_slips`).
    """

    accounts: dict[SupplierId, str] = {}
    deliver_to: tuple[str, ...] = ()
    price_tolerance_percent: Figure = Figure("0")
    share_by: ShareBy = ShareBy.value
    parcel_cost: Figure = Figure("0")
    tells_slips: bool = False


class BenchTime(Record, frozen=True, kw_only=True):
    """The bench's minutes of work on a working day, and the minutes of work that wait for it."""

    minutes_a_day: int
    waiting_minutes: int = 0


class Shop(Record, frozen=True, kw_only=True):
    """A shop's policy. Every value is set by its owner.

    `bench_language` is that of the bench sheet (absent: `language`).
    Working days are `mon` .. `sun`; `closes` is the closing time, when clocks that nobody stopped
    stop (absent: the end of the day). `quality_floor` names the lowest quality fitted in a role
    (absent: alternate), `overrun` the preset for how far a bill may exceed the authorised total
    (absent: not at all). `bench` is for the day on which a repair is ready (absent: not told).
    `translations` has the shop's own texts in other languages: language -> text -> translation.
    """

    id: ShopId
    name: str
    currency: str
    tax_area: AreaId
    price_list: PriceListId
    selling_prices_include_tax: bool
    language: str
    time_zone: str
    working_days: tuple[str, ...]
    labour: Labour
    parts_price: PartsPrice
    quality_floor: dict[RoleId, Quality]
    sublet: dict[ServiceId, SubletPrice]
    fees: Fees
    quote: QuoteTerms
    decision: Decision
    holidays: tuple[date, ...] = ()
    closes: str | None = None
    cash_step: Figure | None = None
    overrun: OverrunId | None = None
    contact: Contact | None = None
    bench_language: str | None = None
    purchasing: Purchasing = Purchasing()
    seller: Seller = Seller()
    bench: BenchTime | None = None
    collection: Collection = Collection()
    translations: dict[str, dict[str, str]] = {}
    stock: tuple[StockRow, ...] = ()
