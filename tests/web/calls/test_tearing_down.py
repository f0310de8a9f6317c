"""Work that starts before its parts are ordered."""

from typing import Any

from tests.web.calls.conftest import Staff

FIRST = {"tear_down_first": True}


def acts(staff: Staff, id: str) -> list[str]:  # noqa: A002
    found: list[str] = staff.get(f"/v1/quotes/{id}")["acts"]
    return found


def waiting(staff: Staff, id: str) -> list[Any]:  # noqa: A002
    found: list[Any] = staff.get(f"/v1/quotes/{id}/clock")["waiting"]
    return found


def reason(staff: Staff, id: str, act: str, body: Any = None) -> str:  # noqa: A002
    """Return why an act is refused."""
    told = staff.refused(f"/v1/quotes/{id}/{act}", body, staff.tag(id))
    (error,) = told["errors"]
    return str(error["detail"])


def test_machine_is_torn_down_before_parts_are_ordered(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    assert "tear_down" in acts(staff, id)
    assert "start" not in acts(staff, id)
    told = reason(staff, id, "start")
    assert "parts orders not yet placed" in told
    for order in staff.get(f"/v1/quotes/{id}")["quote"]["orders"]:
        assert (
            f"{', '.join(line['item'] for line in order['lines'])} from {order['supplier']}" in told
        )

    head = staff.act(id, "start", FIRST)

    assert head["state"] == "in_work"
    assert {"order", "clock"} <= set(head["acts"])
    (event,) = staff.get("/v1/events", limit=200)["items"][-1:]
    assert event["kind"] == "quote.started"
    assert event["facts"]["unordered"] > 0


def test_steps_that_need_parts_wait_until_these_are_here(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.act(id, "start", FIRST)
    plan = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]
    steps = {step["step"]: step for step in plan["steps"]}
    found = waiting(staff, id)

    assert found
    # coming apart needs nothing
    assert all(steps[one["step"]]["kind"] not in ("remove", "hold") for one in found)
    assert all(one["parts"] for one in found)
    asked = {"revisions": [{"quote": id, "revision": 1}]}
    orders = staff.done("/v1/orders", asked).json()["items"]
    assert waiting(staff, id) == found
    for order in orders:
        receive(staff, order["id"])
    left = {part for one in waiting(staff, id) for part in one["parts"]}
    bought = {line["item"] for order in orders for line in order["order"]["lines"]}
    assert not left & bought


def receive(staff: Staff, order: str) -> None:
    """Send an order, and receive all of it."""
    tag = staff.client.get(f"/v1/orders/{order}").headers["ETag"]
    staff.done(
        f"/v1/orders/{order}/send",
        {"means": "telephone", "without_advance": "Known.", "by": "Owner"},
        tag,
    )
    answer = staff.client.get(f"/v1/orders/{order}")
    lines = [
        {"line": place, "packs": line["packs"], "bin": "A1"}
        for place, line in enumerate(answer.json()["order"]["lines"], start=1)
    ]
    staff.done(
        f"/v1/orders/{order}/receipts", {"lines": lines, "by": "Owner"}, answer.headers["ETag"]
    )


def test_work_is_not_finished_with_parts_that_nobody_ordered(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.act(id, "start", FIRST)
    assert "finish" not in acts(staff, id)

    assert "place them, or say in `goods` what was used" in reason(staff, id, "finish")

    staff.supplied(id)
    assert "finish" in acts(staff, id)
    staff.act(id, "finish")


def test_goods_of_a_shop_without_orders_are_told(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.act(id, "start", FIRST)
    lines = staff.get(f"/v1/quotes/{id}")["quote"]["lines"]
    goods = [
        {"line": place, "used": "0", "to_supplier": line["quantity"]}
        for place, line in enumerate(lines, start=1)
        if line["kind"] in ("part", "set", "consumable")
    ]

    staff.act(id, "finish", {"goods": goods})

    made = staff.get(f"/v1/quotes/{id}/statement")["statement"]
    assert all(
        line["amount"]["amount"] == "0.00" for line in made["lines"] if line["to_supplier"] != "0"
    )


def test_work_that_is_supplied_starts_either_way(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    assert {"start", "tear_down"} <= set(acts(staff, id))

    staff.act(id, "start", FIRST)

    (event,) = staff.get("/v1/events", limit=200)["items"][-1:]
    assert "unordered" not in event["facts"]


def test_draft_is_not_torn_down(staff: Staff) -> None:
    id = staff.quote()  # noqa: A001

    assert "tear_down" not in acts(staff, id)
    assert "can't start this quote in state draft" in reason(staff, id, "start", FIRST)


def test_parts_are_ordered_once_when_what_was_found_is_agreed(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    staff.act(id, "start", FIRST)
    listed = staff.get(f"/v1/quotes/{id}")["quote"]["contingencies"]["each"]
    found = next(one for one in listed if one["parts"] and one["jobs"] and one["after"] is None)
    body = {
        "contingency": {name: found[name] for name in ("contingency", "cylinder")},
        "what": "Seen with the head off.",
        "why": "It would not seal.",
        "by": "R. Okafor",
    }
    made = staff.done(f"/v1/quotes/{id}/found", body, staff.tag(id)).json()
    path = staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]
    # nothing is ordered for what is not agreed
    assert staff.get("/v1/orders")["items"] == []
    staff.done(f"{path}/accept", {"who": "A. Customer"})

    asked = {"revisions": [{"quote": id, "revision": made["revision"]}]}
    orders = staff.done("/v1/orders", asked).json()["items"]

    suppliers = [one["order"]["supplier"] for one in orders]
    assert len(suppliers) == len(set(suppliers)) > 0
    items = {line["item"] for one in orders for line in one["order"]["lines"]}
    assert {part["part"] for part in found["parts"]} & items
    assert staff.done("/v1/orders", asked).json()["items"] == []
    for order in orders:
        staff.delivered(order["id"])
    staff.act(id, "finish")
    statement = staff.get(f"/v1/quotes/{id}/statement")["statement"]
    assert statement["agreed_gross"] == made["change"]["now"]
