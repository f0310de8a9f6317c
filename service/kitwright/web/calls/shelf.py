"""Shelf: the catalogue's records by id, as they go over the wire."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from msgspec import Struct

from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    Contingency,
    Diagnosis,
    Family,
    ItemId,
    Job,
    JobRef,
    OverrunPreset,
    Shop,
    TaxArea,
)
from kitwright.money import Money
from kitwright.quote import Amount, amount_of
from kitwright.stages.supply import current_number
from kitwright.units import REC20, Figure, decimal_text
from kitwright.web.calls import operations
from kitwright.web.calls.operations import Operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.records import (
    ChassisOut,
    ConditionOut,
    DiagnosisOut,
    FamilyOut,
    FitsOut,
    JobContingencyOut,
    JobRecordOut,
    JobRefOut,
    OverrunPresetOut,
    PartOut,
    ScopesOut,
    SerialBreakOut,
    ShopRecordOut,
    TaxAreaOut,
    TaxComponentOut,
    WhileApartOut,
)


class Shelf(Struct, frozen=True, kw_only=True):
    """The records of one kind: the operations that list them and give one, the word for one, the
    records by key, and how one goes over the wire.
    """

    every: Operation | None = None
    one: Operation | None = None
    noun: str
    records: Mapping[str, Any]
    out: Callable[[Any], Out]

    def listed(self) -> tuple[Out, ...]:
        """Return all records as they go over the wire."""
        return tuple(map(self.out, self.records.values()))


def shelves(catalogue: Catalogue, shop: Shop) -> tuple[Shelf, ...]:
    """Return the records of every kind that has an operation."""
    items = {**catalogue.parts, **catalogue.sets, **catalogue.consumables}
    return (
        Shelf(
            every=operations.FAMILIES,
            one=operations.FAMILY,
            noun="engine family",
            records=_by_text(catalogue.families),
            out=lambda family: family_out(catalogue, family),
        ),
        Shelf(
            every=operations.ALL_CHASSIS,
            one=operations.ONE_CHASSIS,
            noun="chassis",
            records=_by_text(catalogue.chassis),
            out=lambda chassis: chassis_out(catalogue, chassis),
        ),
        Shelf(
            every=operations.DIAGNOSES,
            one=operations.DIAGNOSIS,
            noun="diagnosis",
            records=_by_text(catalogue.diagnoses),
            out=diagnosis_out,
        ),
        Shelf(
            every=operations.JOBS,
            one=operations.JOB,
            noun="job",
            records=_by_text(catalogue.jobs),
            out=lambda job: job_out(catalogue, job),
        ),
        Shelf(
            one=operations.PART,
            noun="part, set or consumable",
            records=_by_text(items),
            out=lambda item: part_out(catalogue, shop, item.id),
        ),
        Shelf(
            every=operations.TAX_AREAS,
            noun="tax area",
            records=_by_text(catalogue.tax_areas),
            out=tax_area_out,
        ),
        Shelf(
            every=operations.OVERRUN_PRESETS,
            one=operations.OVERRUN_PRESET,
            noun="overrun preset",
            records=_by_text(catalogue.overruns),
            out=overrun_out,
        ),
    )


def _by_text(records: Mapping[Any, Any]) -> Mapping[str, Any]:
    """Return records by their keys as plain text, which callers send."""
    return records


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


def job_out(catalogue: Catalogue, job: Job) -> JobRecordOut:
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
        contingencies=tuple(_contingency(catalogue, row) for row in job.contingency),
        note=job.note,
    )


def _contingency(catalogue: Catalogue, row: Contingency) -> JobContingencyOut:
    kind = catalogue.contingencies[row.id]
    raised = row.raised_probability
    return JobContingencyOut(
        contingency=kind.id,
        name=kind.name,
        plain=kind.plain,
        probability=decimal_text(row.probability),
        raised_probability=None if raised is None else decimal_text(raised),
        raised_by=tuple(
            ConditionOut(
                finding=each.finding,
                context=each.context,
                condition=each.condition,
                levels=each.levels,
            )
            for each in row.raised_by
        ),
        jobs=tuple(
            JobRefOut(job=each.job, cylinders=each.cylinders)
            for each in row.add
            if each.job is not None
        ),
        roles=tuple(each.role for each in row.add if each.role is not None),
    )


def part_out(catalogue: Catalogue, shop: Shop, item: ItemId) -> PartOut:
    """Return a part, set or consumable on the wire."""
    part = catalogue.parts.get(item)
    part_set = catalogue.sets.get(item)
    made = part or part_set
    record = made or catalogue.consumables[item]
    price = record.list_price.get(shop.price_list)
    return PartOut(
        number=record.id,
        kind="part" if part else "set" if part_set else "consumable",
        name=record.name,
        maker=made.maker if made else None,
        quality=made.quality.value if made else None,
        list_price=None if price is None else amount_of(Money.of(price, shop.currency)),
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


def overrun_out(preset: OverrunPreset) -> OverrunPresetOut:
    """Return an overrun preset on the wire."""

    def amount(figure: Figure | None) -> Amount | None:
        # The check sees to it that amounts have a currency.
        if figure is None or preset.currency is None:
            return None
        return amount_of(Money.of(figure, preset.currency))

    return OverrunPresetOut(
        id=preset.id,
        name=preset.name,
        note=preset.note,
        applies_to=preset.applies_to,
        allows=preset.allows.value,
        fixed=amount(preset.fixed),
        percent=None if preset.percent is None else decimal_text(preset.percent),
        at_most=amount(preset.at_most),
        over_total=amount(preset.over_total),
        record=tuple(each.value for each in preset.record),
        source=preset.source,
        read=preset.read.value,
        as_of=preset.as_of,
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
