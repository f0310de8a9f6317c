"""Tax areas."""

from __future__ import annotations

from datetime import date
from enum import StrEnum

from kitwright.catalogue.model.words import (
    AreaId,
    ChargeKind,
    Record,
)
from kitwright.money import RoundMode as RoundMode
from kitwright.units import Figure


class Rate(Record, frozen=True, kw_only=True):
    """A rate in per cent, with the first day on which it applies."""

    valid_from: date
    percent: Figure


class TaxComponent(Record, frozen=True, kw_only=True):
    """One tax: its dated rates and the charge kinds it applies to. The newest rate that has started
    applies.

    `compounds` says that its base includes the earlier taxes that apply to the same kind.
    """

    id: str
    name: str
    rates: tuple[Rate, ...]
    applies_to: tuple[ChargeKind, ...]
    compounds: bool = False


class RoundBy(StrEnum):
    """The tax amounts that are rounded.

    `line`: each component's tax on each line. `component`: each component's tax on the document.
    `document`: the combined tax, at each combined rate, of all components that apply together.
    """

    line = "line"
    component = "component"
    document = "document"


class Rounding(Record, frozen=True, kw_only=True):
    """What a tax area rounds, and in which mode."""

    by: RoundBy
    mode: RoundMode


class Exemption(Record, frozen=True, kw_only=True):
    """The charge kinds that a customer's exemption frees from tax."""

    kinds: tuple[ChargeKind, ...]


class TaxArea(Record, frozen=True, kw_only=True):
    """The tax rules of one place. Those of the starter catalogue are examples: local law
    decides.

    `is_vat` says that its one tax is a value added tax, so that invoices can follow EN 16931.
    `advance_invoices` says that an advance gets an invoice of its own when it is paid, because its
    tax is due then. Invoices and credit notes are kept `retention_years`, counted from the end of
    the year in which the last one for a quote was made; None: for good, as far as is known.
    """

    id: AreaId
    name: str
    note: str
    currency: str
    prices_include_tax: bool
    rounding: Rounding
    components: tuple[TaxComponent, ...]
    untaxed: tuple[ChargeKind, ...]
    exemption: Exemption | None = None
    is_vat: bool = False
    advance_invoices: bool = False
    retention_years: int | None = None
