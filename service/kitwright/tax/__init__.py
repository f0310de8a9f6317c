"""Tax on printed line amounts: one rule engine; the areas are data."""

from __future__ import annotations

from kitwright.tax.area import (
    KindNotPlaced,
    RateNegative,
    RateNotYetValid,
    TaxError,
    effective_rate,
    gross_up,
)
from kitwright.tax.charges import Charge, ComponentTax, Taxed, TaxedLine, tax_charges

__all__ = [
    "Charge",
    "ComponentTax",
    "KindNotPlaced",
    "RateNegative",
    "RateNotYetValid",
    "TaxError",
    "Taxed",
    "TaxedLine",
    "effective_rate",
    "gross_up",
    "tax_charges",
]
