"""Engine families, and the parts, sets and consumables that fit them."""

from __future__ import annotations

from enum import StrEnum

from msgspec import field

from kitwright.catalogue.model.teardown import (
    RefitWork,
    RenewsIf,
)
from kitwright.catalogue.model.words import (
    SERIAL_MAX,
    ComponentId,
    FamilyId,
    FlagId,
    HazardId,
    ItemId,
    LabourClass,
    LayoutId,
    PriceListId,
    Quality,
    Record,
    RoleId,
    Seize,
)
from kitwright.units import Figure


class Override(Record, frozen=True, kw_only=True):
    """Fields of one layout component that differ on a family. A given field replaces the layout's
    field completely.
    """

    component: ComponentId
    remove_minutes: int | None = None
    refit_minutes: int | None = None
    needs_all: tuple[str, ...] | None = None
    needs_any: tuple[tuple[str, ...], ...] | None = None
    renews: tuple[str, ...] | None = None
    renews_if: tuple[RenewsIf, ...] | None = None
    refit_work: tuple[RefitWork, ...] | None = None
    cramped: bool | None = None
    seize: Seize | None = None
    labour_class: LabourClass | None = None
    fasteners: str | None = None
    tools: tuple[str, ...] | None = None
    inspect: tuple[str, ...] | None = None
    spec: tuple[str, ...] | None = None
    hazards: tuple[HazardId, ...] | None = None


class Flag(Record, frozen=True, kw_only=True):
    """A property that families may carry."""

    id: FlagId


class SerialBreak(Record, frozen=True, kw_only=True):
    """The first serial number of a change, and a description of the change."""

    at: int
    what: str


class Part(Record, frozen=True, kw_only=True):
    """A part number. `list_price` holds the suggested retail price of one piece by price list,
    `core_deposit` its refundable deposit.
    """

    id: ItemId
    name: str
    maker: str
    quality: Quality
    list_price: dict[PriceListId, Figure]
    core_deposit: dict[PriceListId, Figure] = {}
    superseded_by: ItemId | None = None
    use_remaining_stock: bool | None = None


class Fitment(Record, frozen=True, kw_only=True):
    """The item that fills a role, by cylinder (none for an engine role), serial range (inclusive)
    and build code.

    `quantity` is per role instance, in `unit`; empty `build_codes` mean every build code.
    """

    role: RoleId
    part: ItemId
    quantity: Figure
    unit: str = "piece"
    cylinders: tuple[int, ...] = ()
    serial_from: int = 0
    serial_to: int = SERIAL_MAX
    build_codes: tuple[str, ...] = ()


class PartSet(Record, frozen=True, kw_only=True):
    """Parts sold together: `contents` counts pieces by part number."""

    id: ItemId
    name: str
    maker: str
    quality: Quality
    list_price: dict[PriceListId, Figure]
    contents: dict[ItemId, int]


class Consumable(Record, frozen=True, kw_only=True):
    """An item that work uses up. One pack sold holds `pack` of `unit`; `bill` determines how its
    use is charged.
    """

    id: ItemId
    name: str
    list_price: dict[PriceListId, Figure]
    pack: Figure
    unit: str
    bill: Bill
    hazmat: Hazmat
    is_chemical: bool
    hazards: tuple[HazardId, ...] = ()


class Bill(StrEnum):
    """How a consumable is charged: the exact share of a pack, the measured amount, or complete
    packs.
    """

    fraction = "fraction"
    actual = "actual"
    pack = "pack"


class Hazmat(StrEnum):
    """How carriers class an item."""

    none = "none"
    aerosol = "aerosol"
    flammable_liquid = "flammable_liquid"


class Family(Record, frozen=True, kw_only=True):
    """Engines that share parts and a teardown layout. `minutes_ratio` multiplies access minutes."""

    id: FamilyId
    maker: str
    name: str
    layout: LayoutId
    cylinders: int
    displacement_cm3: int
    oil_litres: Figure
    minutes_ratio: Figure
    flags: tuple[FlagId, ...] = ()
    plate: tuple[str, ...] = ()
    serial_break: tuple[SerialBreak, ...] = ()
    override: tuple[Override, ...] = ()
    part: tuple[Part, ...] = ()
    fitment: tuple[Fitment, ...] = ()
    sets: tuple[PartSet, ...] = field(default=(), name="set")


class PriceList(Record, frozen=True, kw_only=True):
    """A list of suggested retail prices: its currency, and whether it includes tax."""

    id: PriceListId
    currency: str
    includes_tax: bool
