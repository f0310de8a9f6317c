"""Tax on printed line amounts: one rule engine, with tax areas as data."""

from __future__ import annotations

from kitwright.tax.area import (
    KindUnassigned,
    RateNegative,
    RateNotYetValid,
    TaxError,
    effective_rate,
    gross_up,
)
from kitwright.tax.charges import (
    Category,
    Charge,
    ComponentTax,
    LineTax,
    Reckoned,
    Taxed,
    TaxedLine,
    line_taxes,
    reckon_taxes,
    tax_charges,
    tax_line,
)
from kitwright.tax.reduced import Reductions, tax_reduced

__all__ = [
    "Category",
    "Charge",
    "ComponentTax",
    "KindUnassigned",
    "LineTax",
    "RateNegative",
    "RateNotYetValid",
    "Reckoned",
    "Reductions",
    "TaxError",
    "Taxed",
    "TaxedLine",
    "effective_rate",
    "gross_up",
    "line_taxes",
    "reckon_taxes",
    "tax_charges",
    "tax_line",
    "tax_reduced",
]
