"""The starter catalogue, ways to change one thing about it, and quotes of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import structs

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import (
    LOOSE,
    Catalogue,
    FamilyId,
    Fitment,
    ItemId,
    JobId,
    Offer,
    PriceListId,
    Quality,
    RoleId,
    ShopId,
    StockRow,
    Supplier,
    SupplierId,
)
from kitwright.flow import quote_repair
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import Asked, AskedJob
from kitwright.units import Figure, read_figure
from kitwright.workshop import Workshop

MONDAY = date(2027, 3, 1)
HIRE_YARD = ShopId("hire-yard")
ORCHARD = ShopId("orchard")
V68 = FamilyId("TB-V68")
LATE_V68 = 3200000
"""A serial of the V68 after its last break."""


@cache
def starter() -> Catalogue:
    """Return the starter catalogue."""
    return load_catalogue(Path(__file__).resolve().parents[2] / "catalog")


def figure(text: str) -> Figure:
    return read_figure(text)


def job(name: str, cylinder: int | None = None) -> AskedJob:
    return AskedJob(JobId(name), cylinder)


HEAD = job("J-HEAD-GASKET", 1)
BOTH_HEADS = (HEAD, job("J-HEAD-GASKET", 2))


def quote(catalogue: Catalogue, shop: ShopId = HIRE_YARD, /, **asked: Any) -> Outcome:
    """Return the quote of a loose V68 with a late serial on a Monday, unless something else is
    asked.
    """
    given = {"family": V68, "serial": LATE_V68, "chassis": LOOSE, "on": MONDAY, **asked}
    return quote_repair(Workshop(catalogue, catalogue.shops[shop]), Asked(**given))


def with_shop(catalogue: Catalogue, shop: ShopId = HIRE_YARD, /, **changes: Any) -> Catalogue:
    changed = structs.replace(catalogue.shops[shop], **changes)
    return structs.replace(catalogue, shops={**catalogue.shops, shop: changed})


def with_supplier(catalogue: Catalogue, name: str, **changes: Any) -> Catalogue:
    changed = structs.replace(catalogue.suppliers[SupplierId(name)], **changes)
    return structs.replace(catalogue, suppliers={**catalogue.suppliers, changed.id: changed})


def without_charges(catalogue: Catalogue) -> Catalogue:
    """Return the catalogue with suppliers that charge for goods alone."""
    nothing = figure("0.00")
    suppliers = {
        each.id: structs.replace(
            each,
            freight=nothing,
            small_order_fee=nothing,
            hazmat_fee=nothing,
            offer=tuple(structs.replace(one, freight=None) for one in each.offer),
        )
        for each in catalogue.suppliers.values()
    }
    return structs.replace(catalogue, suppliers=suppliers)


def with_suppliers(catalogue: Catalogue, *suppliers: Supplier) -> Catalogue:
    """Return the catalogue with these suppliers alone."""
    return structs.replace(catalogue, suppliers={each.id: each for each in suppliers})


def supplier(name: str, *offers: Offer, lead_days: int = 2, **changes: Any) -> Supplier:
    """Return a supplier in USD of these offers, without any fee or freight."""
    nothing = figure("0")
    plain = structs.replace(
        starter().suppliers[SupplierId("ALDQ")],
        id=SupplierId(name),
        name=name,
        lead_days=lead_days,
        freight=nothing,
        free_freight_from=None,
        minimum_order=nothing,
        small_order_fee=nothing,
        hazmat_fee=nothing,
        makers=(),
        price_list=None,
        default_cost_percent=None,
        offer=offers,
    )
    return structs.replace(plain, **changes)


def offer(item: str, cost: str, quality: Quality = Quality.maker, **changes: Any) -> Offer:
    """Return an offer of single pieces, its stock unknown."""
    plain = Offer(
        item=ItemId(item), sku=f"S-{item}", brand="Brand", quality=quality, cost=figure(cost)
    )
    return structs.replace(plain, **changes)


def everything(catalogue: Catalogue, cost: str = "5.00") -> tuple[Offer, ...]:
    """Return an offer of every current part and every consumable, sets left out."""
    parts = [each.id for each in catalogue.parts.values() if each.superseded_by is None]
    return tuple(offer(item, cost) for item in (*parts, *catalogue.consumables))


def with_part(
    catalogue: Catalogue, name: str, like: str | None = None, **changes: Any
) -> Catalogue:
    """Return the catalogue with a part changed, or added in the likeness of another."""
    item = ItemId(name)
    changed = structs.replace(catalogue.parts[ItemId(like or name)], id=item, **changes)
    return structs.replace(catalogue, parts={**catalogue.parts, item: changed})


def with_set(catalogue: Catalogue, name: str, **changes: Any) -> Catalogue:
    changed = structs.replace(catalogue.sets[ItemId(name)], **changes)
    return structs.replace(catalogue, sets={**catalogue.sets, changed.id: changed})


def with_job(catalogue: Catalogue, name: str, **changes: Any) -> Catalogue:
    changed = structs.replace(catalogue.jobs[JobId(name)], **changes)
    return structs.replace(catalogue, jobs={**catalogue.jobs, changed.id: changed})


def with_role(
    catalogue: Catalogue, role: str, change: Callable[[Fitment], Iterable[Fitment]]
) -> Catalogue:
    """Return the catalogue with other rows for each row of a role of the V68."""
    rows: list[Fitment] = []
    for row in catalogue.fitments[V68]:
        rows += change(row) if row.role == RoleId(role) else (row,)
    return structs.replace(catalogue, fitments={**catalogue.fitments, V68: tuple(rows)})


def stocked(catalogue: Catalogue, *rows: StockRow, shop: ShopId = HIRE_YARD) -> Catalogue:
    """Return the catalogue with these rows alone on a shop's shelves."""
    return with_shop(catalogue, shop, stock=rows)


def on_shelf(
    item: str, on_hand: int, cost: str = "1.00", quality: Quality = Quality.maker, **changes: Any
) -> StockRow:
    plain = StockRow(
        item=ItemId(item), on_hand=on_hand, bin="A1", cost=figure(cost), quality=quality
    )
    return structs.replace(plain, **changes)


def listed(usd: str, eur: str = "9.00") -> dict[PriceListId, Figure]:
    return {PriceListId("usd"): figure(usd), PriceListId("eur-vat"): figure(eur)}


def of_family(catalogue: Catalogue, family: FamilyId = V68, shop: ShopId = HIRE_YARD) -> Catalogue:
    """Return the catalogue with one family and one shop, which is quicker to prove."""
    return structs.replace(
        catalogue,
        families={family: catalogue.families[family]},
        shops={shop: catalogue.shops[shop]},
    )
