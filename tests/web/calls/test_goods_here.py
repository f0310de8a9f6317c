"""Goods that never came are not billed without a word, however the work ends."""

import re
from decimal import Decimal
from typing import Any

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.test_stop import BLOCK, plan_of, statement

GOODS = ("part", "set", "consumable")


def in_work(staff: Staff, **members: Any) -> tuple[str, list[str]]:
    """Return a quote whose work was started before its goods came, and its orders."""
    id = staff.accepted(**members)  # noqa: A001
    asked = {"revisions": [{"quote": id, "revision": 1}]}
    orders = [one["id"] for one in staff.done("/v1/orders", asked).json()["items"]]
    staff.act(id, "start")
    return id, orders


def refused(staff: Staff, id: str, act: str, body: Any = None) -> str:  # noqa: A002
    told = staff.refused(f"/v1/quotes/{id}/{act}", body, staff.tag(id))
    assert told["status"] == 409
    (error,) = told["errors"]
    assert error["code"] == "goods-not-here"
    return str(error["detail"])


def acts(staff: Staff, id: str) -> list[str]:  # noqa: A002
    return list(staff.get(f"/v1/quotes/{id}")["acts"])


def goods_of(staff: Staff, id: str) -> dict[int, Any]:  # noqa: A002
    """Return the lines of goods that are bought, by their places."""
    lines = staff.get(f"/v1/quotes/{id}")["quote"]["lines"]
    return {
        at: line
        for at, line in enumerate(lines, start=1)
        if line["kind"] in GOODS and line["sources"] != ["stock"]
    }


def test_finish_names_goods_that_never_came(staff: Staff) -> None:
    id, orders = in_work(staff)  # noqa: A001
    assert "finish" not in acts(staff, id)

    detail = refused(staff, id, "finish")

    for place, line in goods_of(staff, id).items():
        assert f"line {place}, {line['code']}" in detail
        assert f"{line['quantity']} billed, 0 here" in detail
    assert all(order in detail for order in orders)
    assert staff.client.get(f"/v1/quotes/{id}/statement").status_code == 409


def test_finish_goes_on_once_all_deliveries_are_booked(staff: Staff) -> None:
    id, orders = in_work(staff)  # noqa: A001
    for order in orders[:-1]:
        staff.delivered(order)
        assert "finish" not in acts(staff, id)
    detail = refused(staff, id, "finish")
    assert orders[-1] in detail
    assert not any(order in detail for order in orders[:-1])

    staff.delivered(orders[-1])

    assert "finish" in acts(staff, id)
    staff.act(id, "finish")


def test_finish_counts_what_came_of_a_line_once(staff: Staff) -> None:
    id, orders = in_work(staff)  # noqa: A001
    order, line = next(
        (order, line)
        for order in orders
        for line in staff.get(f"/v1/orders/{order}")["lines"]
        if line["due"] > 1
    )
    path = f"/v1/orders/{order}"
    staff.done(
        f"{path}/send",
        {"means": "telephone", "without_advance": "Known.", "by": "Owner"},
        staff.order_tag(order),
    )
    part = {"lines": [{"line": line["line"], "packs": line["due"] - 1}], "by": "Owner"}
    staff.done(f"{path}/receipts", part, staff.order_tag(order))
    for each in orders:
        if each != order:
            staff.delivered(each)
    others = [
        {"line": one["line"], "packs": one["due"]}
        for one in staff.get(path)["lines"]
        if one["due"] and one["line"] != line["line"]
    ]
    if others:
        staff.done(f"{path}/receipts", {"lines": others, "by": "Owner"}, staff.order_tag(order))

    detail = refused(staff, id, "finish")

    ((billed, here),) = re.findall(r"([0-9]+) billed, ([0-9]+) here", detail)
    assert 0 < int(here) < int(billed)


def test_what_never_came_is_not_put_on_the_shelf(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    told = [
        {"line": at, "used": "0", "to_shelf": line["quantity"]}
        for at, line in goods_of(staff, id).items()
    ]

    detail = refused(staff, id, "finish", {"goods": told})

    for line in goods_of(staff, id).values():
        assert f"0 billed, {line['quantity']} put on the shelf, 0 here" in detail


def test_naming_one_line_does_not_let_the_others_through(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    (place, line), *others = goods_of(staff, id).items()
    assert others
    dealt = {"line": place, "used": "0", "not_arrived": line["quantity"]}

    detail = refused(staff, id, "finish", {"goods": [dealt]})

    assert f"line {place}," not in detail
    assert all(f"line {at}," in detail for at, _ in others)


def test_what_did_not_arrive_is_not_billed(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    goods = goods_of(staff, id)
    told = [
        {"line": at, "used": "0", "not_arrived": line["quantity"]} for at, line in goods.items()
    ]

    staff.act(id, "finish", {"goods": told})

    lines = statement(staff, id)["lines"]
    for at, line in goods.items():
        billed = lines[at - 1]
        assert (billed["quantity"], billed["not_arrived"]) == ("0", line["quantity"])
        assert Decimal(billed["amount"]["amount"]) == 0


def test_goods_are_billed_unbooked_with_a_reason_in_the_statement(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    goods = goods_of(staff, id)

    staff.act(id, "finish", {"unbooked": "Taken from the van."})

    made = statement(staff, id)
    assert made["gross"] == made["agreed_gross"]
    (event,) = [
        one
        for one in staff.get(f"/v1/quotes/{id}/history")["items"]
        if one["kind"] == "quote.finished"
    ]
    assert made["unbooked"] == "Taken from the van."
    assert event["facts"]["unbooked"] == ", ".join(map(str, goods))


def test_goods_that_went_back_are_not_billed(staff: Staff) -> None:
    id, orders = in_work(staff)  # noqa: A001
    for order in orders:
        staff.delivered(order)
    order, line = next(
        (order, line)
        for order in orders
        for line in staff.get(f"/v1/orders/{order}")["lines"]
        if line["return_by"]
    )
    back = [{"line": line["line"], "why": "not_needed", "packs": line["received"]}]
    staff.done(
        f"/v1/orders/{order}/returns", {"lines": back, "by": "Owner"}, staff.order_tag(order)
    )

    assert "finish" not in acts(staff, id)
    every = goods_of(staff, id)
    first = next(iter(every))
    kept = {"line": first, "used": every[first]["quantity"]}
    refused(staff, id, "finish", {"goods": [kept]})


def test_goods_reserved_on_the_shelf_are_here(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    for line in goods_of(staff, id).values():
        said = {"quantity": line["quantity"], "reason": "From the shelf.", "by": "Owner"}
        path = f"/v1/shelf/{line['code']}/moves"
        staff.done(path, {"kind": "receive", "cost": "1.00", "bin": "A1", **said})
        staff.done(path, {"kind": "reserve", "quote": id, **said})

    staff.act(id, "finish")


def test_no_more_is_billed_than_came_and_is_free_on_the_shelf(staff: Staff) -> None:
    id = staff.accepted(limit="2000.00")  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    place, line = next((at, one) for at, one in goods_of(staff, id).items() if one["unit"] == "C62")
    path, said = f"/v1/shelf/{line['code']}/moves", {"reason": "Found.", "by": "Owner"}
    finish = f"/v1/quotes/{id}/finish"
    before = staff.get(f"/v1/shelf/{line['code']}")["free"]

    def used(count: int) -> Any:
        return {"goods": [{"line": place, "used": str(int(line["quantity"]) + count)}]}

    more = 3 + int(before)
    detail = refused(staff, id, "finish", used(more))
    there = int(line["quantity"]) + int(before)
    assert f"line {place}, {line['code']}" in detail
    assert f"{there + 3} billed, {there} here" in detail
    staff.done(path, {"kind": "receive", "cost": "1.00", "bin": "A1", "quantity": "4", **said})

    staff.done(finish, used(more), staff.tag(id))

    assert statement(staff, id)["lines"][place - 1]["quantity"] == str(there + 3)
    left = staff.get(f"/v1/shelf/{line['code']}")
    assert (left["free"], left["reserved"]) == ("1", "0")


def test_more_than_there_is_is_billed_with_a_reason(staff: Staff) -> None:
    id = staff.accepted(limit="2000.00")  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    place = next(at for at, one in goods_of(staff, id).items() if one["unit"] == "C62")

    staff.act(
        id, "finish", {"goods": [{"line": place, "used": "9"}], "unbooked": "From another job."}
    )

    (event,) = [
        one
        for one in staff.get(f"/v1/quotes/{id}/history")["items"]
        if one["kind"] == "quote.finished"
    ]
    assert event["facts"]["unbooked"] == str(place)


@pytest.mark.parametrize("machine", ["put_together", "boxes"])
def test_stop_bills_no_goods_as_used_that_never_came(staff: Staff, machine: str) -> None:
    id, orders = in_work(staff)  # noqa: A001
    body = {"step": plan_of(staff, id)["steps"][-1]["step"], "machine": machine}

    detail = refused(staff, id, "stop", body)
    assert any(order in detail for order in orders)
    staff.act(id, "stop", {**body, "unbooked": "Delivery note lost."})

    (event,) = [
        one
        for one in staff.get(f"/v1/quotes/{id}/history")["items"]
        if one["kind"] == "quote.stopped"
    ]
    assert statement(staff, id)["unbooked"] == "Delivery note lost."
    assert set(event["facts"]["unbooked"].split(", ")) <= {*map(str, goods_of(staff, id))}


def test_stop_before_anything_is_fitted_needs_no_goods(staff: Staff) -> None:
    id, _ = in_work(staff)  # noqa: A001
    first = plan_of(staff, id)["steps"][0]["step"]

    staff.act(id, "stop", {"step": first, "machine": "boxes"})

    lines = statement(staff, id)["lines"]
    assert all(line["quantity"] == "0" for line in lines if line["kind"] in GOODS)


def test_no_deposit_is_taken_for_a_part_that_was_not_used(staff: Staff) -> None:
    id = staff.accepted(**BLOCK)  # noqa: A001
    staff.act(id, "payments", {"amount": "500.00", "means": "card", "by": "Owner"})
    staff.supplied(id)
    staff.act(id, "start")
    lines = staff.get(f"/v1/quotes/{id}")["quote"]["lines"]
    deposit = next(at for at, line in enumerate(lines, start=1) if line["kind"] == "core")
    part = next(
        at
        for at, line in enumerate(lines, start=1)
        if line["kind"] == "part" and line["code"] == lines[deposit - 1]["code"]
    )
    dealt = {"line": part, "used": "0", "to_shelf": lines[part - 1]["quantity"]}
    told = staff.refused(
        f"/v1/quotes/{id}/finish",
        {"goods": [dealt], "cores": [{"line": deposit, "quantity": "1"}]},
        staff.tag(id),
    )
    assert told["errors"][0]["code"] == "core-too-many"

    staff.act(id, "finish", {"goods": [dealt]})

    billed = statement(staff, id)["lines"][deposit - 1]
    assert (billed["quantity"], billed["amount"]["amount"]) == ("0", "0.00")
