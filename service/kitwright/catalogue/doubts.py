"""Doubts: warnings about allowed values in a catalogue that could well be mistakes."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING, Final

from kitwright.catalogue.checks.records import (
    CONSUMABLES,
    OVERRUNS,
    area_file,
    family_file,
    offers_file,
    shop_file,
    supplier_file,
)
from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import Family
from kitwright.catalogue.problems import Doubt
from kitwright.units import decimal_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date
    from decimal import Decimal

    from kitwright.catalogue.model import (
        Catalogue,
        Consumable,
        ItemId,
        Part,
        PartSet,
        PriceListId,
        Shop,
        Supplier,
        TaxArea,
    )

_FAR: Final = 5
"""Related values differ by less than this factor; a misplaced decimal point makes it ten."""
_CHEAP: Final = 10
"""No shop buys below this fraction of the list price; again, the decimal point."""
_HIGH_TAX: Final = 50
"""A percentage that no sales tax or value added tax approaches."""
_OLD_YEARS: Final = 2


def doubt_catalogue(catalogue: Catalogue, today: date) -> tuple[Doubt, ...]:
    """Return warnings about a catalogue without errors, without repeats.

    `today` identifies dates in the future and old ones.
    """
    found = (
        *_days(catalogue, today),
        *(one for row in catalogue.suppliers.values() for one in _costs(catalogue, row)),
        *(one for row in catalogue.shops.values() for one in _shop(catalogue, row)),
        *(one for row in catalogue.tax_areas.values() for one in _tax_rates(row)),
        *_unsold(catalogue),
        *_jobless(catalogue),
    )
    return tuple(dict.fromkeys(found))


def _doubt(file: str, record: str, code: str, message: str) -> Doubt:
    return Doubt(file=file, record=record, code=code, message=message)


def _days(catalogue: Catalogue, today: date) -> Iterator[Doubt]:
    days = [(file, "", head.as_of) for file, head in catalogue.heads.items()]
    days += [
        (OVERRUNS, f"overrun_preset {row.id}", row.as_of) for row in catalogue.overruns.values()
    ]
    for file, record, day in days:
        years = today.year - day.year - ((today.month, today.day) < (day.month, day.day))
        if day > today:
            yield _doubt(file, record, "of-the-future", f"as_of {day} is in the future")
        elif years >= _OLD_YEARS:
            yield _doubt(file, record, "years-old", f"as_of {day} is {years} years ago")


def _items(catalogue: Catalogue) -> dict[ItemId, Part | PartSet | Consumable]:
    return {**catalogue.parts, **catalogue.sets, **catalogue.consumables}


def _costs(catalogue: Catalogue, supplier: Supplier) -> Iterator[Doubt]:
    items, file = _items(catalogue), offers_file(catalogue, supplier)
    lists = [row.id for row in catalogue.price_lists.values() if row.currency == supplier.currency]
    for offer in supplier.offer:
        label = f"offer {offer.sku}"
        for cost in (offer.cost, *(row.cost for row in offer.breaks)):
            yield from _cost(file, label, cost / offer.pack, items[offer.item].list_price, lists)
    share = supplier.default_cost_percent
    if share is not None and share > 100:
        message = f"default_cost_percent {share} makes costs higher than list prices"
        yield _doubt(supplier_file(supplier.id), "", "cost-above-list", message)


def _cost(
    file: str,
    label: str,
    cost: Decimal,
    prices: Mapping[PriceListId, Decimal],
    lists: Sequence[PriceListId],
) -> Iterator[Doubt]:
    """Yield warnings about the cost of one piece or pack, compared with its list prices."""
    if not cost:
        yield _doubt(file, label, "cost-of-zero", "it costs nothing")
        return
    for price_list in lists:
        price = prices[price_list]
        if cost > price:
            message = f"a cost of {decimal_text(cost)} for one is above its list price, {price}"
            yield _doubt(file, label, "cost-above-list", message)
        elif cost * _CHEAP < price:
            message = f"a cost of {decimal_text(cost)} for one is far below its list price, {price}"
            yield _doubt(file, label, "cost-far-below-list", message)


def _shop(catalogue: Catalogue, shop: Shop) -> Iterator[Doubt]:
    file, items = shop_file(shop.id), _items(catalogue)
    for row in shop.stock:
        prices = items[row.item].list_price
        yield from _cost(file, f"stock {row.item}", row.cost, prices, [shop.price_list])
    for service, price in shop.sublet.items():
        if not price.cost:
            yield _doubt(file, f"sublet {service}", "cost-of-zero", "it costs nothing")
    rates = dict(shop.labour.rates)
    for name, rate in rates.items():
        others = [other for key, other in rates.items() if key != name]
        if others and _is_far(rate, median(others)):
            message = f"rates.{name} {rate} is far off the other rates, {_listed(others)}"
            yield _doubt(file, "labour", "rate-far-off", message)
    shares = [band.percent for band in shop.parts_price.bands]
    for place, share in enumerate(shares):
        beside = shares[max(0, place - 1) : place] + shares[place + 1 : place + 2]
        if beside and all(_is_far(share, other) for other in beside):
            message = f"bands[{place}] {share}% is far off the bands next to it, {_listed(beside)}"
            yield _doubt(file, "parts_price", "band-far-off", message)


def _tax_rates(area: TaxArea) -> Iterator[Doubt]:
    file = area_file(area.id)
    for component in area.components:
        label = f"components {component.id}"
        rates = sorted(component.rates, key=lambda row: row.valid_from)
        for place, rate in enumerate(rates):
            before = rates[place - 1].percent if place else rate.percent
            if rate.percent and before and _is_far(rate.percent, before):
                message = f"{rate.percent}% from {rate.valid_from} is far off {before}% before"
                yield _doubt(file, label, "rate-far-off", message)
            elif rate.percent >= _HIGH_TAX:
                message = f"{rate.percent}% from {rate.valid_from} is very high"
                yield _doubt(file, label, "rate-far-off", message)


def _is_far(figure: Decimal, other: Decimal) -> bool:
    return figure >= other * _FAR or figure * _FAR <= other


def _listed(figures: Sequence[Decimal]) -> str:
    return " and ".join(map(str, figures))


def _unsold(catalogue: Catalogue) -> Iterator[Doubt]:
    """Yield the items that no supplier offers in the currency of a shop, except superseded
    parts.
    """
    files: dict[ItemId, tuple[str, str]] = {
        row.id: (CONSUMABLES, f"consumable {row.id}") for row in catalogue.consumables.values()
    }
    for family in catalogue.families.values():
        files.update(_parts_of(family))
    for currency in sorted({shop.currency for shop in catalogue.shops.values()}):
        suppliers = [row for row in catalogue.suppliers.values() if row.currency == currency]
        offered = {offer.item for row in suppliers for offer in row.offer}
        served = {maker for row in suppliers for maker in row.makers}
        for item, (file, label) in files.items():
            made = catalogue.parts.get(item) or catalogue.sets.get(item)
            if item not in offered and (made is None or made.maker not in served):
                yield _doubt(file, label, "nobody-sells", f"no supplier sells it in {currency}")


def _jobless(catalogue: Catalogue) -> Iterator[Doubt]:
    """Yield the diagnoses for which a family has no job: its layout lacks a component that the job
    removes, or has it under another name.
    """
    for family in catalogue.families.values():
        for diagnosis in catalogue.rules.diagnosis:
            for wanted in diagnosis.scopes.least:
                if not job_fits(catalogue, family, catalogue.jobs[wanted.job]):
                    message = (
                        f"no job for {diagnosis.code}: the layout lacks what {wanted.job} names"
                    )
                    yield _doubt(family_file(family.id), "", "diagnosis-without-job", message)


def _parts_of(family: Family) -> Iterator[tuple[ItemId, tuple[str, str]]]:
    file = family_file(family.id)
    for part in family.part:
        if part.superseded_by is None:
            yield part.id, (file, f"part {part.id}")
    for whole in family.sets:
        yield whole.id, (file, f"set {whole.id}")
