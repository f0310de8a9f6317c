"""Figures: checks that numbers are within their ranges, and money within the digits of its
currency.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.catalogue import model
from kitwright.catalogue.checks.records import (
    OVERRUNS,
    PRICE_LISTS,
    area_file,
    every_record,
    problem,
    shop_file,
    supplier_file,
)
from kitwright.money import UnknownCurrency, digits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.checks.records import Found
    from kitwright.catalogue.model import Catalogue, Record
    from kitwright.catalogue.problems import Problem


class Range(NamedTuple):
    """The range of a number. An `open` bound is not part of it."""

    words: str
    least: int
    most: int | None = None
    is_least_open: bool = False
    is_most_open: bool = False

    def holds(self, number: int | Decimal) -> bool:
        """Return whether a number lies in the range."""
        if number < self.least or (self.is_least_open and number == self.least):
            return False
        if self.most is None:
            return True
        return number < self.most or (number == self.most and not self.is_most_open)


_AMOUNT: Final = Range("zero or more", 0)
_POSITIVE: Final = Range("more than zero", 0, is_least_open=True)
_SHARE: Final = Range("from 0 to 1", 0, 1)
_OVER_ONE: Final = Range("more than one", 1, is_least_open=True)
_CHANCE: Final = Range("between 0 and 1", 0, 1, is_least_open=True, is_most_open=True)
_PERCENT: Final = Range("from 0 to 100", 0, 100)
_MARGIN: Final = Range("from 0 to less than 100", 0, 100, is_most_open=True)
_SERIAL: Final = Range(f"from 0 to {model.SERIAL_MAX}", 0, model.SERIAL_MAX)

RANGES: Final[dict[type[Record], dict[str, Range]]] = {
    model.Background: {"multiply_odds": _POSITIVE},
    model.Band: {"percent": _AMOUNT, "up_to": _POSITIVE},
    model.BenchTime: {"minutes_a_day": _POSITIVE, "waiting_minutes": _AMOUNT},
    model.BenchTest: {"minutes": _AMOUNT},
    model.Break: {"packs": _POSITIVE, "cost": _AMOUNT},
    model.Abort: {"return_in_boxes_discount_percent": _PERCENT},
    model.Chassis: {"cramped_factor": _POSITIVE},
    model.Component: {"remove_minutes": _AMOUNT, "refit_minutes": _AMOUNT},
    model.Confidence: {"confirmed": _SHARE, "probable": _SHARE, "possible": _SHARE},
    model.Consumable: {"list_price": _POSITIVE, "pack": _POSITIVE},
    model.Contingency: {"probability": _SHARE, "raised_probability": _SHARE},
    model.Decision: {
        "warn_if_repair_percent_of_value": _POSITIVE,
        "strong_warn_percent": _POSITIVE,
    },
    model.Deposit: {"special_order_percent": _PERCENT, "whole_engine_percent": _PERCENT},
    model.Diagnosis: {"prior": _CHANCE},
    model.Distance: {"withdrawal_days": _AMOUNT},
    model.Element: {"count": _POSITIVE},
    model.ElementTime: {"remove": _AMOUNT, "refit": _AMOUNT},
    model.DiagnosisRules: {
        "in_play": _SHARE,
        "worth_bits": _AMOUNT,
        "clash_times": _OVER_ONE,
    },
    model.Family: {
        "cylinders": _POSITIVE,
        "displacement_cm3": _POSITIVE,
        "oil_litres": _AMOUNT,
        "minutes_ratio": _POSITIVE,
    },
    model.Fees: {
        "diagnostic": _AMOUNT,
        "diagnostic_credit_percent": _PERCENT,
        "waste_oil_per_litre": _AMOUNT,
    },
    model.FindingKind: {"base": _SHARE, "upper_percent": _PERCENT},
    model.Fitment: {
        "quantity": _POSITIVE,
        "cylinders": _POSITIVE,
        "serial_from": _SERIAL,
        "serial_to": _SERIAL,
    },
    model.FreightRule: {"cap": _AMOUNT},
    model.Gate: {"power": _SHARE},
    model.GateCondition: {"above": _AMOUNT, "below": _AMOUNT},
    model.Labour: {
        "increment_minutes": _POSITIVE,
        "rates": _POSITIVE,
        "minimum_bench_minutes": _AMOUNT,
        "debris_heavy_minutes": _AMOUNT,
        "previous_work_minutes": _AMOUNT,
        "rust_factor": _POSITIVE,
        "awkward_factor": _POSITIVE,
        "elements_spread_percent": _PERCENT,
    },
    model.Offer: {
        "cost": _AMOUNT,
        "pack": _POSITIVE,
        "minimum": _POSITIVE,
        "multiple": _POSITIVE,
        "stock": _AMOUNT,
        "lead_days": _AMOUNT,
        "freight": _AMOUNT,
    },
    model.Override: {"remove_minutes": _AMOUNT, "refit_minutes": _AMOUNT},
    model.OverrunPreset: {
        "fixed": _POSITIVE,
        "percent": _PERCENT,
        "at_most": _POSITIVE,
        "over_total": _POSITIVE,
    },
    model.Part: {"list_price": _POSITIVE, "core_deposit": _AMOUNT},
    model.PartSet: {"list_price": _POSITIVE, "contents": _POSITIVE},
    model.PartsPrice: {"margin_percent": _MARGIN, "step": _POSITIVE},
    model.Pickup: {"base": _AMOUNT, "per_km": _AMOUNT},
    model.Purchasing: {"price_tolerance_percent": _PERCENT, "parcel_cost": _AMOUNT},
    model.QuoteTerms: {
        "valid_days": _POSITIVE,
        "revisit_if_over_percent": _AMOUNT,
        "small_consumables_under": _AMOUNT,
        "link_days": _AMOUNT,
    },
    model.Rate: {"percent": _AMOUNT},
    model.RefitWork: {"minutes": _AMOUNT},
    model.Seller: {"due_days": _AMOUNT},
    model.SerialBreak: {"at": _SERIAL},
    model.Shop: {"cash_step": _POSITIVE},
    model.StockRow: {"on_hand": _AMOUNT, "cost": _AMOUNT, "promised": _AMOUNT},
    model.Storage: {"grace_days": _AMOUNT, "per_day": _AMOUNT, "most": _AMOUNT},
    model.SubletPrice: {"cost": _AMOUNT, "days": _AMOUNT, "percent": _AMOUNT},
    model.Supplier: {
        "lead_days": _AMOUNT,
        "freight": _AMOUNT,
        "free_freight_from": _POSITIVE,
        "default_cost_percent": _POSITIVE,
        "minimum_order": _AMOUNT,
        "small_order_fee": _AMOUNT,
        "hazmat_fee": _AMOUNT,
        "restock_percent": _PERCENT,
        "return_days": _AMOUNT,
        "core_days": _AMOUNT,
        "warranty_days": _AMOUNT,
        "claim_days": _AMOUNT,
    },
    model.TaxArea: {"retention_years": _AMOUNT},
    model.Supplies: {"percent_of_labour": _AMOUNT, "cap": _AMOUNT},
    model.Tick: {"elapsed_minutes": _AMOUNT},
    model.Use: {"quantity": _POSITIVE},
    model.VisitWork: {"minutes": _AMOUNT},
    model.Collection: {
        "first_notice_days": _AMOUNT,
        "every_days": _POSITIVE,
        "most_notices": _AMOUNT,
    },
    model.Warranty: {"labour_days": _AMOUNT, "alternate_parts_days": _AMOUNT},
    model.Work: {"minutes": _AMOUNT},
}
"""Every number of the model except the distributions of links, which `diagnoses` checks."""

PAID_AS_THEY_STAND: Final[dict[type[Record], tuple[str, ...]]] = {
    model.Fees: ("diagnostic",),
    model.FreightRule: ("cap",),
    model.Offer: ("freight",),
    model.OverrunPreset: ("fixed", "at_most", "over_total"),
    model.PartsPrice: ("step",),
    model.Pickup: ("base",),
    model.Shop: ("cash_step",),
    model.Storage: ("per_day", "most"),
    model.Supplier: (
        "freight",
        "free_freight_from",
        "minimum_order",
        "small_order_fee",
        "hazmat_fee",
    ),
    model.Supplies: ("cap",),
}
"""Money that is charged without multiplication, so in minor units. Costs and rates may be finer."""


def check_figures(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield numbers outside their range, and money finer than its currency's minor unit."""
    for found in every_record(catalogue):
        for name, allowed in RANGES.get(type(found.record), {}).items():
            for key, number in _numbers(getattr(found.record, name)):
                if not allowed.holds(number):
                    message = f"{name}{key} is {number}; it must be {allowed.words}"
                    yield problem(found.file, found.label, "figure-out-of-range", message)
        yield from _too_fine(catalogue, found)


def check_currencies(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield currencies that are not in ISO 4217."""
    places = [
        (PRICE_LISTS, f"price_list {row.id}", row.currency)
        for row in catalogue.price_lists.values()
    ]
    places += [(supplier_file(row.id), "", row.currency) for row in catalogue.suppliers.values()]
    places += [(area_file(row.id), "", row.currency) for row in catalogue.tax_areas.values()]
    places += [
        (OVERRUNS, f"overrun_preset {row.id}", row.currency)
        for row in catalogue.overruns.values()
        if row.currency is not None
    ]
    places += [(shop_file(row.id), "", row.currency) for row in catalogue.shops.values()]
    for file, label, currency in places:
        if _digits(currency) is None:
            message = f"{currency!r} is not a currency of ISO 4217"
            yield problem(file, label, "currency-unknown", message)


def _numbers(value: object) -> Iterator[tuple[str, int | Decimal]]:
    """Yield the numbers of a field, each with the path that follows the field's name."""
    if isinstance(value, int | Decimal):
        yield "", value
    elif isinstance(value, tuple):
        yield from ((f"[{index}]", one) for index, one in enumerate(value))
    elif isinstance(value, dict):
        yield from ((f".{key}", one) for key, one in value.items())


def _too_fine(catalogue: Catalogue, found: Found) -> Iterator[Problem]:
    record, root = found.record, found.root
    amounts: list[tuple[str, Decimal, str]] = []
    if isinstance(root, model.Supplier | model.Shop | model.OverrunPreset) and root.currency:
        for name in PAID_AS_THEY_STAND.get(type(record), ()):
            amount = getattr(record, name)
            if amount is not None:
                amounts.append((name, amount, root.currency))
    elif isinstance(record, model.Part | model.PartSet | model.Consumable):
        prices = {"list_price": record.list_price}
        if isinstance(record, model.Part):
            prices["core_deposit"] = record.core_deposit
        for name, by_list in prices.items():
            for price_list, amount in by_list.items():
                if price_list in catalogue.price_lists:
                    currency = catalogue.price_lists[price_list].currency
                    amounts.append((f"{name}.{price_list}", amount, currency))
    for name, amount, currency in amounts:
        places = _digits(currency)
        if places is not None and amount != round(amount, places):
            message = f"{name} is {amount}, finer than the smallest unit of {currency}"
            yield problem(found.file, found.label, "money-too-fine", message)


def _digits(currency: str) -> int | None:
    try:
        return digits(currency)
    except UnknownCurrency:
        return None
