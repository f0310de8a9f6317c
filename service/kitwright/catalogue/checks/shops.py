"""Shops: checks that a shop's policy is consistent and lets it buy and sell."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from kitwright.catalogue.checks.conditions import MACHINE_STATE
from kitwright.catalogue.checks.days import check_days, check_time, check_zone
from kitwright.catalogue.checks.reach import check_contact, check_language, is_address
from kitwright.catalogue.checks.records import every_record, problem, shop_file
from kitwright.catalogue.checks.suppliers import is_known_item, quality_problem
from kitwright.catalogue.model import Component, DiagnosticCredit, PriceRule, Quality, Seize

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue, PartsPrice, Shop
    from kitwright.catalogue.problems import Problem


def check_shops(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield errors of shops."""
    for shop in catalogue.shops.values():
        yield from _money(catalogue, shop)
        yield from _place(shop)
        yield from _translations(shop)
        yield from check_contact(shop_file(shop.id), shop.contact)
        yield from _purchasing(catalogue, shop)
        yield from _labour(catalogue, shop)
        yield from _parts_price(shop_file(shop.id), shop.parts_price)
        yield from _work(catalogue, shop)
        yield from _terms(shop)
        yield from _overrun(catalogue, shop)
        yield from _stock(catalogue, shop)


def _money(catalogue: Catalogue, shop: Shop) -> Iterator[Problem]:
    file = shop_file(shop.id)
    area = catalogue.tax_areas.get(shop.tax_area)
    price_list = catalogue.price_lists.get(shop.price_list)
    if area is None:
        yield problem(file, "", "tax-area-unknown", f"there is no tax area {shop.tax_area!r}")
    else:
        if area.currency != shop.currency:
            message = f"tax area {area.id} is in {area.currency}, the shop in {shop.currency}"
            yield problem(file, "", "currency-differs", message)
        if area.prices_include_tax is not shop.selling_prices_include_tax:
            message = f"selling_prices_include_tax differs from tax area {area.id}"
            yield problem(file, "", "tax-inclusion-differs", message)
    if price_list is None:
        message = f"there is no price list {shop.price_list!r}"
        yield problem(file, "", "price-list-unknown", message)
    else:
        if price_list.currency != shop.currency:
            message = f"price list {price_list.id} is in {price_list.currency}, not {shop.currency}"
            yield problem(file, "", "currency-differs", message)
        if price_list.includes_tax is not shop.selling_prices_include_tax:
            message = f"selling_prices_include_tax differs from price list {price_list.id}"
            yield problem(file, "", "tax-inclusion-differs", message)
    if all(row.currency != shop.currency for row in catalogue.suppliers.values()):
        message = f"no supplier sells in {shop.currency}"
        yield problem(file, "", "supplier-missing", message)


def _place(shop: Shop) -> Iterator[Problem]:
    file = shop_file(shop.id)
    yield from check_zone(file, shop.time_zone)
    yield from check_days(file, shop.working_days, shop.holidays)
    if shop.closes is not None:
        yield from check_time(file, "closes", shop.closes)
    for name in ("language", "bench_language"):
        yield from check_language(file, name, getattr(shop, name))


def _translations(shop: Shop) -> Iterator[Problem]:
    """Yield the translations into no known language, and those of no text of the shop."""
    file, texts = shop_file(shop.id), {shop.quote.warranty.customer_supplied_parts}
    if shop.fees.storage is not None:
        texts.add(shop.fees.storage.notice)
    for language, translated in shop.translations.items():
        yield from check_language(file, f"translations.{language}", language)
        for text in sorted(translated.keys() - texts):
            message = f"translations: customers read no text {text!r} of this shop"
            yield problem(file, f"translations.{language}", "translation-unused", message)


def _purchasing(catalogue: Catalogue, shop: Shop) -> Iterator[Problem]:
    file, buys = shop_file(shop.id), shop.purchasing
    for supplier, number in buys.accounts.items():
        if supplier not in catalogue.suppliers:
            message = f"accounts: there is no supplier {supplier!r}"
            yield problem(file, "purchasing", "supplier-unknown", message)
        if not number.strip() or len(number.splitlines()) > 1:
            message = f"accounts: the number with {supplier} is not one line of text"
            yield problem(file, "purchasing", "account-malformed", message)
    if not is_address(buys.deliver_to):
        message = "deliver_to has an empty line, or a line break in a line"
        yield problem(file, "purchasing", "contact-malformed", message)


def _labour(catalogue: Catalogue, shop: Shop) -> Iterator[Problem]:
    file, labour = shop_file(shop.id), shop.labour
    if labour.debris_heavy_visit not in catalogue.visit_work:
        message = f"debris_heavy_visit: there is no visit work {labour.debris_heavy_visit!r}"
        yield problem(file, "labour", "visit-work-unknown", message)
    levels = MACHINE_STATE["rust"]
    if set(labour.rust_factor) != set(levels):
        message = "rust_factor must have a factor for each of " + ", ".join(levels)
        yield problem(file, "labour", "rust-factors-wrong", message)
    timed = {
        element.kind
        for found in every_record(catalogue)
        if isinstance(found.record, Component)
        for element in found.record.elements
    }
    for kind in sorted(timed - labour.elements.keys()):
        message = f"elements: there is no time for {kind!r}, which components have"
        yield problem(file, "labour", "element-unknown", message)
    if Seize.none in labour.rust_applies_to:
        message = "rust_applies_to must not list none: such components do not seize"
        yield problem(file, "labour", "rust-factors-wrong", message)


def _parts_price(file: str, row: PartsPrice) -> Iterator[Problem]:
    label = "parts_price"
    by_bands = row.rule in {PriceRule.markup, PriceRule.lower_of_list_and_markup}
    if by_bands is not bool(row.bands):
        verb = "needs" if by_bands else "does not use"
        yield problem(file, label, "price-rule-unclear", f"rule {row.rule} {verb} bands")
    if (row.rule is PriceRule.margin) is not (row.margin_percent is not None):
        message = "margin_percent belongs to rule margin, and only there"
        yield problem(file, label, "price-rule-unclear", message)
    if row.bands:
        edges = [band.up_to for band in row.bands[:-1]]
        closed = [edge for edge in edges if edge is not None]
        is_ascending = len(closed) == len(edges) and all(a < b for a, b in pairwise(closed))
        if not is_ascending or row.bands[-1].up_to is not None:
            message = "bands must ascend by up_to, and only the last has none"
            yield problem(file, label, "bands-wrong", message)


def _work(catalogue: Catalogue, shop: Shop) -> Iterator[Problem]:
    file = shop_file(shop.id)
    for job in catalogue.jobs.values():
        if job.sublet is not None and job.sublet not in shop.sublet:
            message = f"no price for {job.sublet!r}, the sublet work of {job.id}"
            yield problem(file, "sublet", "service-unpriced", message)
    roles = {row.role for rows in catalogue.fitments.values() for row in rows}
    for role in shop.quality_floor:
        if role not in roles:
            message = f"no family has a part for role {role!r}"
            yield problem(file, "quality_floor", "role-unknown", message)


def _terms(shop: Shop) -> Iterator[Problem]:
    file, fees = shop_file(shop.id), shop.fees
    is_partial = fees.diagnostic_credit is DiagnosticCredit.partial_percent
    if is_partial is not (fees.diagnostic_credit_percent is not None):
        message = "diagnostic_credit_percent belongs to partial_percent, and only there"
        yield problem(file, "fees", "credit-unclear", message)
    grades = shop.decision.confidence
    if not grades.possible <= grades.probable <= grades.confirmed:
        message = "possible, probable and confirmed must ascend"
        yield problem(file, "decision.confidence", "grades-not-ascending", message)


def _overrun(catalogue: Catalogue, shop: Shop) -> Iterator[Problem]:
    if shop.overrun is None:
        return
    file, preset = shop_file(shop.id), catalogue.overruns.get(shop.overrun)
    if preset is None:
        message = f"there is no overrun preset {shop.overrun!r}"
        yield problem(file, "", "overrun-unknown", message)
    elif preset.currency not in {None, shop.currency}:
        message = f"overrun preset {preset.id} is in {preset.currency}, not {shop.currency}"
        yield problem(file, "", "currency-differs", message)


def _stock(catalogue: Catalogue, shop: Shop) -> Iterator[Problem]:
    file = shop_file(shop.id)
    seen = set()
    for row in shop.stock:
        label = f"stock {row.item}"
        if not is_known_item(catalogue, row.item):
            message = f"{row.item!r} is not a part, set or consumable"
            yield problem(file, label, "item-unknown", message)
        if row.promised > row.on_hand:
            message = f"promised is {row.promised}, more than on_hand, {row.on_hand}"
            yield problem(file, label, "promised-over-stock", message)
        wrong = quality_problem(catalogue, row.item, row.quality)
        if wrong is not None:
            yield problem(file, label, "quality-above-make", wrong)
        known = catalogue.parts.get(row.item) or catalogue.sets.get(row.item)
        makers = None if known is None or row.quality is not Quality.maker else known.maker
        if row.brand is not None and row.brand != (makers or row.brand):
            message = f"brand {row.brand!r} is not the maker, {makers}: its quality is alternate"
            yield problem(file, label, "brand-differs", message)
        if (row.item, row.quality, row.bin) in seen:
            message = f"bin {row.bin!r} already has it in another row"
            yield problem(file, label, "stock-twice", message)
        seen.add((row.item, row.quality, row.bin))
