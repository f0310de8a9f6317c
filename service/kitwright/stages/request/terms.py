"""Terms: the counter's changes to one quote, each with its reason and the person who made it."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import date
from decimal import Decimal

from msgspec import Struct, structs

from kitwright.catalogue.model import ChargeKind, ItemId, JobId, LabourClass, Quality, RoleId


class Exempt(Struct, frozen=True, kw_only=True):
    """A customer's tax exemption, as shown to the shop."""

    certificate_number: str
    valid_until: date


class LineRef(Struct, frozen=True, kw_only=True):
    """A reference to a line: its code, and the other members needed to distinguish it from lines
    with the same code.
    """

    code: str
    kind: str | None = None
    cylinder: int | None = None
    labour_class: LabourClass | None = None


class Discount(Struct, frozen=True, kw_only=True):
    """A reduction before tax of one line, or of the entire quote if `line` is None.

    Exactly one of `percent` (above 0, at most 100) and `amount` (major units) is given.
    """

    reason: str
    by: str
    line: LineRef | None = None
    percent: Decimal | None = None
    amount: Decimal | None = None


class Carried(Struct, frozen=True, kw_only=True):
    """An addition to an earlier revision, by its number and its day."""

    addition: int
    day: date


class FreeLine(Struct, frozen=True, kw_only=True):
    """A line that the counter adds manually; `unit` is a unit word of the catalogue. `carried` is
    the addition that it carries over, if any.
    """

    description: str
    kind: ChargeKind
    quantity: Decimal
    unit: str
    unit_price: Decimal
    reason: str
    by: str
    carried: Carried | None = None


class PriceOverride(Struct, frozen=True, kw_only=True, tag=True):
    """Another unit price for one line; the computed price is stored with it."""

    line: LineRef
    unit_price: Decimal
    reason: str
    by: str


class MinutesOverride(Struct, frozen=True, kw_only=True, tag=True):
    """Another number of billed minutes for one job on one machine; the computed number is stored
    with it.
    """

    job: JobId
    cylinder: int | None
    minutes: int
    reason: str
    by: str


class CustomerPart(Struct, frozen=True, kw_only=True):
    """Pieces of an item that the customer brings for one machine; `quantity` None means all that
    the machine needs.
    """

    item: ItemId
    quantity: int | None = None


class FloorChange(Struct, frozen=True, kw_only=True):
    """Another quality floor for one role in this quote only."""

    role: RoleId
    quality: Quality
    reason: str
    by: str


class CoveredJob(Struct, frozen=True):
    """A job that the shop bears, on its cylinder."""

    job: JobId
    cylinder: int | None = None


class Terms(Struct, frozen=True, kw_only=True):
    """All of the counter's changes to a quote. Overrides are stored with their places in the
    request.

    `machines` is the number of identical machines quoted together. `prepaid` is in major units.
    `pays_cash` requests the shop's cash rounding. `covered` are the jobs that the shop bears: None
    for none, empty for all but added ones.
    """

    exemption: Exempt | None = None
    discounts: tuple[Discount, ...] = ()
    free_lines: tuple[FreeLine, ...] = ()
    overrides: tuple[PriceOverride | MinutesOverride, ...] = ()
    customer_parts: tuple[CustomerPart, ...] = ()
    floors: tuple[FloorChange, ...] = ()
    machines: int = 1
    prepaid: Decimal = Decimal(0)
    pays_cash: bool = False
    covered: tuple[CoveredJob, ...] | None = None

    @property
    def changes_work(self) -> bool:
        """Whether the counter changes minutes or parts, or lines by other work than they are of."""
        return (
            bool(self.customer_parts or self.labour_by_hand)
            or self.covered is not None
            or any(isinstance(each, MinutesOverride) for each in self.overrides)
        )

    @property
    def labour_by_hand(self) -> tuple[FreeLine, ...]:
        """The added lines that are labour."""
        return tuple(each for each in self.free_lines if each.kind is ChargeKind.labour)

    @property
    def changes_lines(self) -> bool:
        """Whether the counter adds, reduces or reprices lines."""
        return bool(self.discounts or self.free_lines or self.overrides)

    @property
    def line_changes(self) -> Hashable:
        """The changes of lines, without their reasons and the persons who made them."""
        return (
            tuple((each.line, each.percent, each.amount) for each in self.discounts),
            tuple(
                (each.kind, each.quantity, each.unit, each.unit_price) for each in self.free_lines
            ),
            tuple(
                (each.line, each.unit_price)
                for each in self.overrides
                if isinstance(each, PriceOverride)
            ),
        )

    @property
    def changes_totals(self) -> bool:
        """Whether the payable amount may differ from the gross amount."""
        return bool(self.prepaid) or self.pays_cash

    def untouched(self) -> Terms:
        """Return the terms without changes that name lines and parts, or only change what is
        payable.
        """
        return Terms(exemption=self.exemption, floors=self.floors, machines=self.machines)

    def lasting(self) -> Terms:
        """Return the terms without changes that depend on lines, jobs and parts of the quote, or
        only change what is payable.

        Discounts of an amount are left out too, because they may be more than the rest.
        """
        return structs.replace(
            self.untouched(),
            discounts=tuple(
                each for each in self.discounts if each.line is None and each.amount is None
            ),
            free_lines=self.free_lines,
            covered=self.covered,
        )

    @property
    def names_lines(self) -> bool:
        """Whether any change depends on lines, jobs or parts of the quote."""
        return bool(
            self.overrides
            or self.customer_parts
            or any(each.line is not None for each in self.discounts)
        )
