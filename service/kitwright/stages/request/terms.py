"""Terms: what the counter changes about one quote, each change with its reason and who made it."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import date
from decimal import Decimal

from msgspec import Struct, structs

from kitwright.catalogue.model import ChargeKind, ItemId, JobId, LabourClass, Quality, RoleId


class Exempt(Struct, frozen=True, kw_only=True):
    """A customer's tax exemption as it was shown."""

    certificate_number: str
    valid_until: date


class LineRef(Struct, frozen=True, kw_only=True):
    """Which line is meant: its code, and what else is needed to tell it from others of that
    code.
    """

    code: str
    kind: str | None = None
    cylinder: int | None = None
    labour_class: LabourClass | None = None


class Discount(Struct, frozen=True, kw_only=True):
    """A reduction before tax of one line, or of the whole quote where `line` is None.

    Exactly one of `percent` (above 0, at most 100) and `amount` (major units) is given.
    """

    reason: str
    by: str
    line: LineRef | None = None
    percent: Decimal | None = None
    amount: Decimal | None = None


class FreeLine(Struct, frozen=True, kw_only=True):
    """A line that the counter writes by hand; `unit` is a unit word of the catalogue."""

    description: str
    kind: ChargeKind
    quantity: Decimal
    unit: str
    unit_price: Decimal
    reason: str
    by: str


class PriceOverride(Struct, frozen=True, kw_only=True):
    """Another unit price for one line; the computed one stays beside it."""

    line: LineRef
    unit_price: Decimal
    reason: str
    by: str


class MinutesOverride(Struct, frozen=True, kw_only=True):
    """Another number of billed minutes for one job on one machine; the computed one stays
    beside it.
    """

    job: JobId
    cylinder: int | None
    minutes: int
    reason: str
    by: str


class CustomerPart(Struct, frozen=True, kw_only=True):
    """Pieces of an item that the customer brings for one machine; `quantity` None means all it
    needs.
    """

    item: ItemId
    quantity: int | None = None


class FloorChange(Struct, frozen=True, kw_only=True):
    """Another quality floor for one role in this quote only."""

    role: RoleId
    quality: Quality
    reason: str
    by: str


class Terms(Struct, frozen=True, kw_only=True):
    """Everything that the counter changes about a quote. Overrides keep their place in the request.

    `machines` identical machines are quoted together. `prepaid` is in major units. `pays_cash` asks
    for the shop's cash rounding.
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

    @property
    def changes_work(self) -> bool:
        """Whether minutes or parts differ from what would be planned without the counter."""
        return bool(self.customer_parts or self.labour_by_hand) or any(
            isinstance(each, MinutesOverride) for each in self.overrides
        )

    @property
    def labour_by_hand(self) -> tuple[FreeLine, ...]:
        """The labour that the counter writes by hand."""
        return tuple(each for each in self.free_lines if each.kind is ChargeKind.labour)

    @property
    def changes_lines(self) -> bool:
        """Whether lines are added, reduced or priced by hand."""
        return bool(self.discounts or self.free_lines or self.overrides)

    @property
    def line_changes(self) -> Hashable:
        """What lines are changed to, whoever did it and why."""
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
        """Whether what is payable differs from the gross amount."""
        return bool(self.prepaid) or self.pays_cash

    def untouched(self) -> Terms:
        """Return the terms without what names lines and parts, or only changes what is payable."""
        return Terms(exemption=self.exemption, floors=self.floors, machines=self.machines)

    def lasting(self) -> Terms:
        """Return the terms without what stands and falls with lines, jobs and parts of the quote,
        or only changes what is payable; and without discounts of an amount, which may be more than
        is left.
        """
        return structs.replace(
            self.untouched(),
            discounts=tuple(
                each for each in self.discounts if each.line is None and each.amount is None
            ),
            free_lines=self.free_lines,
        )

    @property
    def names_lines(self) -> bool:
        """Whether anything stands and falls with lines, jobs or parts of the quote."""
        return bool(
            self.overrides
            or self.customer_parts
            or any(each.line is not None for each in self.discounts)
        )
