"""Items: checks the prices, supersession and contents of parts, sets and consumables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from kitwright.catalogue.checks.records import CONSUMABLES, family_file, problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from kitwright.catalogue.model import Catalogue, Part, PartSet, PriceListId
    from kitwright.catalogue.problems import Problem
    from kitwright.units import Figure

CONSUMABLE_UNITS: Final = ("L", "ml", "g", "can", "pad", "sheet", "piece")
"""The units that consumables are counted in; documents have a code for each (`units.REC20`)."""


def check_items(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield errors of parts, sets and consumables that can be found without fitments."""
    for family in catalogue.families.values():
        file = family_file(family.id)
        for part in family.part:
            label = f"part {part.id}"
            yield from _prices(catalogue, file, label, part.list_price)
            for price_list in part.core_deposit:
                if price_list not in catalogue.price_lists:
                    message = f"core_deposit: there is no price list {price_list!r}"
                    yield problem(file, label, "price-list-unknown", message)
            yield from _supersession(catalogue, file, label, part)
        for whole in family.sets:
            label = f"set {whole.id}"
            yield from _prices(catalogue, file, label, whole.list_price)
            yield from _contents(catalogue, file, label, whole)
    for row in catalogue.consumables.values():
        label = f"consumable {row.id}"
        yield from _prices(catalogue, CONSUMABLES, label, row.list_price)
        if row.unit not in CONSUMABLE_UNITS:
            known = ", ".join(CONSUMABLE_UNITS)
            message = f"{row.unit!r} is not one of the units {known}"
            yield problem(CONSUMABLES, label, "unit-unknown", message)


def _prices(
    catalogue: Catalogue, file: str, label: str, prices: Mapping[PriceListId, Figure]
) -> Iterator[Problem]:
    for price_list in prices:
        if price_list not in catalogue.price_lists:
            message = f"list_price: there is no price list {price_list!r}"
            yield problem(file, label, "price-list-unknown", message)
    for price_list in catalogue.price_lists:
        if price_list not in prices:
            message = f"list_price: there is no price in price list {price_list!r}"
            yield problem(file, label, "list-price-missing", message)


def _supersession(catalogue: Catalogue, file: str, label: str, part: Part) -> Iterator[Problem]:
    if part.superseded_by is None:
        if part.use_remaining_stock is not None:
            message = "use_remaining_stock belongs only to a superseded number"
            yield problem(file, label, "remaining-stock-stray", message)
        return
    if part.use_remaining_stock is None:
        message = "use_remaining_stock must say whether stock of this number may still be fitted"
        yield problem(file, label, "remaining-stock-unsaid", message)
    chain = [part.id]
    while (after := catalogue.parts[chain[-1]].superseded_by) is not None:
        if after not in catalogue.parts:
            # Reported for the number itself, not for every number before it.
            if len(chain) == 1:
                message = f"superseded_by: there is no part {after!r}"
                yield problem(file, label, "part-unknown", message)
            return
        if after in chain:
            message = "superseded in a circle: " + " -> ".join([*chain, after])
            yield problem(file, label, "supersession-loop", message)
            return
        chain.append(after)


def _contents(catalogue: Catalogue, file: str, label: str, whole: PartSet) -> Iterator[Problem]:
    if not whole.contents:
        yield problem(file, label, "set-empty", "a set must have contents")
    for item in whole.contents:
        if item not in catalogue.parts:
            yield problem(file, label, "part-unknown", f"contents: there is no part {item!r}")
