"""Records: the catalogue's families, chassis, diagnoses, jobs, parts, tax areas and the shop on the
wire.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Generic, TypeVar

from msgspec import Struct

from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    Diagnosis,
    Family,
    ItemId,
    Job,
    JobRef,
    Shop,
    TaxArea,
)
from kitwright.money import Money
from kitwright.stages.fitment import current_number
from kitwright.units import REC20, decimal_text
from kitwright.web.out import DecimalText, MoneyOut, Out, money
from kitwright.web.problems import Refusal

K = TypeVar("K", bound=str)
T = TypeVar("T")


class ListOut(Struct, Generic[T], frozen=True, kw_only=True):
    """All records of a kind, by id."""

    items: tuple[T, ...]


class SerialBreakOut(Out, frozen=True, kw_only=True):
    """The first serial of a change."""

    at: int
    what: str


class FamilyOut(Out, frozen=True, kw_only=True):
    """An engine family, and the chassis that carry it."""

    id: str
    maker: str
    name: str
    layout: str
    cylinders: int
    displacement_cm3: int
    oil_litres: DecimalText
    plate: tuple[str, ...]
    serial_breaks: tuple[SerialBreakOut, ...]
    chassis: tuple[str, ...]


class ChassisOut(Out, frozen=True, kw_only=True):
    """A chassis and the families that it carries."""

    id: str
    name: str
    kind: str
    layouts: tuple[str, ...]
    families: tuple[str, ...]


class JobRefOut(Out, frozen=True, kw_only=True):
    """A job reference: on the own cylinder, on all, or on one; null for an engine job."""

    job: str
    cylinders: str | None


class ScopesOut(Out, frozen=True, kw_only=True):
    """The jobs of each scope."""

    least: tuple[JobRefOut, ...]
    recommended: tuple[JobRefOut, ...]
    thorough: tuple[JobRefOut, ...]


class DiagnosisOut(Out, frozen=True, kw_only=True):
    """A named fault in a customer's words, what must not be claimed, and what repairs it."""

    code: str
    scope: str
    plain: str
    say_not: str
    scopes: ScopesOut


class WhileApartOut(Out, frozen=True, kw_only=True):
    """A job worth offering beside another."""

    job: str
    cylinders: str | None
    reason: str
    default: str


class JobRecordOut(Out, frozen=True, kw_only=True):
    """A sellable job: what has to be apart, what it renews, and what it holds."""

    id: str
    name: str
    scope: str
    access: tuple[str, ...]
    replaces: tuple[str, ...]
    supersedes: tuple[str, ...]
    while_apart: tuple[WhileApartOut, ...]
    note: str


class FitsOut(Out, frozen=True, kw_only=True):
    """Where a part fits; `serial_from` and `serial_to` are inclusive, no cylinders means the
    engine.
    """

    family: str
    role: str
    cylinders: tuple[int, ...]
    serial_from: int
    serial_to: int
    quantity: DecimalText
    unit: str


class PartOut(Out, frozen=True, kw_only=True):
    """A part, a set or a consumable, with its list price in the shop's price list (null where
    it has none).
    """

    number: str
    kind: str
    name: str
    maker: str | None
    quality: str | None
    list_price: MoneyOut | None
    superseded_by: str | None
    current_number: str
    contents: dict[ItemId, int]
    fits: tuple[FitsOut, ...]


class TaxComponentOut(Out, frozen=True, kw_only=True):
    """One tax; the newest rate of `rates` whose day has come counts."""

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
    quote_valid_days: int
    catalogue_revision: str


def find(kind: str, records: Mapping[K, T], key: K) -> T:
    """Return a record by id. Raises: Refusal: unknown-record."""
    record = records.get(key)
    if record is None:
        raise Refusal("unknown-record", f"no {kind} {key!r} in the catalogue")
    return record


def listing(records: Iterable[T], out: Callable[[T], Out]) -> ListOut[Out]:
    """Return all records of a kind on the wire."""
    return ListOut(items=tuple(out(record) for record in records))


def family_out(catalogue: Catalogue, family: Family) -> FamilyOut:
    """Return a family on the wire."""
    carriers = (one.id for one in catalogue.chassis.values() if family.layout in one.layouts)
    return FamilyOut(
        id=family.id,
        maker=family.maker,
        name=family.name,
        layout=family.layout,
        cylinders=family.cylinders,
        displacement_cm3=family.displacement_cm3,
        oil_litres=decimal_text(family.oil_litres),
        plate=family.plate,
        serial_breaks=tuple(
            SerialBreakOut(at=each.at, what=each.what) for each in family.serial_break
        ),
        chassis=tuple(sorted(carriers)),
    )


def chassis_out(catalogue: Catalogue, chassis: Chassis) -> ChassisOut:
    """Return a chassis on the wire."""
    carried = (one.id for one in catalogue.families.values() if one.layout in chassis.layouts)
    return ChassisOut(
        id=chassis.id,
        name=chassis.name,
        kind=chassis.kind,
        layouts=tuple(chassis.layouts),
        families=tuple(sorted(carried)),
    )


def _references(references: Iterable[JobRef]) -> tuple[JobRefOut, ...]:
    return tuple(JobRefOut(job=each.job, cylinders=each.cylinders) for each in references)


def diagnosis_out(diagnosis: Diagnosis) -> DiagnosisOut:
    """Return a diagnosis on the wire."""
    scopes = diagnosis.scopes
    return DiagnosisOut(
        code=diagnosis.code,
        scope=diagnosis.scope.value,
        plain=diagnosis.plain,
        say_not=diagnosis.say_not,
        scopes=ScopesOut(
            least=_references(scopes.least),
            recommended=_references(scopes.recommended),
            thorough=_references(scopes.thorough),
        ),
    )


def job_out(job: Job) -> JobRecordOut:
    """Return a job on the wire."""
    return JobRecordOut(
        id=job.id,
        name=job.name,
        scope=job.scope.value,
        access=job.access,
        replaces=job.replaces,
        supersedes=tuple(job.supersedes),
        while_apart=tuple(
            WhileApartOut(
                job=each.job,
                cylinders=each.cylinders,
                reason=each.reason,
                default=each.default.value,
            )
            for each in job.while_apart
        ),
        note=job.note,
    )


def part_out(catalogue: Catalogue, shop: Shop, number: str) -> PartOut:
    """Return a part, set or consumable on the wire. Raises: Refusal: unknown-record."""
    item = ItemId(number)
    part = catalogue.parts.get(item)
    part_set = catalogue.sets.get(item)
    made = part or part_set
    record = made or find("part", catalogue.consumables, item)
    price = record.list_price.get(shop.price_list)
    return PartOut(
        number=record.id,
        kind="part" if part else "set" if part_set else "consumable",
        name=record.name,
        maker=made.maker if made else None,
        quality=made.quality.value if made else None,
        list_price=None if price is None else money(Money.of(price, shop.currency)),
        superseded_by=part.superseded_by if part else None,
        current_number=current_number(catalogue, item),
        contents=dict(part_set.contents.items()) if part_set else {},
        fits=tuple(
            FitsOut(
                family=family,
                role=row.role,
                cylinders=row.cylinders,
                serial_from=row.serial_from,
                serial_to=row.serial_to,
                quantity=decimal_text(row.quantity),
                unit=REC20[row.unit],
            )
            for family, rows in catalogue.fitments.items()
            for row in rows
            if row.part == item
        ),
    )


def tax_area_out(area: TaxArea) -> TaxAreaOut:
    """Return a tax area on the wire."""
    return TaxAreaOut(
        id=area.id,
        name=area.name,
        note=area.note,
        currency=area.currency,
        prices_include_tax=area.prices_include_tax,
        rounding_by=area.rounding.by.value,
        rounding_mode=area.rounding.mode.value,
        components=tuple(
            TaxComponentOut(
                id=each.id,
                name=each.name,
                rates={
                    rate.valid_from.isoformat(): decimal_text(rate.percent) for rate in each.rates
                },
                applies_to=tuple(kind.value for kind in each.applies_to),
                compounds=each.compounds,
            )
            for each in area.components
        ),
    )


def shop_out(catalogue: Catalogue, shop: Shop) -> ShopRecordOut:
    """Return the shop on the wire."""
    return ShopRecordOut(
        id=shop.id,
        name=shop.name,
        currency=shop.currency,
        tax_area=shop.tax_area,
        prices_include_tax=shop.selling_prices_include_tax,
        language=shop.language,
        time_zone=shop.time_zone,
        working_days=shop.working_days,
        labour_rates={name: decimal_text(rate) for name, rate in shop.labour.rates.items()},
        quote_valid_days=shop.quote.valid_days,
        catalogue_revision=catalogue.revision,
    )
