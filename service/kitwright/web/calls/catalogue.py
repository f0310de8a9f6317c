"""Catalogue: the calls that list catalogue records, and the shop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, get_type_hints

from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    Diagnosis,
    Family,
    Job,
    OverrunPreset,
    TaxArea,
)
from kitwright.money import Money
from kitwright.quote import Amount, amount_of
from kitwright.stages.supply import current_number
from kitwright.units import REC20, Figure, decimal_text
from kitwright.web.calls.listing import Listing, fixed
from kitwright.web.calls.records import (
    ChassisOut,
    DiagnosisOut,
    FamilyOut,
    FitsOut,
    JobContingencyOut,
    JobRecordOut,
    JobRefOut,
    ListOut,
    OverrunPresetOut,
    PartOut,
    SerialBreakOut,
    ShopRecordOut,
    TaxAreaOut,
    TaxComponentOut,
)
from kitwright.web.calls.service import Service
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.reply import Reply

_CHANGES: Final = "Changes only with the catalogue."


def family_out(service: Service, family: Family) -> FamilyOut:
    """Return a family's wire struct."""
    chassis = service.workshop.catalogue.chassis.values()
    carriers = (one.id for one in chassis if family.layout in one.layouts)
    return shaped(
        FamilyOut,
        family,
        serial_breaks=tuple(shaped(SerialBreakOut, each) for each in family.serial_break),
        chassis=tuple(sorted(carriers)),
    )


def chassis_out(service: Service, chassis: Chassis) -> ChassisOut:
    """Return a chassis's wire struct."""
    families = service.workshop.catalogue.families.values()
    carried = (one.id for one in families if one.layout in chassis.layouts)
    return shaped(ChassisOut, chassis, families=tuple(sorted(carried)))


def diagnosis_out(_: Service, diagnosis: Diagnosis) -> DiagnosisOut:
    """Return a diagnosis's wire struct."""
    return shaped(DiagnosisOut, diagnosis)


def job_out(service: Service, job: Job) -> JobRecordOut:
    """Return a job's wire struct."""
    kinds = service.workshop.catalogue.contingencies
    return shaped(
        JobRecordOut,
        job,
        contingencies=tuple(
            shaped(
                JobContingencyOut,
                row,
                contingency=row.id,
                name=kinds[row.id].name,
                plain=kinds[row.id].plain,
                jobs=tuple(
                    JobRefOut(job=each.job, cylinders=each.cylinders)
                    for each in row.add
                    if each.job is not None
                ),
                roles=tuple(each.role for each in row.add if each.role is not None),
            )
            for row in job.contingency
        ),
    )


def part_out(service: Service, item: Any) -> PartOut:
    """Return the wire struct of a part, set or consumable."""
    catalogue, shop = service.workshop.catalogue, service.workshop.shop
    part, part_set = catalogue.parts.get(item.id), catalogue.sets.get(item.id)
    made = part or part_set
    price = item.list_price.get(shop.price_list)
    return PartOut(
        number=item.id,
        kind="part" if part else "set" if part_set else "consumable",
        name=item.name,
        maker=made.maker if made else None,
        quality=made.quality.value if made else None,
        list_price=None if price is None else amount_of(Money.of(price, shop.currency)),
        superseded_by=part.superseded_by if part else None,
        current_number=current_number(catalogue, item.id),
        contents=dict(part_set.contents.items()) if part_set else {},
        fits=tuple(
            shaped(FitsOut, row, family=family, unit=REC20[row.unit])
            for family, rows in catalogue.fitments.items()
            for row in rows
            if row.part == item.id
        ),
    )


def tax_area_out(_: Service, area: TaxArea) -> TaxAreaOut:
    """Return a tax area's wire struct."""
    return shaped(
        TaxAreaOut,
        area,
        rounding_by=area.rounding.by.value,
        rounding_mode=area.rounding.mode.value,
        components=tuple(
            shaped(
                TaxComponentOut,
                each,
                rates={
                    rate.valid_from.isoformat(): decimal_text(rate.percent) for rate in each.rates
                },
            )
            for each in area.components
        ),
    )


def overrun_out(_: Service, preset: OverrunPreset) -> OverrunPresetOut:
    """Return an overrun preset's wire struct."""

    def amount(figure: Figure | None) -> Amount | None:
        # The catalogue's check ensures that amounts have a currency.
        if figure is None or preset.currency is None:
            return None
        return amount_of(Money.of(figure, preset.currency))

    return shaped(
        OverrunPresetOut,
        preset,
        fixed=amount(preset.fixed),
        at_most=amount(preset.at_most),
        over_total=amount(preset.over_total),
    )


def shop_out(service: Service) -> ShopRecordOut:
    """Return the shop's wire struct."""
    shop = service.workshop.shop
    return shaped(
        ShopRecordOut,
        shop,
        prices_include_tax=shop.selling_prices_include_tax,
        labour_rates={name: decimal_text(rate) for name, rate in shop.labour.rates.items()},
        quote_valid_days=shop.quote.valid_days,
        catalogue_revision=service.revision,
    )


def _listing(
    path: str,
    noun: str,
    names: tuple[str | None, str | None],
    find: Callable[[Catalogue], Mapping[Any, Any]],
    out: Callable[[Service, Any], Any],
    *,
    key: str = "id",
) -> Listing:
    """Return the listing of a kind of records, with the ids of its operations; None for no
    operation.
    """
    every, one = names
    shape: Any = get_type_hints(out)["return"]
    common: dict[str, Any] = {"method": "get", "tag": "catalogue", "is_tagged": True}
    return Listing(
        noun=noun,
        records=lambda service: find(service.workshop.catalogue),
        out=out,
        every=None
        if every is None
        else Operation(
            **common,
            path=f"/v1/{path}",
            id=every,
            summary=f"All {path.replace('-', ' ')}",
            description=f"Every {noun} of the catalogue. {_CHANGES}",
            answers=ListOut[shape],
        ),
        one=None
        if one is None
        else Operation(
            **common,
            path=f"/v1/{path}/{{{key}}}",
            id=one,
            summary=f"One {noun}",
            description=f"One {noun} of the catalogue. {_CHANGES}",
            answers=shape,
            variables={key: f"Which {noun}, by its {key}."},
        ),
    )


LISTINGS: Final = (
    _listing(
        "families",
        "engine family",
        ("listFamilies", "getFamily"),
        lambda catalogue: catalogue.families,
        family_out,
    ),
    _listing(
        "chassis",
        "chassis",
        ("listChassis", "getChassis"),
        lambda catalogue: catalogue.chassis,
        chassis_out,
    ),
    _listing(
        "diagnoses",
        "diagnosis",
        ("listDiagnoses", "getDiagnosis"),
        lambda catalogue: catalogue.diagnoses,
        diagnosis_out,
        key="code",
    ),
    _listing("jobs", "job", ("listJobs", "getJob"), lambda catalogue: catalogue.jobs, job_out),
    _listing(
        "parts",
        "part, set or consumable",
        (None, "getPart"),
        lambda catalogue: {**catalogue.parts, **catalogue.sets, **catalogue.consumables},
        part_out,
        key="number",
    ),
    _listing(
        "tax-areas",
        "tax area",
        ("listTaxAreas", None),
        lambda catalogue: catalogue.tax_areas,
        tax_area_out,
    ),
    _listing(
        "overrun-presets",
        "overrun preset",
        ("listOverrunPresets", "getOverrunPreset"),
        lambda catalogue: catalogue.overruns,
        overrun_out,
    ),
)
"""The listings of the catalogue's records."""

SHOP: Final = Operation(
    method="get",
    path="/v1/shop",
    id="getShop",
    tag="catalogue",
    summary="The shop",
    description=f"The shop that this service quotes for. {_CHANGES}",
    answers=ShopRecordOut,
    is_tagged=True,
)

HANDLERS: Final = (
    *(handler for listing in LISTINGS for handler in listing.handlers()),
    fixed(SHOP, lambda state: Reply(body=shop_out(state.desk.service))),
)
