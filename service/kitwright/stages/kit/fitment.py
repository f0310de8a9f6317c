"""Fitment: which part fills a role on this very engine."""

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
    """What fills one role instance: the current item, how much of it, and which stocked numbers
    may be fitted too.

    `why` says by what it fits. `acceptable` ends with the item itself; older numbers stand before
    it where their remaining
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
    """What fills the roles of a catalogue's families, as a shop sells it.

    Rows are found by role and cylinder, and each choice among them is made once: there are as many
    as the catalogue has ranges of serials.
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
        """Return what fills a role instance, by family, cylinder, build code and inclusive serial
        range.

        Serial or build code absent: every row counts that they could choose. Rows that come to the
        same current number and quantity are no question.

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
        # rows are the catalogue's, which lasts as long as this
        question = cylinder, floor, tuple(map(id, rows))
        if question not in self._fitted:
            self._fitted[question] = self._choose(rows, cylinder, floor)
        return self._fitted[question]

    def _choose(self, rows: Sequence[Fitment], cylinder: int | None, floor: Quality) -> Fitted:
        """Return what fills a role that all of some rows may be for."""
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
