"""Areas: checks that tax areas define the tax of every kind of charge."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from kitwright.catalogue.checks.records import area_file, problem
from kitwright.catalogue.model import ChargeKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue, TaxArea, TaxComponent
    from kitwright.catalogue.problems import Problem


def check_areas(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield errors of tax areas."""
    for area in catalogue.tax_areas.values():
        yield from _kinds(area)
        if area.retention_years is not None and not 0 < area.retention_years <= 50:
            message = f"{area.retention_years} is not from 1 to 50"
            yield problem(area_file(area.id), "", "retention-out-of-range", message)
        if area.advance_invoices and not area.is_vat:
            message = "only for a value added tax (is_vat): its tax is due with the advance"
            yield problem(area_file(area.id), "", "advance-invoices-idle", message)
        for index, component in enumerate(area.components):
            yield from _component(area_file(area.id), component, is_first=index == 0)


def _kinds(area: TaxArea) -> Iterator[Problem]:
    file = area_file(area.id)
    taxed = {kind for row in area.components for kind in row.applies_to}
    untaxed = set(area.untaxed)
    for kind in ChargeKind:
        if kind is ChargeKind.discount:
            if kind in taxed | untaxed:
                message = (
                    "a discount is not taxed by itself: its tax follows the lines that it reduces"
                )
                yield problem(file, "", "discount-taxed", message)
        elif kind not in taxed and kind not in untaxed:
            message = f"{kind} is neither in untaxed nor in an applies_to"
            yield problem(file, "", "kind-unsettled", message)
        elif kind in taxed and kind in untaxed:
            message = f"{kind} is both taxed and untaxed"
            yield problem(file, "", "kind-contradicted", message)
    for kind in () if area.exemption is None else area.exemption.kinds:
        if kind not in taxed:
            message = f"the exemption covers {kind}, which is not taxed"
            yield problem(file, "exemption", "exemption-idle", message)


def _component(file: str, row: TaxComponent, *, is_first: bool) -> Iterator[Problem]:
    label = f"components {row.id}"
    if not row.rates:
        yield problem(file, label, "rate-missing", "a component needs at least one rate")
    if any(a.valid_from >= b.valid_from for a, b in pairwise(row.rates)):
        yield problem(
            file, label, "rates-not-ascending", "rates must be in ascending order of valid_from"
        )
    if row.compounds and is_first:
        message = "compounds, but no component comes before it"
        yield problem(file, label, "compounds-on-nothing", message)
