"""What a contingency is said to cost is what its change order costs, if nothing else changed: of
every job, family and chassis, in both shops.
"""

import os
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from tests.desks import DAY, client_of, open_counter
from tests.stages.workbench import starter
from tests.web.calls.conftest import Staff

from kitwright.app import make_app, make_service
from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import LOOSE, JobScope
from kitwright.keeping.store import Records
from kitwright.quote import read_quote
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.placing import awaited_places

IS_LONG = os.environ.get("KITWRIGHT_LONG") == "1"
EVERY = 1 if IS_LONG else 97
SHOPS = ("hire-yard", "orchard")
SUPPLIES = ("ordered", "here", "second")
"""What of the agreed parts: all is ordered; it is here; it is here after a second order, for a find
that was agreed to.
"""
FOUND = {"what": "Seen with the head off.", "why": "It would not seal.", "by": "R. Okafor"}


class Repair(NamedTuple):
    family: str
    chassis: str | None
    job: str
    cylinder: int | None


def repairs() -> Iterator[Repair]:
    catalogue = starter()
    for family in catalogue.families.values():
        carriers = [one.id for one in catalogue.chassis.values() if family.layout in one.layouts]
        for chassis, job in product((None, LOOSE, *carriers), catalogue.jobs.values()):
            if job_fits(catalogue, family, job):
                of_one = job.scope is JobScope.cylinder
                for cylinder in range(1, family.cylinders + 1) if of_one else (None,):
                    yield Repair(family.id, chassis, job.id, cylinder)


@pytest.fixture(params=SHOPS)
def keeper(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of each shop."""
    service = make_service(Settings(catalog=built_in_catalog(), shop=request.param), lambda: DAY)
    with (
        open_counter(service, tmp_path) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        yield Staff(counter, client)


@pytest.mark.parametrize("supply", SUPPLIES)
def test_change_order_costs_what_was_told(keeper: Staff, supply: str) -> None:
    met = Counter[str]()
    start = SUPPLIES.index(supply) * 7 % EVERY
    for repair in list(repairs())[start::EVERY]:
        asked = {"family": repair.family, "chassis": repair.chassis}
        jobs = [{"job": repair.job, "cylinder": repair.cylinder}]
        id = keeper.accepted(**asked, jobs=jobs, diagnoses=[], serial=None)  # noqa: A001
        supplied(keeper, id, 1, is_here=supply != "ordered")
        revision = agree_to_a_find(keeper, id) if supply == "second" else 1
        compare(keeper, id, revision, repair, met)
    assert met["compared"] > 5, met


@pytest.mark.parametrize("is_first_here", [True, False])
def test_all_that_a_change_needs_is_reserved_once_it_is_here(
    keeper: Staff, *, is_first_here: bool
) -> None:
    for repair in list(repairs())[3::EVERY]:
        asked = {"family": repair.family, "chassis": repair.chassis}
        jobs = [{"job": repair.job, "cylinder": repair.cylinder}]
        id = keeper.accepted(**asked, jobs=jobs, diagnoses=[], serial=None)  # noqa: A001
        supplied(keeper, id, 1, is_here=is_first_here)
        agree_to_a_find(keeper, id)
        for order in keeper.get("/v1/orders", quote=id)["items"]:
            keeper.delivered(order["id"])
        agreed = read_quote(keeper.counter.store.read(partial(agreed_answer, number=int(id[1:]))))

        awaited = keeper.counter.store.read(
            partial(awaited_places, quote=int(id[1:]), kit=agreed.kit)
        )
        # a pack that a supplier sold for the first job may hold what the second one needs
        assert not awaited, (repair, awaited)


def agreed_answer(records: Records, number: int) -> bytes:
    quote = records.quotes.get(number)
    assert quote is not None
    revision = records.revisions.get(number, quote.agreed or 0)
    assert revision is not None
    return revision.answer


def supplied(keeper: Staff, id: str, revision: int, *, is_here: bool) -> None:  # noqa: A002
    """Order the parts of a revision, and have them delivered."""
    ask = {"revisions": [{"quote": id, "revision": revision}]}
    if not keeper.post("/v1/orders", ask).is_success:
        # some of it is ordered specially, once it is paid
        due = keeper.get(f"/v1/quotes/{id}")["gross"]["amount"]
        paid = {"amount": due, "means": "cash", "by": "Owner"}
        keeper.done(f"/v1/quotes/{id}/payments", paid, keeper.tag(id))
        keeper.done("/v1/orders", ask)
    for order in keeper.get("/v1/orders", quote=id)["items"] if is_here else ():
        keeper.delivered(order["id"])


def agree_to_a_find(keeper: Staff, id: str) -> int:  # noqa: A002
    """Have the first find that needs parts agreed to and supplied; return the agreed revision."""
    listed = keeper.get(f"/v1/quotes/{id}")["quote"]["contingencies"]["each"]
    row = next((one for one in listed if one["parts"] and one["after"] is None), None)
    if row is None:
        return 1
    made = find(keeper, id, row)
    yes = {"revision": made["revision"], "who": "A. Customer", "means": "telephone"}
    keeper.act(id, "accept", yes)
    supplied(keeper, id, made["revision"], is_here=True)
    return int(made["revision"])


def find(keeper: Staff, id: str, row: Any, *, is_trial: bool = False) -> Any:  # noqa: A002
    place = {name: row[name] for name in ("contingency", "cylinder")}
    body = {"contingency": place, "trial": is_trial, **FOUND}
    return keeper.done(f"/v1/quotes/{id}/found", body, keeper.tag(id)).json()


def compare(
    keeper: Staff,
    id: str,  # noqa: A002
    revision: int,
    repair: Repair,
    met: Counter[str],
) -> None:
    """Compare what each contingency of a revision is said to cost with its change order."""
    quote = keeper.get(f"/v1/quotes/{id}/revisions/{revision}")["quote"]
    rows = {(row["contingency"], row["cylinder"]): row for row in quote["contingencies"]["each"]}
    for name, row in rows.items():
        told = Decimal(0)
        under: Any = row
        while under is not None:
            told += Decimal(under["price"]["amount"])
            under = rows.get((under["after"], under["after_cylinder"]))
        change = find(keeper, id, row, is_trial=True)["change"]
        found = Decimal(change["difference"]["amount"]), Decimal(change["by_prices"]["amount"])
        assert found == (told, Decimal(0)), (repair, name)
        met["compared"] += 1
