"""Gaps: where the catalogue lacks what a quote needs, the caller learns what, and it is no bug."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.desks import client_alone
from tests.web.problem import sound_problem

from kitwright.catalogue.model import Catalogue, JobId, PriceRule, Shop
from kitwright.units import Figure
from kitwright.web.calls.service import Service
from kitwright.web.description.codes import leaves
from kitwright.web.edge.problems import GAPS
from kitwright.workshop import Workshop

Broken = tuple[Catalogue, Shop]


def nothing_fits(catalogue: Catalogue, shop: Shop) -> Broken:
    kept = {
        family: tuple(row for row in rows if row.role != "head_gasket")
        for family, rows in catalogue.fitments.items()
    }
    return structs.replace(catalogue, fitments=kept), shop


def no_list_price(catalogue: Catalogue, shop: Shop) -> Broken:
    parts = {key: structs.replace(part, list_price={}) for key, part in catalogue.parts.items()}
    sets = {key: structs.replace(each, list_price={}) for key, each in catalogue.sets.items()}
    by_list = structs.replace(shop.parts_price, rule=PriceRule.list)
    return (
        structs.replace(catalogue, parts=parts, sets=sets),
        structs.replace(shop, parts_price=by_list),
    )


def cost_beyond_bands(catalogue: Catalogue, shop: Shop) -> Broken:
    (first, *_) = shop.parts_price.bands
    narrow = structs.replace(
        shop.parts_price,
        rule=PriceRule.markup,
        bands=(structs.replace(first, up_to=Figure("0.01")),),
    )
    return catalogue, structs.replace(shop, parts_price=narrow)


def tax_kind_not_placed(catalogue: Catalogue, shop: Shop) -> Broken:
    areas = {key: structs.replace(area, untaxed=()) for key, area in catalogue.tax_areas.items()}
    return structs.replace(catalogue, tax_areas=areas), shop


def tax_rate_negative(catalogue: Catalogue, shop: Shop) -> Broken:
    def turned(area: Any) -> Any:
        components = tuple(
            structs.replace(
                each,
                rates=tuple(structs.replace(rate, percent=Figure("-1")) for rate in each.rates),
            )
            for each in area.components
        )
        return structs.replace(area, components=components)

    areas = {key: turned(area) for key, area in catalogue.tax_areas.items()}
    return structs.replace(catalogue, tax_areas=areas), shop


BROKEN: dict[str, Callable[[Catalogue, Shop], Broken]] = {
    "nothing-fits": nothing_fits,
    "no-list-price": no_list_price,
    "cost-beyond-bands": cost_beyond_bands,
    "tax-kind-unassigned": tax_kind_not_placed,
    "tax-rate-negative": tax_rate_negative,
}
# Gaps that a request can't be led into.
NOT_MET = {
    "tax-rate-not-yet-valid": "a day before the rates is refused as before-tax",
    "reference-unresolved": "jobs on parts that an engine lacks are refused as job-does-not-fit",
    "unreachable": "a catalogue with such a graph is not served",
}


@pytest.mark.parametrize("code", BROKEN)
def test_gap_in_the_catalogue_is_named(
    service: Service, leaking_valve: dict[str, Any], tmp_path: Path, code: str
) -> None:
    workshop = Workshop(*BROKEN[code](service.workshop.catalogue, service.workshop.shop))
    lacking = Service(workshop, lambda: date(2027, 3, 1))

    with client_alone(lacking, tmp_path) as client:
        told = sound_problem(client.post("/v1/quotes/preview", json=leaking_valve))

    assert told["code"] == "catalogue-gap"
    assert [each["code"] for each in told["errors"]] == [code]


def test_every_gap_is_met() -> None:
    assert {leaf.code for leaf in leaves(GAPS)} == BROKEN.keys() | NOT_MET.keys()


def test_job_on_parts_an_engine_lacks_does_not_fit(service: Service, tmp_path: Path) -> None:
    catalogue = service.workshop.catalogue
    job = structs.replace(catalogue.jobs[JobId("J-HEAD-GASKET")], access=("fuel_tank",))
    strange = structs.replace(catalogue, jobs={**catalogue.jobs, job.id: job})
    lacking = Service(Workshop(strange, service.workshop.shop), lambda: date(2027, 3, 1))

    with client_alone(lacking, tmp_path) as client:
        asked = {"family": "TB-V68", "jobs": [{"job": job.id, "cylinder": 1}]}
        told = sound_problem(
            client.post("/v1/quotes/preview", json=asked), json.dumps(asked).encode()
        )

    assert [(each["pointer"], each["code"]) for each in told["errors"]] == [
        ("/jobs/0/job", "job-does-not-fit")
    ]
