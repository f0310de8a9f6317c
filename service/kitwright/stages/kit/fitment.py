"""Fitment: which part fills a role on this very engine."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import (
    Catalogue,
    FamilyId,
    Fitment,
    ItemId,
    Quality,
    RoleId,
    Shop,
)
from kitwright.errors import KitwrightError
from kitwright.stages.supply import Prices, chain, current_number
from kitwright.stages.why import place
from kitwright.units import exact


class Fitted(Struct, frozen=True, kw_only=True):
    """What fills one role instance: the current item, how much of it, and which stocked numbers
    may be fitted too.

    `acceptable` ends with the item itself; older numbers stand before it where their remaining
    stock may be used. With more than one of `options`, the plate has to decide: `item` is then
    the dearest.
    """

    role: RoleId
    cylinder: int | None
    item: ItemId
    quantity: Decimal
    unit: str
    acceptable: tuple[ItemId, ...]
    options: tuple[ItemId, ...]
    rows: tuple[Fitment, ...]

    @property
    def is_settled(self) -> bool:
        """Whether exactly one item fits."""
        return len(self.options) == 1


class FitmentError(KitwrightError):
    """A role that can't be filled from the catalogue."""

    code = "fitment-error"


class NothingFits(FitmentError):
    """No row of the catalogue says what fills a role on this engine."""

    code = "nothing-fits"

    def __init__(
        self, family: FamilyId, role: RoleId, cylinder: int | None, serial: int | None
    ) -> None:
        on = "without a serial number" if serial is None else f"with serial number {serial}"
        super().__init__(f"no part fits {place(role, cylinder)} of family {family} {on}")
        self.family = family
        self.role = role
        self.cylinder = cylinder
        self.serial = serial


def fit_role(
    catalogue: Catalogue,
    shop: Shop,
    prices: Prices,
    family: FamilyId,
    role: RoleId,
    cylinder: int | None,
    serial: int | None,
    build_code: str | None,
) -> Fitted:
    """Return what fills a role instance, by family, cylinder, build code and inclusive serial
    range.

    Serial or build code absent: every row counts that they could choose. Rows that come to the
    same current number and quantity are no question.

    Raises: NothingFits.
    """
    rows = [
        row
        for row in catalogue.fitments[family]
        if row.role == role
        and (cylinder in row.cylinders if cylinder is not None else not row.cylinders)
        and (serial is None or row.serial_from <= serial <= row.serial_to)
        and (build_code is None or not row.build_codes or build_code in row.build_codes)
    ]
    if not rows:
        raise NothingFits(family, role, cylinder, serial)
    floor = shop.quality_floor.get(role, Quality.alternate)
    choices: dict[tuple[ItemId, Decimal], list[Fitment]] = {}
    for row in rows:
        key = (current_number(catalogue, row.part), Decimal(row.quantity))
        choices.setdefault(key, []).append(row)

    def price(choice: tuple[ItemId, Decimal]) -> tuple[Fraction, ItemId, Decimal]:
        item, quantity = choice
        return exact(prices.of(item, floor)) * exact(quantity), item, quantity

    chosen = max(choices, key=price) if len(choices) > 1 else next(iter(choices))
    item, quantity = chosen
    return Fitted(
        role=role,
        cylinder=cylinder,
        item=item,
        quantity=quantity,
        unit=choices[chosen][0].unit,
        acceptable=_acceptable(catalogue, choices[chosen], item),
        options=tuple(one for one, _ in sorted(choices)),
        rows=tuple(choices[chosen]),
    )


def _acceptable(catalogue: Catalogue, rows: Iterable[Fitment], item: ItemId) -> tuple[ItemId, ...]:
    """Return the numbers that may be fitted on every engine the rows stand for, the current one
    last.
    """
    chains = [
        [
            link
            for link in chain(catalogue, row.part)
            if link not in catalogue.parts
            or catalogue.parts[link].superseded_by is None
            or catalogue.parts[link].use_remaining_stock
        ]
        for row in rows
    ]
    return tuple(
        link for link in chains[0] if link == item or all(link in other for other in chains)
    )
