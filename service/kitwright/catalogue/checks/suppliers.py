"""Suppliers: checks suppliers and their offers."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from kitwright.catalogue.checks.days import WEEK, check_days, check_time, check_zone
from kitwright.catalogue.checks.reach import check_contact, check_language
from kitwright.catalogue.checks.records import offers_file, problem, supplier_file
from kitwright.catalogue.model import Hazmat, Quality

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue, ItemId, Offer, Supplier
    from kitwright.catalogue.problems import Problem


def check_suppliers(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield errors of suppliers, of their default rules and of their offers."""
    makers = {row.maker for row in catalogue.parts.values()}
    makers |= {row.maker for row in catalogue.sets.values()}
    for supplier in catalogue.suppliers.values():
        file = supplier_file(supplier.id)
        yield from check_time(file, "cutoff", supplier.cutoff)
        if supplier.time_zone is not None:
            yield from check_zone(file, supplier.time_zone)
        week = WEEK if supplier.working_days is None else supplier.working_days
        yield from check_days(file, week, supplier.holidays or ())
        yield from check_contact(file, supplier.contact)
        yield from check_language(file, "language", supplier.language)
        for maker in supplier.makers:
            if maker not in makers:
                message = f"no part or set has the maker {maker!r}"
                yield problem(file, "", "maker-unknown", message)
        yield from _default_rule(catalogue, supplier)
        for offer in supplier.offer:
            yield from _offer(catalogue, supplier, offer)


def quality_problem(catalogue: Catalogue, item: ItemId, quality: Quality) -> str | None:
    """Return the error of a quality given for an item, None if there is none.

    A piece of an alternate part or set can't be the maker's; a consumable has no maker.
    """
    known = catalogue.parts.get(item) or catalogue.sets.get(item)
    if known is not None and known.quality is Quality.alternate and quality is Quality.maker:
        return f"{item} has quality alternate, so this row can't have quality maker"
    return None


def is_known_item(catalogue: Catalogue, item: ItemId) -> bool:
    """Return whether a number is that of a part, a set or a consumable."""
    return item in catalogue.parts or item in catalogue.sets or item in catalogue.consumables


def _default_rule(catalogue: Catalogue, supplier: Supplier) -> Iterator[Problem]:
    file = supplier_file(supplier.id)
    given = (supplier.price_list is not None, supplier.default_cost_percent is not None)
    if given != (bool(supplier.makers),) * 2:
        message = "makers, price_list and default_cost_percent belong together"
        yield problem(file, "", "default-rule-incomplete", message)
    if supplier.price_list is None:
        return
    price_list = catalogue.price_lists.get(supplier.price_list)
    if price_list is None:
        message = f"there is no price list {supplier.price_list!r}"
        yield problem(file, "", "price-list-unknown", message)
    elif price_list.currency != supplier.currency:
        message = f"price list {price_list.id} is in {price_list.currency}, not {supplier.currency}"
        yield problem(file, "", "currency-differs", message)


def _offer(catalogue: Catalogue, supplier: Supplier, offer: Offer) -> Iterator[Problem]:
    file, label = offers_file(catalogue, supplier), f"offer {offer.sku}"
    if not is_known_item(catalogue, offer.item):
        message = f"{offer.item!r} is not a part, set or consumable"
        yield problem(file, label, "item-unknown", message)
    part = catalogue.parts.get(offer.item)
    if part is not None and part.superseded_by is not None:
        message = f"{offer.item} is superseded by {part.superseded_by} and no longer sold"
        yield problem(file, label, "offer-superseded", message)
    wrong = quality_problem(catalogue, offer.item, offer.quality)
    if wrong is not None:
        yield problem(file, label, "quality-above-make", wrong)
    if any(a.packs >= b.packs for a, b in pairwise(offer.breaks)) or any(
        row.packs < 2 for row in offer.breaks
    ):
        message = "breaks must ascend in packs, beginning at 2 packs or more"
        yield problem(file, label, "breaks-not-ascending", message)
    costs = [offer.cost, *(row.cost for row in offer.breaks)]
    if any(a <= b for a, b in pairwise(costs)):
        message = "each break must cost less per pack than the price before it"
        yield problem(file, label, "breaks-not-falling", message)
    consumable = catalogue.consumables.get(offer.item)
    is_aerosol = consumable is not None and consumable.hazmat is Hazmat.aerosol
    if is_aerosol and not supplier.ships_hazmat:
        message = f"{offer.item} is an aerosol, and {supplier.id} ships none"
        yield problem(file, label, "hazmat-not-shipped", message)
