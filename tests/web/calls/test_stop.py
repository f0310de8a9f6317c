"""Work that is declined on the way, or before it began: what is owed, and billed."""

from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.web.calls.conftest import Staff

from kitwright.store.engine import FILE
from kitwright.store.ledger import check_ledger
from kitwright.store.sqlite import sqlite3
from kitwright.web.calls.wire import JobIn

BUYER = {
    "name": "Maud Ferrier",
    "billing": {"street": "Mill Lane 4", "city": "Tollimoor", "country": "DE"},
}


def in_work(staff: Staff, limit: str | None = None, **members: Any) -> str:
    id = staff.accepted(limit, **members)  # noqa: A001
    staff.supplied(id)
    staff.act(id, "start")
    return id


def plan_of(staff: Staff, id: str) -> Any:  # noqa: A002
    return staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]


def statement(staff: Staff, id: str) -> Any:  # noqa: A002
    return staff.get(f"/v1/quotes/{id}/statement")["statement"]


def stop(staff: Staff, id: str, step: str, machine: str = "put_together", **more: Any) -> Any:  # noqa: A002
    staff.act(id, "stop", {"step": step, "machine": machine, **more})
    made = statement(staff, id)
    check_sums(made)
    return made


def check_sums(made: Any) -> None:
    """Check that the lines of a statement add up, and that it stays within its limit."""
    for name in ("net", "tax", "gross"):
        lines = sum(amount(line[name]) for line in made["lines"])
        assert lines == amount(made[name])
    billed = made["gross"] if made["limit_includes_tax"] else made["net"]
    assert amount(billed) <= amount(made["limit"])
    assert amount(made["gross"]) <= amount(made["agreed_gross"])


def amount(told: Any) -> Decimal:
    return Decimal(told["amount"])


def codes(staff: Staff, id: str, body: Any) -> list[str]:  # noqa: A002
    told = staff.refused(f"/v1/quotes/{id}/stop", body, staff.tag(id))
    return [one["code"] for one in told["errors"]]


@pytest.mark.parametrize(
    ("machine", "price"), [("put_together", "refitted"), ("boxes", "in_boxes")]
)
@pytest.mark.parametrize("diagnostic_done", [True, False])
def test_stop_bills_what_the_plan_promised(
    staff: Staff, machine: str, price: str, diagnostic_done: bool
) -> None:
    id = in_work(staff, diagnostic_done=diagnostic_done)  # noqa: A001
    plan = plan_of(staff, id)
    (promised,) = plan["stops"]
    step = plan["steps"][promised["before_step"] - 1]["step"]

    made = stop(staff, id, step, machine)

    assert made["gross"] == promised[price]
    assert made["stopped"] == {
        "before_step": promised["before_step"],
        "step": promised["name"],
        "machine": machine,
    }
    agreed = [line for line in made["lines"] if amount(line["agreed"])]
    assert {line["why"] for line in made["lines"]} <= {"agreed", "used", "not_done", "stopped"}
    # line by line against what was agreed
    quoted = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["lines"]
    assert [line["agreed"] for line in agreed] == [
        line["amount"] for line in quoted if amount(line["amount"])
    ]


def test_stop_is_invoiced_paid_and_collected(staff: Staff) -> None:
    customer = staff.done("/v1/customers", BUYER).json()["id"]
    id = in_work(staff, customer=customer)  # noqa: A001
    plan = plan_of(staff, id)
    step = plan["steps"][plan["stops"][0]["before_step"] - 1]["step"]
    assert "stop" in staff.get(f"/v1/quotes/{id}")["acts"]

    made = stop(staff, id, step)

    head = staff.get(f"/v1/quotes/{id}")
    assert (head["state"], head["acts"]) == ("done", ["collect", "invoice", "notice", "pay"])
    invoice = staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id)).json()
    assert invoice["gross"] == made["gross"]
    due = {"amount": made["gross"]["amount"], "means": "card", "by": "R. Okafor"}
    staff.act(id, "payments", due)
    assert "pay" not in staff.get(f"/v1/quotes/{id}")["acts"]
    events = staff.get("/v1/events", limit=200)["items"]
    (event,) = [one for one in events if one["kind"] == "quote.stopped"]
    assert event["facts"]["before_step"] == plan["stops"][0]["before_step"]
    assert event["facts"]["machine"] == "put_together"


def test_reserved_pieces_are_free_again(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    quote = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]
    line = next(one for one in quote["lines"] if one["kind"] == "part")
    item, quantity = line["code"], line["quantity"]
    (holding,) = staff.get(f"/v1/shelf/{item}")["holdings"]
    assert (holding["on_hand"], holding["reserved"]) == (quantity, quantity)

    stop(staff, id, plan_of(staff, id)["steps"][0]["step"], "boxes")

    (holding,) = staff.get(f"/v1/shelf/{item}")["holdings"]
    assert (holding["on_hand"], holding["reserved"]) == (quantity, "0")


def test_additions_are_billed_unless_they_are_not_done(staff: Staff) -> None:
    more = {"description": "a hose", "kind": "part", "net": "10.00"}
    bills = []
    for is_done in (True, False):
        id = in_work(staff, limit="5000.00")  # noqa: A001
        staff.done(f"/v1/quotes/{id}/additions", more, staff.tag(id))
        place = len(staff.get(f"/v1/quotes/{id}")["quote"]["lines"])
        first = plan_of(staff, id)["steps"][0]["step"]
        made = stop(staff, id, first, "boxes", not_done=[] if is_done else [place])
        bills.append(amount(made["net"]))

    assert bills[0] - bills[1] == Decimal("10.00")


def test_stop_before_the_work_owes_the_diagnosis(staff: Staff) -> None:
    id = staff.accepted(diagnostic_done=True)  # noqa: A001

    staff.act(id, "stop")

    made = statement(staff, id)
    check_sums(made)
    (billed,) = [line for line in made["lines"] if amount(line["net"])]
    assert billed["code"] == "diagnostic-fee"
    assert made["stopped"] == {"before_step": None, "step": None, "machine": None}


def test_declined_offer_owes_the_diagnosis_and_is_invoiced(staff: Staff, tmp_path: Path) -> None:
    customer = staff.done("/v1/customers", BUYER).json()["id"]
    id = staff.issued(diagnostic_done=True, customer=customer)  # noqa: A001
    assert codes(staff, id, {}) == ["not-in-this-state"]
    staff.act(id, "decline", {"revision": 1})
    assert "stop" in staff.get(f"/v1/quotes/{id}")["acts"]

    head = staff.act(id, "stop", {"by": "Owner"})

    assert (head["state"], head["acts"]) == ("done", ["collect", "invoice", "notice", "pay"])
    made = statement(staff, id)
    (billed,) = [line for line in made["lines"] if amount(line["net"])]
    assert billed["code"] == "diagnostic-fee"
    assert made["limit"] == made["gross"]
    invoice = staff.done(f"/v1/quotes/{id}/invoice", {}, staff.tag(id)).json()
    assert (len(invoice["lines"]), invoice["gross"]) == (1, made["gross"])
    due = {"amount": made["gross"]["amount"], "means": "cash", "by": "R. Okafor"}
    staff.act(id, "payments", due)
    taken = {"collector": "A. Customer", "old_parts": False, "by": "R. Okafor"}
    staff.act(id, "collected", taken)
    # the bookkeeper's month has both
    month = staff.get("/v1/reports/month", month="2027-03")
    assert [one["number"] for one in month["documents"]] == [invoice["number"]]
    assert [one["amount"] for one in month["receipts"]] == [made["gross"]]
    with closing(sqlite3.connect(str(tmp_path / FILE))) as connection:
        assert list(check_ledger(connection)) == []


def test_declined_offer_without_a_fee_owes_nothing(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    staff.act(id, "decline", {"revision": 1})

    assert "stop" not in staff.get(f"/v1/quotes/{id}")["acts"]
    assert codes(staff, id, {}) == ["nothing-owed"]


BLOCK: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [],
    "jobs": [{"job": "J-SHORT-BLOCK"}],
}


def ordered_block(staff: Staff) -> tuple[str, Any]:
    """Return a quote whose short block, a special order, is ordered, and the block's line."""
    id = staff.accepted(**BLOCK)  # noqa: A001
    staff.act(id, "payments", {"amount": "500.00", "means": "card", "by": "Owner"})
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    lines = staff.get(f"/v1/quotes/{id}")["quote"]["lines"]
    return id, next(line for line in lines if line["code"] == "V68-A-001")


def billed_block(staff: Staff, id: str) -> Decimal:  # noqa: A002
    staff.act(id, "stop")
    made = statement(staff, id)
    check_sums(made)
    (line, *_) = [one for one in made["lines"] if one["code"] == "V68-A-001"]
    assert line["kind"] == "part"
    return amount(line["amount"])


def test_special_order_that_was_sent_is_billed(staff: Staff) -> None:
    id, line = ordered_block(staff)  # noqa: A001
    for order in staff.get("/v1/orders")["items"]:
        tag = staff.client.get(f"/v1/orders/{order['id']}").headers["ETag"]
        staff.done(
            f"/v1/orders/{order['id']}/send",
            {"means": "portal", "without_advance": "Known.", "by": "Owner"},
            tag,
        )

    assert billed_block(staff, id) == amount(line["amount"])


def test_special_order_that_was_not_sent_is_not_billed(staff: Staff) -> None:
    id, _ = ordered_block(staff)  # noqa: A001

    assert billed_block(staff, id) == 0


def test_other_parts_are_billed_once_they_can_not_go_back(staff: Staff) -> None:
    bills = []
    for days in (400, 0):
        id = staff.accepted(diagnostic_done=True)  # noqa: A001
        asked = {"revisions": [{"quote": id, "revision": 1}]}
        for order in staff.done("/v1/orders", asked).json()["items"]:
            received(staff, order["id"])
        staff.counter.clock.pass_days(days)
        staff.act(id, "stop")
        made = statement(staff, id)
        check_sums(made)
        goods = [one for one in made["lines"] if one["kind"] in ("part", "set")]
        bills.append([amount(one["amount"]) for one in goods if amount(one["amount"])])

    assert bills[0]
    assert bills[1] == []


def received(staff: Staff, order: str) -> None:
    path = f"/v1/orders/{order}"
    tag = staff.client.get(path).headers["ETag"]
    staff.done(f"{path}/send", {"means": "portal", "without_advance": "Known.", "by": "Owner"}, tag)
    answer = staff.client.get(path)
    lines = enumerate(answer.json()["order"]["lines"], start=1)
    packs = [{"line": at, "packs": one["packs"], "bin": "A1"} for at, one in lines]
    staff.done(f"{path}/receipts", {"lines": packs, "by": "Owner"}, answer.headers["ETag"])


def test_stop_is_priced_by_the_plan_after_the_catalogue_changed(
    staff: Staff, monkeypatch: pytest.MonkeyPatch
) -> None:
    id = in_work(staff)  # noqa: A001
    plan = plan_of(staff, id)
    (promised,) = plan["stops"]
    step = plan["steps"][promised["before_step"] - 1]["step"]
    desk = staff.counter.desk
    # the catalogue of then is gone, but today's plans the same steps
    monkeypatch.setattr(type(desk), "service_of", lambda *_: None)

    assert stop(staff, id, step)["gross"] == promised["refitted"]


def test_stop_of_work_that_is_planned_otherwise_today_is_refused(
    staff: Staff, monkeypatch: pytest.MonkeyPatch
) -> None:
    id = in_work(staff)  # noqa: A001
    step = plan_of(staff, id)["steps"][0]["step"]
    service = staff.counter.desk.service
    work_out = service.work_out

    def otherwise(asked: Any, stock: Any = None) -> Any:
        return work_out(structs.replace(asked, jobs=(JobIn(job="J-PLUG", cylinder=1),)), stock)

    monkeypatch.setattr(service, "work_out", otherwise)

    assert codes(staff, id, {"step": step, "machine": "boxes"}) == ["stop-not-priced"]


def test_change_on_offer_is_decided_before_the_stop(staff: Staff) -> None:
    id = in_work(staff)  # noqa: A001
    step = plan_of(staff, id)["steps"][3]["step"]
    asked = staff.get(f"/v1/quotes/{id}/revisions/1")["request"]
    staff.act(id, "revise", {**asked, "add_jobs": [{"job": "J-PLUG", "cylinder": 1}]})
    staff.act(id, "issue")
    body = {"step": step, "machine": "boxes"}

    assert "stop" not in staff.get(f"/v1/quotes/{id}")["acts"]
    assert codes(staff, id, body) == ["not-in-this-state"]

    staff.act(id, "decline", {"revision": 2})
    stop(staff, id, **body)


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({}, ["stop-unclear", "stop-unclear"]),
        ({"step": "hand_over"}, ["stop-unclear"]),
        ({"step": "off moon", "machine": "boxes"}, ["unknown-step"]),
        ({"step": "hand_over", "machine": "boxes", "not_done": [1]}, ["no-added-line"]),
        ({"step": "hand_over", "machine": "boxes", "not_done": [99]}, ["no-added-line"]),
    ],
)
def test_what_can_not_be_so_is_refused(staff: Staff, body: Any, expected: list[str]) -> None:
    id = in_work(staff)  # noqa: A001

    assert codes(staff, id, body) == expected


def test_work_that_has_not_begun_stands_at_no_step(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001

    assert codes(staff, id, {"step": "hand_over", "machine": "boxes"}) == ["stop-unclear"] * 2


def test_copy_of_a_declined_offer_credits_the_diagnosis_that_was_billed(staff: Staff) -> None:
    id = staff.issued(diagnostic_done=True)  # noqa: A001
    offered = staff.get(f"/v1/quotes/{id}")
    staff.act(id, "decline", {"revision": 1})
    before = staff.done(f"/v1/quotes/{id}/copy").json()
    staff.act(id, "stop", {"by": "R. Okafor"})
    billed = staff.get(f"/v1/quotes/{id}/statement")["statement"]

    copied = staff.done(f"/v1/quotes/{id}/copy").json()

    # nothing was billed before, so that the copy charges and credits it as the offer did
    assert before["net"] == offered["net"]
    assert not copied["request"]["diagnostic_done"]
    (discount,) = copied["request"]["discounts"]
    (fee,) = (one for one in billed["lines"] if one["quantity"] != "0")
    assert (fee["code"], discount["amount"]) == ("diagnostic-fee", fee["amount"]["amount"])
    assert discount["reason"] == f"Diagnosis billed with quote {id}"
    # so the repair and its diagnosis come to what was offered, whenever it is done
    together = Decimal(copied["net"]["amount"]) + Decimal(billed["net"]["amount"])
    assert together == Decimal(offered["net"]["amount"])


def declined_and_billed(staff: Staff) -> str:
    id = staff.issued(diagnostic_done=True)  # noqa: A001
    staff.act(id, "decline", {"revision": 1})
    staff.act(id, "stop", {"by": "R. Okafor"})
    return id


def by_of(quote: Any) -> list[str]:
    return [one["by"] for one in quote["request"]["discounts"]]


YES = {"revision": 1, "who": "A. Customer", "means": "telephone"}


def refusal(staff: Staff, id: str, act: str, body: Any) -> list[str]:  # noqa: A002
    told = staff.refused(f"/v1/quotes/{id}/{act}", body, staff.tag(id))
    return [one["code"] for one in told["errors"]]


def test_billed_diagnosis_is_taken_off_only_the_first_copy_that_is_accepted(staff: Staff) -> None:
    id = declined_and_billed(staff)  # noqa: A001
    first, second, third = (staff.done(f"/v1/quotes/{id}/copy").json() for _ in range(3))
    assert by_of(first) == by_of(second) == by_of(third) == [id]
    for one in (first, second):
        staff.act(one["id"], "issue")
    path = f"/v1/quotes/{second['id']}/links"
    link = staff.done(path, {}, staff.tag(second["id"])).json()["path"]
    assert 'class="yes"' in staff.client.get(link, headers={"Accept": "text/html"}).text

    staff.act(first["id"], "accept", YES)

    # no button would be refused
    page = staff.client.get(link, headers={"Accept": "text/html"}).text
    assert "Please ask us for a new one." in page
    assert "<form" not in page
    assert 'class="yes"' not in page
    form = {"Accept": "text/html", "Content-Type": "application/x-www-form-urlencoded"}
    answer = staff.client.post(f"{link}/accept", content="who=M.+Ferrier", headers=form)
    assert (answer.status_code, "<form" in answer.text) == (409, False)
    # the others are alternatives no longer
    assert refusal(staff, second["id"], "accept", YES) == ["diagnosis-set-off"]
    assert refusal(staff, third["id"], "issue", None) == ["diagnosis-set-off"]
    acts = [staff.get(f"/v1/quotes/{one['id']}")["acts"] for one in (second, third)]
    assert "accept" not in acts[0]
    assert "issue" not in acts[1]
    # copies of the declined offer, or of the copy, neither charge the diagnosis nor take it off
    for of in (id, first["id"]):
        later = staff.done(f"/v1/quotes/{of}/copy").json()
        assert by_of(later) == []
        assert not later["request"]["diagnostic_done"]
        staff.act(later["id"], "issue")
        staff.act(later["id"], "accept", YES)
