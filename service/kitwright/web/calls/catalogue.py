"""Catalogue: the calls that list catalogue records, and the shop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from operator import attrgetter
from typing import Any, Final

from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    Contingency,
    Diagnosis,
    Family,
    Fitment,
    ItemId,
    Job,
    JobRef,
    OverrunPreset,
    Part,
    TaxArea,
)
from kitwright.money import Money
from kitwright.quote import Amount, Count, DecimalText, amount_of
from kitwright.stages.supply import current_number
from kitwright.units import decimal_text
from kitwright.web.calls.listing import Listing, fixed
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import ListOut, Out, as_shown, extended, shown
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.reply import Reply

_CHANGES: Final = "Changes only with the catalogue."


class FamilyOut(Family, frozen=True, kw_only=True):
    """An engine family, and the chassis that carry it."""

    chassis: tuple[str, ...]


class ChassisOut(Chassis, frozen=True, kw_only=True):
    """A chassis and the families that it carries. In requests, `loose` means an engine without a
    chassis; it is not listed here.
    """

    families: tuple[str, ...]


class JobContingencyOut(Contingency, frozen=True, kw_only=True):
    """A fault that teardown may show in a job: its probability, the probability under any one
    condition, and the jobs and roles that it adds.
    """

    name: str
    plain: str
    jobs: tuple[JobRef, ...]
    roles: tuple[str, ...]


class JobRecordOut(Job, frozen=True, kw_only=True):
    """A sellable job: the components to remove, the parts it replaces, its contents and its
    contingencies.
    """

    contingencies: tuple[JobContingencyOut, ...]


class FitsOut(Fitment, frozen=True, kw_only=True):
    """Where a part fits; `serial_from` and `serial_to` are inclusive. No cylinders means the
    engine.
    """

    family: str


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


def _family(service: Service, family: Family) -> FamilyOut:
    chassis = service.workshop.catalogue.chassis.values()
    carriers = (one.id for one in chassis if family.layout in one.layouts)
    return extended(FamilyOut, family, chassis=tuple(sorted(carriers)))


def _chassis(service: Service, chassis: Chassis) -> ChassisOut:
    families = service.workshop.catalogue.families.values()
    carried = (one.id for one in families if one.layout in chassis.layouts)
    return extended(ChassisOut, chassis, families=tuple(sorted(carried)))


def _job(service: Service, job: Job) -> JobRecordOut:
    kinds = service.workshop.catalogue.contingencies
    contingencies = tuple(
        extended(
            JobContingencyOut,
            row,
            name=kinds[row.id].name,
            plain=kinds[row.id].plain,
            jobs=tuple(
                JobRef(job=each.job, cylinders=each.cylinders)
                for each in row.add
                if each.job is not None
            ),
            roles=tuple(each.role for each in row.add if each.role is not None),
        )
        for row in job.contingency
    )
    return extended(JobRecordOut, job, contingencies=contingencies)


def _part(service: Service, item: Any) -> PartOut:
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
            extended(FitsOut, row, family=family)
            for family, rows in catalogue.fitments.items()
            for row in rows
            if row.part == item.id
        ),
    )


def shop_out(service: Service) -> ShopRecordOut:
    """Return the shop's wire struct."""
    shop = service.workshop.shop
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
        catalogue_revision=service.revision,
    )


def _listing(
    path: str,
    noun: str,
    record: type,
    shape: Any = None,
    out: Callable[[Service, Any], Any] = lambda _, record: record,
    *,
    key: str = "id",
    find: Callable[[Catalogue], Mapping[Any, Any]] | None = None,
    has: tuple[str, ...] = ("every", "one"),
) -> Listing:
    """Return the listing of a kind of records.

    Args:
        path: of all records, below `/v1`; also the catalogue's name for them, unless `find` returns
            them.
        noun: the kind, in words.
        record: the class of the records.
        shape: the class that they are answered as, by `out`; by default `record`.
        key: the variable that one record is found by.
        has: which calls there are: for `every` record, for `one`.
    """
    title, answered = path.title().replace("-", ""), shape or record
    common: dict[str, Any] = {"method": "get", "tag": "catalogue", "is_tagged": True}
    every = Operation(
        **common,
        path=f"/v1/{path}",
        id=f"list{title}",
        summary=f"All {path.replace('-', ' ')}",
        description=f"Every {noun} of the catalogue. {_CHANGES}",
        answers=shown(ListOut[answered])[0],  # type: ignore[valid-type]  # known at run time
    )
    one = Operation(
        **common,
        path=f"/v1/{path}/{{{key}}}",
        id=f"get{record.__name__}",
        summary=f"One {noun}",
        description=f"One {noun} of the catalogue. {_CHANGES}",
        answers=shown(answered)[0],
        variables={key: f"Which {noun}, by its {key}."},
    )
    return Listing(
        noun=noun,
        records=lambda service: (find or attrgetter(path.replace("-", "_")))(
            service.workshop.catalogue
        ),
        out=lambda service, record: as_shown(out(service, record)),
        every=every if "every" in has else None,
        one=one if "one" in has else None,
    )


LISTINGS: Final = (
    _listing("families", "engine family", Family, FamilyOut, _family),
    _listing("chassis", "chassis", Chassis, ChassisOut, _chassis),
    _listing("diagnoses", "diagnosis", Diagnosis, key="code"),
    _listing("jobs", "job", Job, JobRecordOut, _job),
    _listing(
        "parts",
        "part, set or consumable",
        Part,
        PartOut,
        _part,
        key="number",
        find=lambda catalogue: {**catalogue.parts, **catalogue.sets, **catalogue.consumables},
        has=("one",),
    ),
    _listing("tax-areas", "tax area", TaxArea, has=("every",)),
    _listing("overrun-presets", "overrun preset", OverrunPreset, find=lambda known: known.overruns),
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
