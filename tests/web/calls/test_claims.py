"""Claims over HTTP: parts that failed, where they came from, and what suppliers gave for them."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from tests.desks import DAY
from tests.web.calls.conftest import Staff
from tests.web.calls.test_come_back import BY, back, finished, quoted

SAID = {"what": "It is bent again.", "by": "R. Okafor"}


def part_of(staff: Staff, visit: str) -> str:
    """Return the first part that was ordered for a visit."""
    orders = quoted(staff, visit)["quote"]["orders"]
    return str(orders[0]["lines"][0]["item"])


def failed(staff: Staff, days: int = 20) -> tuple[str, str]:
    """Return a visit whose parts arrived, and one whose cause is the first of them."""
    visit = staff.accepted()
    staff.done("/v1/orders", {"revisions": [{"quote": visit, "revision": 1}]})
    for order in staff.get("/v1/orders", quote=visit)["items"]:
        path, by = f"/v1/orders/{order['id']}", {"by": "R. Okafor"}

        def tag(path: str = path) -> str:
            return str(staff.client.get(path).headers["ETag"])

        staff.done(f"{path}/send", {**by, "means": "telephone", "without_advance": "Known."}, tag())
        lines = [
            {"line": at, "packs": line["packs"]}
            for at, line in enumerate(order["order"]["lines"], start=1)
        ]
        staff.done(f"{path}/receipts", {**by, "lines": lines}, tag())
    staff.act(visit, "start")
    staff.act(visit, "finish")
    staff.act(visit, "collected", {"collector": "M. F.", "old_parts": False, "by": "R. Okafor"})
    staff.counter.clock.pass_days(days)
    part = part_of(staff, visit)
    return visit, back(staff, visit, "part", said={"part": part})


def claimed(staff: Staff, quote: str, **said: Any) -> Any:
    return staff.done(f"/v1/quotes/{quote}/claims", {**SAID, **said}, staff.tag(quote)).json()


def act(staff: Staff, claim: str, name: str, **said: Any) -> Any:
    path = f"/v1/claims/{claim}"
    tag = staff.client.get(path).headers["ETag"]
    return staff.post(f"{path}/{name}", {"by": "R. Okafor", **said}, tag)


def test_claim_names_order_days_and_deadline(staff: Staff) -> None:
    visit, quote = failed(staff)
    order = next(
        one
        for one in staff.get("/v1/orders", quote=visit)["items"]
        if one["order"]["lines"][0]["item"] == part_of(staff, visit)
    )
    assert "claim" in quoted(staff, quote)["acts"]

    made = claimed(staff, quote, hours_fitted="112.5", hours_failed="131")

    line = order["order"]["lines"][0]
    assert (made["order"], made["line"], made["sku"]) == (order["id"], 1, line["sku"])
    assert made["supplier"] == order["order"]["supplier"]
    assert made["received_on"] == made["fitted_on"] == DAY.isoformat()
    failed_on = DAY + timedelta(days=20)
    assert made["failed_on"] == failed_on.isoformat()
    suppliers = staff.counter.desk.service.workshop.catalogue.suppliers
    terms = suppliers[made["supplier"]]
    assert terms.claim_days is not None
    assert made["due_on"] == (failed_on + timedelta(days=terms.claim_days)).isoformat()
    cost = Decimal(line["unit_cost"]) / line["pack_size"]
    assert Decimal(made["cost"]["amount"]) == round(cost, 2)
    assert (made["state"], made["is_late"]) == ("open", False)
    assert made["acts"] == ["credit", "refuse", "send", "withdraw"]
    assert "claim" not in quoted(staff, quote)["acts"]
    answer = staff.post(f"/v1/quotes/{quote}/claims", SAID, staff.tag(quote))
    assert answer.json()["errors"][0]["code"] == "already-claimed"


def test_deadline_is_never_after_the_suppliers_warranty(staff: Staff) -> None:
    visit, quote = failed(staff, days=10)
    made = claimed(staff, quote)
    terms = staff.counter.desk.service.workshop.catalogue.suppliers[made["supplier"]]
    assert terms.warranty_days is not None
    last = date.fromisoformat(made["received_on"]) + timedelta(days=terms.warranty_days)
    assert date.fromisoformat(made["due_on"]) <= last
    assert made["visit"] == visit


def test_claim_is_sent_and_its_credit_lowers_the_cost(staff: Staff) -> None:
    _, quote = failed(staff)
    claim = claimed(staff, quote)["id"]
    before = staff.get(f"/v1/quotes/{quote}/claims")

    sent = act(staff, claim, "send", reference="RMA 771").json()
    credited = act(staff, claim, "credit", amount="5.25").json()

    assert (sent["state"], sent["reference"]) == ("sent", "RMA 771")
    assert (credited["state"], credited["credit"]["amount"]) == ("credited", "5.25")
    after = staff.get(f"/v1/quotes/{quote}/claims")
    assert after["credited"]["amount"] == "5.25"
    left = Decimal(before["left"]["amount"]) - Decimal(after["left"]["amount"])
    assert left == Decimal("5.25")
    assert after["cost"] == before["cost"]
    assert act(staff, claim, "send").json()["errors"][0]["code"] == "claim-not-in-this-state"
    kinds = [one["kind"] for one in staff.get("/v1/events")["items"]]
    assert [kind for kind in kinds if kind.startswith("claim.")] == [
        "claim.created",
        "claim.sent",
        "claim.credited",
    ]


def test_no_more_is_claimed_than_was_sold_and_a_claim_is_taken_back(staff: Staff) -> None:
    visit, quote = failed(staff)
    lines = staff.get(f"/v1/quotes/{visit}/statement")["statement"]["lines"]
    part = part_of(staff, visit)
    sold = sum(int(one["quantity"]) for one in lines if one["code"] == part)
    told = staff.refused(
        f"/v1/quotes/{quote}/claims", {**SAID, "pieces": sold + 1}, staff.tag(quote)
    )
    assert told["errors"][0]["code"] == "claim-too-many"
    assert f"sold {sold}" in told["errors"][0]["detail"]
    claim = claimed(staff, quote, pieces=sold)["id"]
    act(staff, claim, "send")

    taken = act(staff, claim, "withdraw", reason="Our own mistake.").json()

    assert (taken["state"], taken["reason"], taken["acts"]) == ("withdrawn", "Our own mistake.", [])
    assert "claim" in quoted(staff, quote)["acts"]
    assert claimed(staff, quote)["state"] == "open"


def test_open_claims_are_listed_and_late_ones_are_told(staff: Staff) -> None:
    _, quote = failed(staff)
    claim = claimed(staff, quote)["id"]
    staff.counter.clock.pass_days(60)

    (found,) = staff.get("/v1/claims", state="open")["items"]
    assert (found["id"], found["is_late"]) == (claim, True)
    refused = act(staff, claim, "refuse", reason="Too late.").json()
    assert (refused["state"], refused["acts"]) == ("refused", ["send"])
    assert staff.get("/v1/claims", state="open")["items"] == []


def test_part_whose_origin_is_not_known_is_claimed_as_such(staff: Staff) -> None:
    visit = finished(staff)
    # on the shelf since the shop began, by no order of these records
    shelf = [one["item"] for one in quoted(staff, visit)["quote"]["kit"]["from_stock"]]
    quote = back(staff, visit, "part", said={"part": shelf[0]})

    made = claimed(staff, quote)

    for member in ("supplier", "order", "line", "sku", "cost", "received_on", "due_on"):
        assert made[member] is None, member


@pytest.mark.parametrize("cause", [None, "work", "new_fault"])
def test_nothing_is_claimed_for_other_causes(staff: Staff, cause: str | None) -> None:
    quote = back(staff, finished(staff), cause)

    assert "claim" not in quoted(staff, quote)["acts"]
    answer = staff.post(f"/v1/quotes/{quote}/claims", SAID, staff.tag(quote))
    assert answer.json()["errors"][0]["code"] == "nothing-to-claim"


def test_day_of_a_claim_is_not_to_come(staff: Staff) -> None:
    _, quote = failed(staff)
    claim = claimed(staff, quote)["id"]

    answer = act(staff, claim, "credit", amount="5.00", day="2031-01-01")

    assert answer.json()["errors"][0]["code"] == "claim-day-invalid"


def test_words_of_a_claim_are_erased_with_the_customer(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {"name": "M. Ferrier"}).json()["id"]
    visit = finished(staff, customer=customer)
    quote = back(staff, visit, "part", said={"part": part_of(staff, visit)})
    claim = claimed(staff, quote)["id"]
    exported = staff.get(f"/v1/customers/{customer}/export")
    assert [one["comes_back"] and one["comes_back"]["visit"] for one in exported["quotes"]] == [
        visit,
        None,
    ]
    staff.act(quote, "withdraw", {})

    tag = staff.client.get(f"/v1/customers/{customer}").headers["ETag"]
    staff.done(f"/v1/customers/{customer}/erase", None, tag)

    assert SAID["what"] not in staff.client.get(f"/v1/claims/{claim}").text
    assert BY["reason"] not in staff.client.get(f"/v1/quotes/{quote}").text
