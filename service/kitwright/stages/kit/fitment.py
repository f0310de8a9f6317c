"""Fitment: the part that fills a role on a certain engine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import (
    SERIAL_MAX,
    Catalogue,
    FamilyId,
    Fitment,
    ItemId,
    Quality,
    RoleId,
)
from kitwright.errors import KitwrightError
from kitwright.stages.supply import Prices, chain, current_number
from kitwright.stages.why import Fact, Why, place
from kitwright.units import exact


class Fitted(Struct, frozen=True, kw_only=True):
    """The item that fills one role instance, its quantity, and the numbers that may also be fitted.

    `why` gives the reason that it fits. `acceptable` ends with the item itself; before it are older
    numbers whose remaining stock may be used. If there is more than one of `options`, the engine's
    plate decides, and `item` is the most expensive of them.
    """

    role: RoleId
    cylinder: int | None
    item: ItemId
    quantity: Decimal
    unit: str
    acceptable: tuple[ItemId, ...]
    options: tuple[ItemId, ...]
    why: Why


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


class Fitments:
    """Finds the items that fill the roles of a catalogue's families, for one shop.

    Rows are found by role and cylinder. Each choice among rows is cached; there are as many choices
    as the catalogue has ranges of serial numbers.
    """

    def __init__(self, catalogue: Catalogue, prices: Prices) -> None:
        self._catalogue = catalogue
        self._prices = prices
        self._rows: dict[tuple[FamilyId, RoleId, int | None], list[Fitment]] = {}
        for family, rows in catalogue.fitments.items():
            for row in rows:
                for cylinder in row.cylinders or (None,):
                    self._rows.setdefault((family, row.role, cylinder), []).append(row)
        self._fitted: dict[tuple[int | None, Quality, tuple[int, ...]], Fitted] = {}

    def fit(
        self,
        family: FamilyId,
        role: RoleId,
        cylinder: int | None,
        *,
        serial: int | None,
        build_code: str | None,
        floor: Quality,
    ) -> Fitted:
        """Return the item for a role instance, by family, cylinder, build code and inclusive range
        of serial numbers.

        If the serial number or build code is None, all rows that it could select are options. Rows
        with the same current number and quantity count as one option.

        Raises: NothingFits.
        """
        rows = [
            row
            for row in self._rows.get((family, role, cylinder), ())
            if (serial is None or row.serial_from <= serial <= row.serial_to)
            and (build_code is None or not row.build_codes or build_code in row.build_codes)
        ]
        if not rows:
            raise NothingFits(family, role, cylinder, serial)
        # rows are objects of the catalogue, which exists as long as this object
        question = cylinder, floor, tuple(map(id, rows))
        if question not in self._fitted:
            self._fitted[question] = self._choose(rows, cylinder, floor)
        return self._fitted[question]

    def _choose(self, rows: Sequence[Fitment], cylinder: int | None, floor: Quality) -> Fitted:
        """Return the item for a role, given the rows that may apply."""
        catalogue = self._catalogue
        choices: dict[tuple[ItemId, Decimal], list[Fitment]] = {}
        for row in rows:
            key = (current_number(catalogue, row.part), Decimal(row.quantity))
            choices.setdefault(key, []).append(row)

        def price(choice: tuple[ItemId, Decimal]) -> tuple[Fraction, ItemId, Decimal]:
            item, quantity = choice
            return exact(self._prices.of(item, floor)) * exact(quantity), item, quantity

        chosen = max(choices, key=price) if len(choices) > 1 else next(iter(choices))
        item, quantity = chosen
        fitting = choices[chosen]
        options = tuple(one for one, _ in sorted(choices))
        return Fitted(
            role=rows[0].role,
            cylinder=cylinder,
            item=item,
            quantity=quantity,
            unit=fitting[0].unit,
            acceptable=_acceptable(catalogue, fitting, item),
            options=options,
            why=_fits(item, options, fitting),
        )


def _fits(item: ItemId, options: Sequence[ItemId], rows: Sequence[Fitment]) -> Why:
    if len(options) > 1:
        return Why("fits-one-of", {"options": ", ".join(options), "item": item})
    first = min(row.serial_from for row in rows)
    last = max(row.serial_to for row in rows)
    if (first, last) == (0, SERIAL_MAX):
        return Why("fits-every-serial", {"item": item})
    facts: dict[str, Fact] = {"item": item, "serial_from": first, "serial_to": last}
    before = rows[0].part
    if before != item:
        return Why("fits-by-succession", {**facts, "first": before})
    return Why("fits-by-serial", facts)


def _acceptable(catalogue: Catalogue, rows: Iterable[Fitment], item: ItemId) -> tuple[ItemId, ...]:
    """Return the numbers that may be fitted on every engine of the rows, the current one last."""
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
