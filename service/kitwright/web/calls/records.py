"""Records: wire structs of families, chassis, diagnoses, jobs, parts, taxes, overruns, the shop."""

from __future__ import annotations

from datetime import date
from typing import Generic, TypeVar

from kitwright.catalogue.model import ItemId
from kitwright.quote import Amount, Count, DecimalText, OnCylinder, SerialNumber
from kitwright.web.calls.out import Out

T = TypeVar("T")


class ListOut(Out, Generic[T], frozen=True, kw_only=True):
    """All records of a kind, by id."""

    items: tuple[T, ...]


class SerialBreakOut(Out, frozen=True, kw_only=True):
    """The first serial number of a change."""

    at: SerialNumber
    what: str


class FamilyOut(Out, frozen=True, kw_only=True):
    """An engine family, and the chassis that carry it."""

    id: str
    maker: str
    name: str
    layout: str
    cylinders: OnCylinder
    displacement_cm3: Count
    oil_litres: DecimalText
    plate: tuple[str, ...]
    serial_breaks: tuple[SerialBreakOut, ...]
    chassis: tuple[str, ...]


class ChassisOut(Out, frozen=True, kw_only=True):
    """A chassis and the families that it carries. In requests, `loose` means an engine without a
    chassis; it is not listed here.
    """

    id: str
    name: str
    kind: str
    layouts: tuple[str, ...]
    families: tuple[str, ...]


class JobRefOut(Out, frozen=True, kw_only=True):
    """A job reference: on the same cylinder, on all, or on one; null for an engine job."""

    job: str
    cylinders: str | None


class ScopesOut(Out, frozen=True, kw_only=True):
    """The jobs of each scope."""

    least: tuple[JobRefOut, ...]
    recommended: tuple[JobRefOut, ...]
    thorough: tuple[JobRefOut, ...]


class DiagnosisOut(Out, frozen=True, kw_only=True):
    """A fault with its description for customers, the claims that must not be made, and the jobs
    that repair it.
    """

    code: str
    scope: str
    plain: str
    say_not: str
    scopes: ScopesOut


class WhileApartOut(Out, frozen=True, kw_only=True):
    """A job worth offering together with another."""

    job: str
    cylinders: str | None
    reason: str
    default: str


class ConditionOut(Out, frozen=True, kw_only=True):
    """A condition that makes a contingency more probable: a `finding` at one of some levels, a
    background (`context`), or the machine's `condition` at one of some levels; the other members
    are null.
    """

    finding: str | None
    context: str | None
    condition: str | None
    levels: tuple[str, ...]


class JobContingencyOut(Out, frozen=True, kw_only=True):
    """A fault that teardown may show in a job: its probability, the probability under any one
    condition, and the jobs and roles that it adds.
    """

    contingency: str
    name: str
    plain: str
    probability: DecimalText
    raised_probability: DecimalText | None
    raised_by: tuple[ConditionOut, ...]
    jobs: tuple[JobRefOut, ...]
    roles: tuple[str, ...]


class JobRecordOut(Out, frozen=True, kw_only=True):
    """A sellable job: the components to remove, the parts it replaces, its contents and its
    contingencies.
    """

    id: str
    name: str
    scope: str
    access: tuple[str, ...]
    replaces: tuple[str, ...]
    supersedes: tuple[str, ...]
    while_apart: tuple[WhileApartOut, ...]
    contingencies: tuple[JobContingencyOut, ...]
    note: str


class FitsOut(Out, frozen=True, kw_only=True):
    """Where a part fits; `serial_from` and `serial_to` are inclusive. No cylinders means the
    engine.
    """

    family: str
    role: str
    cylinders: tuple[OnCylinder, ...]
    serial_from: SerialNumber
    serial_to: SerialNumber
    quantity: DecimalText
    unit: str


class PartOut(Out, frozen=True, kw_only=True):
    """A part, a set or a consumable, with its price in the shop's list (null if none)."""

    number: str
    kind: str
    name: str
    maker: str | None
    quality: str | None
    list_price: Amount | None
    superseded_by: str | None
    current_number: str
    contents: dict[ItemId, Count]
    fits: tuple[FitsOut, ...]


class TaxComponentOut(Out, frozen=True, kw_only=True):
    """One tax. The newest rate of `rates` that has started applies."""

    id: str
    name: str
    rates: dict[str, DecimalText]
    applies_to: tuple[str, ...]
    compounds: bool


class TaxAreaOut(Out, frozen=True, kw_only=True):
    """A tax area's rules. Examples: local law decides."""

    id: str
    name: str
    note: str
    currency: str
    prices_include_tax: bool
    rounding_by: str
    rounding_mode: str
    components: tuple[TaxComponentOut, ...]


class OverrunPresetOut(Out, frozen=True, kw_only=True):
    """A published rule on overruns, which a shop's owner can choose. Local law decides.

    It limits the amount charged over the authorised total without asking again: nothing, a fixed
    amount, a percentage of that total, or the greater of the two, and never more than `at_most`
    (null: no such limit). It applies to totals over `over_total` (null: to all); up to that total,
    no overrun is allowed. `record` lists the details that a record of consent must contain. `read`
    says how thoroughly the source was read.
    """

    id: str
    name: str
    note: str
    applies_to: str
    allows: str
    fixed: Amount | None
    percent: DecimalText | None
    at_most: Amount | None
    over_total: Amount | None
    record: tuple[str, ...]
    source: str
    read: str
    as_of: date


class ShopRecordOut(Out, frozen=True, kw_only=True):
    """The shop that this service quotes for."""

    id: str
    name: str
    currency: str
    tax_area: str
    prices_include_tax: bool
    language: str
    time_zone: str
    working_days: tuple[str, ...]
    labour_rates: dict[str, DecimalText]
    quote_valid_days: Count
    catalogue_revision: str
