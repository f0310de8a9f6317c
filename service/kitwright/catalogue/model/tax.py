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
    """A rate in per cent, from its first day on."""

    valid_from: date
    percent: Figure


class TaxComponent(Record, frozen=True, kw_only=True):
    """One tax: its dated rates and the charge kinds it applies to.

    `compounds` says that it is charged on top of those before it that apply to the same kind.
    """

    id: str
    name: str
    rates: tuple[Rate, ...]
    applies_to: tuple[ChargeKind, ...]
    compounds: bool = False


class RoundBy(StrEnum):
    """What is rounded.

    Each line's tax of each component, each component's tax on the document, or the tax of each
    whole rate on the document: that of all components which apply to a line, at once.
    """

    line = "line"
    component = "component"
    document = "document"


class Rounding(Record, frozen=True, kw_only=True):
    """What a tax area rounds, and how."""

    by: RoundBy
    mode: RoundMode


class Exemption(Record, frozen=True, kw_only=True):
    """Which charge kinds a customer's exemption frees."""

    kinds: tuple[ChargeKind, ...]


class TaxArea(Record, frozen=True, kw_only=True):
    """The tax rules of one place. Examples in the starter catalogue: local law decides."""

    id: AreaId
    name: str
    note: str
    currency: str
    prices_include_tax: bool
    rounding: Rounding
    components: tuple[TaxComponent, ...]
    untaxed: tuple[ChargeKind, ...]
    exemption: Exemption | None = None
