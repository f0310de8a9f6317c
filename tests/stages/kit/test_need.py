"""What the jobs and the refit of a V68 need, with the starter's layout and fitments."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest
from tests.stages.workbench import (
    BOTH_HEADS,
    HEAD,
    HIRE_YARD,
    LATE_V68,
    job,
    quote,
    starter,
    with_job,
)

from kitwright.catalogue.model import ItemId, Quality, RoleId
from kitwright.stages.kit import Need, NeedKind, with_floors
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import AskedJob, FloorChange, Terms


def needs(*jobs: AskedJob, serial: int | None = LATE_V68, terms: Terms | None = None) -> Outcome:
    return quote(starter(), jobs=jobs, serial=serial, terms=terms or Terms())


def of(told: Outcome, role: str) -> Iterator[Need]:
    return (need for need in told.repair.kit.needs if need.role == role)


def test_list_needs_names_a_role_once_that_a_job_replaces_and_a_refit_renews() -> None:
    # taking the head off renews its gasket, and the job replaces it
    (gasket,) = of(needs(HEAD), "head_gasket")

    assert gasket.kind is NeedKind.replaced
    assert {why.code for why in gasket.why} >= {"replaced-by-job", "renewed-by-refit"}
    assert (gasket.cylinder, gasket.item) == (1, "V68-G-103")


def test_list_needs_renews_what_a_refit_does_without_any_job_on_it() -> None:
    (cover,) = of(needs(HEAD), "rocker_cover_gasket")

    assert cover.kind is NeedKind.renewed
    assert cover.cylinder == 1


def test_list_needs_counts_a_joint_of_two_jobs_once() -> None:
    one = [(need.cylinder, need.quantity) for need in of(needs(HEAD), "intake_gasket")]
    both = [(need.cylinder, need.quantity) for need in of(needs(*BOTH_HEADS), "intake_gasket")]

    assert one == both
    assert one == [(1, Decimal(1)), (2, Decimal(1))]


def test_list_needs_uses_up_once_what_shared_work_uses() -> None:
    # both valves of one cylinder are lapped with 3 g of paste in all
    told = needs(job("J-VALVE-IN", 1), job("J-VALVE-EX", 1))

    (paste,) = [need for need in told.repair.kit.needs if need.item == "CS-LAPPASTE"]
    assert (paste.kind, paste.quantity, paste.unit) == (NeedKind.used, Decimal(3), "g")


def test_list_needs_uses_up_for_each_head_what_its_refit_uses() -> None:
    told = needs(*BOTH_HEADS)

    used = [
        (need.cylinder, need.quantity)
        for need in told.repair.kit.needs
        if need.item == "CS-CLEANER"
    ]
    assert used == [(1, Decimal("0.20")), (2, Decimal("0.20"))]


def test_list_needs_adds_up_what_one_piece_of_work_uses_twice() -> None:
    carb = starter().jobs[job("J-CARB").job]
    first, *rest = carb.work
    twice = type(first)(
        id=first.id,
        minutes=first.minutes,
        labour_class=first.labour_class,
        uses=(*first.uses, *first.uses),
    )
    told = quote(with_job(starter(), "J-CARB", work=(twice, *rest)), jobs=(job("J-CARB"),))

    (cleaner,) = [need for need in told.repair.kit.needs if need.item == "CS-CARBCLEAN"]
    assert cleaner.quantity == 1


@pytest.mark.parametrize("machines", [1, 2, 5])
def test_list_needs_multiplies_every_quantity_by_the_machines(machines: int) -> None:
    one = needs(HEAD).repair.kit.needs
    all_of_them = needs(HEAD, terms=Terms(machines=machines)).repair.kit.needs

    assert [(need.role, need.cylinder) for need in one] == [
        (need.role, need.cylinder) for need in all_of_them
    ]
    assert [need.quantity * machines for need in one] == [need.quantity for need in all_of_them]


def test_list_needs_asks_for_the_plate_where_parts_differ_over_the_serials() -> None:
    (known, _) = of(needs(HEAD), "intake_gasket")
    (open_one, _) = of(needs(HEAD, serial=None), "intake_gasket")

    assert not known.is_question
    assert open_one.is_question
    # the dearer is priced
    assert set(open_one.options) == {ItemId("V68-G-120"), ItemId("V68-G-121")}
    prices = {item: starter().parts[item].list_price for item in open_one.options}
    assert prices[open_one.item] == max(prices.values(), key=lambda each: each["usd"])  # type: ignore[index]


def test_list_needs_orders_roles_before_what_work_uses() -> None:
    found = needs(*BOTH_HEADS).repair.kit.needs

    kinds = [need.kind is NeedKind.used for need in found]
    assert kinds == sorted(kinds)
    roles = [(need.role, need.cylinder or 0) for need in found if need.kind is not NeedKind.used]
    assert roles == sorted(roles)


def test_with_floors_changes_only_the_named_role_of_this_quote() -> None:
    change = FloorChange(role=RoleId("head_gasket"), quality=Quality.alternate, reason="r", by="b")
    told = needs(HEAD, terms=Terms(floors=(change,)))
    shop = starter().shops[HIRE_YARD]

    changed = with_floors(shop, told.request)
    assert changed.quality_floor == {
        **shop.quality_floor,
        RoleId("head_gasket"): Quality.alternate,
    }
    assert shop.quality_floor[RoleId("head_gasket")] is Quality.maker
    (gasket,) = of(told, "head_gasket")
    assert gasket.floor is Quality.alternate
    assert gasket.why[-1].code == "floor-changed"


def test_with_floors_leaves_a_shop_without_changes_as_it_is() -> None:
    told = needs(HEAD)
    shop = starter().shops[HIRE_YARD]

    assert with_floors(shop, told.request) is shop
