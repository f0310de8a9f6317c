"""One week of a shop over HTTP: ten quotes ordered together, and what went wrong with the parts."""

import os
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff
from tests.web.calls.test_order_acts import Buyer

from kitwright.catalogue.model import SupplierId

V68: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [],
    "needed_by": "2027-03-12",
}
ONE_HEAD = [{"job": "J-HEAD-GASKET", "cylinder": 1}]
BOTH_HEADS = [*ONE_HEAD, {"job": "J-HEAD-GASKET", "cylinder": 2}]
MONDAY = [
    *({**V68, "jobs": ONE_HEAD} for _ in range(4)),
    *({**V68, "jobs": BOTH_HEADS} for _ in range(2)),
    {**V68, "jobs": [{"job": "J-SHORT-BLOCK"}]},
    {},
    {"serial": 2150000},
    {"language": "de"},
]
"""What was agreed to on ten machines by Monday."""
OWNER = {
    "name": "Maud Ferrier",
    "email": "maud@example.org",
    "billing": {"street": "Mill Lane 4", "city": "Tollimoor", "country": "US"},
}


@pytest.fixture
def buyer(staff: Staff) -> Buyer:
    return Buyer(staff)


def papers(buyer: Buyer, order: str) -> dict[str, bytes]:
    """Return an order's documents, and write them where one may look at them."""
    forms = {"pdf": "application/pdf", "csv": "text/csv", "xml": "application/xml"}
    path = f"/v1/orders/{order}/sheet"
    found = {
        ending: buyer.staff.client.get(path, headers={"Accept": form}).content
        for ending, form in forms.items()
    }
    if folder := os.environ.get("KITWRIGHT_PAPERS"):
        for ending, content in found.items():
            Path(folder, f"{order}.{ending}").write_bytes(content)
    return found


def look_at(buyer: Buyer, path: str, name: str) -> None:
    """Read a document as PDF, and write it where one may look at it."""
    content = buyer.staff.client.get(path, headers={"Accept": "application/pdf"}).content
    assert content.startswith(b"%PDF")
    if folder := os.environ.get("KITWRIGHT_PAPERS"):
        Path(folder, f"{name}.pdf").write_bytes(content)


def test_week_of_a_shop(buyer: Buyer) -> None:
    staff, clock = buyer.staff, buyer.staff.counter.clock

    # Monday: ten customers have agreed; the short block is a special order: its advance is paid
    owner = staff.done("/v1/customers", OWNER).json()["id"]
    quotes = [staff.accepted(**asked, customer=owner) for asked in MONDAY]
    special = quotes[6]
    due = staff.get(f"/v1/quotes/{special}/payments")["advance_left"]["amount"]
    paid = {"amount": due, "means": "card", "reference": "terminal 1, 0031", "by": "Owner"}
    staff.done(f"/v1/quotes/{special}/payments", paid, staff.tag(special))
    orders = buyer.order(*quotes)
    assert orders.keys() == {"ALDQ", "CPSN", "DLWY"}
    assert max(len(one["allocations"]) for one in orders.values()) >= 7
    for supplier, one in orders.items():
        contact = staff.counter.desk.service.workshop.catalogue.suppliers[
            SupplierId(supplier)
        ].contact
        assert contact is not None
        means = "telephone" if contact.email is None else "email"
        sent = buyer.act(one["id"], "send", without_advance="Known.", means=means)
        assert sent["state"] == "sent"
        printed = pdf_text(papers(buyer, one["id"])["pdf"])
        assert f"Purchase order {one['id']}" in printed
        assert "rear gate" in printed

    # Tuesday: all confirm; one part is on back order, and the shop takes another offer for it
    clock.pass_days(1)
    for supplier, one in orders.items():
        if supplier != "ALDQ":
            assert buyer.act(one["id"], "confirm", reference=f"{supplier}-1")["slips"] == []
    late = orders["ALDQ"]["id"]
    nuts = next(one for one in orders["ALDQ"]["lines"] if one["sku"] == "V68-B-205")
    said = {"line": nuts["line"], "back_order": True, "promised": "2027-04-02"}
    told = buyer.act(late, "confirm", reference="AQ-77", lines=[said])
    slipping = sorted({slip["quote"] for slip in told["slips"] if slip["late"]})
    assert slipping
    (proposal,) = told["proposals"]
    assert proposal["promised"] < "2027-03-13"
    for quote in slipping:
        draft = staff.get(f"/v1/quotes/{quote}/slip")
        assert (draft["complete_on"], draft["late"]) == ("2027-04-02", True)
        assert staff.done(f"/v1/quotes/{quote}/slip", {}, staff.tag(quote)).status_code == 202
        told_again = staff.refused(f"/v1/quotes/{quote}/slip", {}, staff.tag(quote))
        assert told_again["errors"][0]["code"] == "nothing-slipped"
    told = buyer.act(
        late,
        "cancel",
        reason="On back order.",
        lines=[{"line": nuts["line"], "packs": nuts["packs"]}],
    )
    assert told["reopened"] == sorted(set(slipping), key=lambda one: int(one[1:]))
    assert all("start" not in staff.get(f"/v1/quotes/{quote}")["acts"] for quote in slipping)
    # ordering again asks for the planned offer; the shop revises if it wants the other one
    again = buyer.order(*slipping)
    assert [*again] == ["ALDQ"]
    buyer.act(again["ALDQ"]["id"], "send", without_advance="Known.", means="email")

    # Wednesday: one delivery is short of a pack, and brings one damaged
    clock.pass_days(1)
    first = buyer.read(orders["CPSN"]["id"])
    lines = [{"line": one["line"], "packs": one["packs"]} for one in first["lines"]]
    lines[1]["packs"] -= 1
    lines[1]["damaged"] = 1
    told = buyer.act(first["id"], "receipts", reference="DN-1", lines=lines)
    assert (told["state"], told["lines"][1]["due"]) == ("part_received", 1)
    assert {one["kind"] for one in told["differences"]} == {"short", "damaged"}
    back = [{"line": 2, "why": "damaged", "packs": 1}]
    told = buyer.act(first["id"], "returns", reference="RMA-1", lines=back)
    assert told["lines"][1]["returned"] == 1

    # Thursday: the rest arrives, and everything of the others
    clock.pass_days(1)
    told = buyer.act(first["id"], "receipts", lines=[{"line": 2, "packs": 1}])
    assert told["state"] == "received"
    for one in [*orders.values(), *again.values()]:
        shown = buyer.read(one["id"])
        due = [{"line": at["line"], "packs": at["due"]} for at in shown["lines"] if at["due"]]
        if due:
            told = buyer.act(one["id"], "receipts", lines=due)
            assert told["state"] == "received"
    for quote in quotes:
        assert "start" in staff.get(f"/v1/quotes/{quote}")["acts"]

    # Friday: one part is not needed and goes back, so does the old short block; the bill is right
    clock.pass_days(1)
    part = buyer.read(first["id"])
    unneeded = next(
        line["line"] for line in part["lines"] if line["return_by"] and line["received"]
    )
    back = [{"line": unneeded, "why": "not_needed", "packs": 1}]
    told = buyer.act(first["id"], "returns", reference="RMA-2", lines=back)
    told_reopened = told["reopened"]
    assert len(told_reopened) == 1
    block = next(
        (one["id"], line["line"])
        for one in orders.values()
        for line in buyer.read(one["id"])["lines"]
        if line["cores"]
    )
    core = [{"line": block[1], "why": "core", "packs": 1}]
    assert buyer.act(block[0], "returns", reference="C-1", lines=core)["state"] == "received"
    placed = part["order"]
    charges = Decimal(placed["net"]["amount"]) - Decimal(placed["goods"]["amount"])
    billed = [
        {"line": at, "packs": line["packs"], "unit_cost": line["unit_cost"]}
        for at, line in enumerate(placed["lines"], start=1)
    ]
    told = buyer.act(
        first["id"],
        "bills",
        number="INV-1",
        day="2027-03-05",
        lines=billed,
        charges=f"{charges:.2f}",
        net=placed["net"]["amount"],
    )
    # it bills what went back as well
    assert [(one["kind"], one["line"]) for one in told["differences"]] == [("quantity", unneeded)]

    # the work is done and invoiced, but what went back is not billed
    (reopened,) = told_reopened
    done = [quote for quote in quotes if quote != reopened]
    for quote in done:
        staff.act(quote, "start")
    assert all("finish" in staff.get(f"/v1/quotes/{quote}")["acts"] for quote in done)
    for quote in done:
        staff.act(quote, "finish")
    for quote in (done[0], done[-1]):
        bill = staff.done(f"/v1/quotes/{quote}/invoice", {}, staff.tag(quote)).json()
        look_at(buyer, f"/v1/invoices/{bill['number']}", bill["number"])
        month = staff.get("/v1/reports/month", month="2027-03")
        assert bill["number"] in str(month)
    # one line of goods that went back: the work can't be billed as agreed
    staff.act(reopened, "start", {"tear_down_first": True})
    assert "finish" not in staff.get(f"/v1/quotes/{reopened}")["acts"]

    # the feed has it all, and the shares of every order add up
    page = staff.get("/v1/events", limit=200)
    kinds = Counter[str]()
    while page["items"]:
        kinds.update(one["kind"] for one in page["items"])
        page = staff.get("/v1/events", after=page["next"], limit=200)
    for kind in ("sent", "confirmed", "received", "returned", "cancelled", "billed"):
        assert kinds[f"order.{kind}"], kind
    for one in staff.get("/v1/orders")["items"]:
        nets = sum(Decimal(own["net"]["amount"]) for own in one["allocations"])
        assert nets == Decimal(one["order"]["net"]["amount"])
