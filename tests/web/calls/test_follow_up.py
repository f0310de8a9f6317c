"""Orders that follow others over the API: the supplier's terms of what is really ordered."""

import csv
from collections.abc import Callable
from decimal import Decimal
from io import BytesIO, StringIO
from typing import Any

import pytest
from lxml import etree
from msgspec import structs
from pypdf import PdfReader
from tests.desks import DAY
from tests.stages.workbench import figure
from tests.web.calls.conftest import Staff

from kitwright.catalogue.model import Supplier
from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop

BOTH_HEADS: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}, {"job": "J-HEAD-GASKET", "cylinder": 2}],
}
YES = {"who": "A. Customer", "means": "telephone"}
Order = dict[str, Any]


def order(staff: Staff, quote: str, revision: int) -> Any:
    asked = {"revisions": [{"quote": quote, "revision": revision}]}
    return staff.done("/v1/orders", asked).json()


def accepted(staff: Staff, **members: Any) -> str:
    return staff.accepted(**BOTH_HEADS, diagnoses=[], **members)


def agree(staff: Staff, quote: str, revision: int, **members: Any) -> None:
    """Revise a quote of both heads, issue and accept it."""
    staff.act(quote, "revise", {**BOTH_HEADS, **members})
    staff.act(quote, "issue")
    staff.act(quote, "accept", {**YES, "revision": revision})


def by_supplier(answer: Any) -> dict[str, Order]:
    return {one["order"]["supplier"]: one["order"] for one in answer["items"]}


def lines(one: Order) -> dict[str, tuple[int, str, str]]:
    return {
        line["sku"]: (line["packs"], line["unit_cost"], line["net"]["amount"])
        for line in one["lines"]
    }


def change(staff: Staff, changed: Callable[[Supplier], Supplier | None]) -> None:
    """Change or drop the suppliers of this counter's catalogue."""
    workshop = staff.counter.desk.service.workshop
    made = [changed(one) for one in workshop.catalogue.suppliers.values()]
    suppliers = {one.id: one for one in made if one is not None}
    catalogue = structs.replace(workshop.catalogue, suppliers=suppliers)
    service = Service(Workshop(catalogue, workshop.shop), lambda: DAY)
    staff.counter.desk.service = service


@pytest.fixture
def followed(staff: Staff) -> tuple[Staff, str, Any]:
    """Return a quote of five machines whose parts were ordered, then of six, and what followed."""
    quote = accepted(staff, machines=5)
    first = order(staff, quote, 1)
    assert lines(by_supplier(first)["BRMW"])["BW-88110"] == (8, "2.40", "19.20")
    agree(staff, quote, 2, machines=6)
    planned = {one["supplier"]: one for one in staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]}
    assert lines(planned["BRMW"])["BW-88110"] == (10, "1.95", "19.50")
    return staff, quote, order(staff, quote, 2)


def test_follow_up_is_bought_where_it_lands_cheapest(
    followed: tuple[Staff, str, Any],
) -> None:
    staff, quote, answer = followed
    found = by_supplier(answer)

    # the revision's suppliers: BRMW 10.00 and freight 9.95; CPSN 38.13, below 100.00, so that the
    # fee is 15.00, and freight 18.95: 92.03 in two parcels
    revision = {one["supplier"] for one in staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]}
    assert {"BRMW", "CPSN"} <= revision
    # ALDQ: dearer goods, one freight
    assert found.keys() == {"ALDQ"}
    assert lines(found["ALDQ"]) == {
        "V68-B-205": (4, "1.22", "4.88"),
        "V68-C-715": (2, "0.41", "0.82"),
        "V68-F-801": (1, "8.02", "8.02"),
        "AQ-V68G103": (2, "10.06", "20.12"),
        "V68-G-110": (2, "4.22", "8.44"),
        "V68-G-121": (2, "3.13", "6.26"),
        "V68-G-131": (1, "2.31", "2.31"),
        "V68-G-140": (2, "3.81", "7.62"),
    }
    assert found["ALDQ"]["goods"]["amount"] == "58.47"
    assert found["ALDQ"]["net"]["amount"] == "72.97"
    assert (answer["surplus"], answer["late"]) == ([], [])
    (cost,) = answer["costs"]
    assert Decimal(cost["planned"]["amount"]) - Decimal(cost["landed"]["amount"]) == Decimal(
        "92.03"
    ) - Decimal("72.97")
    # the price that the customer agreed to stays
    shown = staff.get(f"/v1/quotes/{quote}")
    assert shown["gross"] == staff.get(f"/v1/quotes/{quote}/revisions/2")["gross"]


def test_follow_up_is_on_paper_what_it_is_in_the_answer(
    followed: tuple[Staff, str, Any],
) -> None:
    staff, _, answer = followed
    for one in answer["items"]:
        path, net = f"/v1/orders/{one['id']}/sheet", one["order"]["net"]["amount"]
        taken = {
            form: staff.client.get(path, headers={"Accept": form}).content
            for form in ("application/pdf", "text/csv", "application/xml")
        }
        pages = PdfReader(BytesIO(taken["application/pdf"])).pages
        printed = "".join("".join(page.extract_text() for page in pages).split())
        rows = list(csv.DictReader(StringIO(taken["text/csv"].decode(), newline="")))
        xml = etree.fromstring(taken["application/xml"])

        assert {row["sku"]: (int(row["packs"]), row["unit_cost"], row["net"]) for row in rows} == (
            lines(one["order"])
        )
        assert xml.findtext("{*}AnticipatedMonetaryTotal/{*}PayableAmount") == net
        charges = [text.text for text in xml.findall("{*}AllowanceCharge/{*}Amount")]
        fees = [fee["amount"]["amount"] for fee in one["order"]["fees"]]
        assert sorted(charges) == sorted([*fees, one["order"]["freight"]["amount"]])
        for amount in (net, one["order"]["goods"]["amount"], *fees):
            assert amount in printed


def test_follow_up_is_asked_for_once(followed: tuple[Staff, str, Any]) -> None:
    staff, quote, _ = followed

    again = order(staff, quote, 2)
    assert (again["items"], again["surplus"], again["late"]) == ([], [], [])
    staff.act(quote, "start")


def test_work_waits_for_the_follow_up(staff: Staff) -> None:
    quote = accepted(staff, machines=5)
    order(staff, quote, 1)
    agree(staff, quote, 2, machines=6)

    told = staff.refused(f"/v1/quotes/{quote}/start", None, staff.tag(quote))

    assert "parts orders not yet placed: 2" in told["errors"][0]["detail"]


def test_smaller_revision_names_what_is_surplus(staff: Staff) -> None:
    quote = accepted(staff, machines=6)
    order(staff, quote, 1)
    agree(staff, quote, 2, machines=5)

    answer = order(staff, quote, 2)

    surplus = {(one["supplier"], one["sku"]): one["packs"] for one in answer["surplus"]}
    assert answer["items"] == []
    assert surplus == {
        ("BRMW", "BW-88110"): 2,
        ("BRMW", "BW-88140"): 2,
        ("CPSN", "V68-B-205"): 4,
        ("CPSN", "V68-C-715"): 2,
        ("CPSN", "V68-F-801"): 1,
        ("CPSN", "CD-303-V103"): 2,
        ("CPSN", "V68-G-121"): 2,
        ("CPSN", "V68-G-131"): 1,
    }


def test_follow_up_says_what_comes_late(staff: Staff) -> None:
    quote = accepted(staff, machines=5, needed_by="2027-03-10")
    order(staff, quote, 1)
    agree(staff, quote, 2, machines=6, needed_by="2027-03-10")
    staff.counter.clock.pass_days(8)

    answer = order(staff, quote, 2)

    assert answer["items"]
    assert {(one["order"], one["sku"]) for one in answer["late"]} == {
        (one["id"], line["sku"]) for one in answer["items"] for line in one["order"]["lines"]
    }


def test_first_order_is_what_was_quoted(staff: Staff) -> None:
    quote = accepted(staff, machines=6)
    quoted = staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]

    # the clock says 05:00 at the shop: before every cutoff of the quote's own day
    made = [one["order"] for one in order(staff, quote, 1)["items"]]

    assert made == quoted


def test_order_is_placed_at_todays_terms(staff: Staff) -> None:
    quote = accepted(staff, machines=5)

    def dearer(one: Supplier) -> Supplier:
        offers = tuple(structs.replace(each, cost=figure("3.00")) for each in one.offer)
        return structs.replace(one, offer=offers, freight=figure("12.00")) if offers else one

    change(staff, lambda one: dearer(one) if one.id == "BRMW" else one)

    found = by_supplier(order(staff, quote, 1))

    assert lines(found["BRMW"]) == {
        "BW-88110": (8, "3.00", "24.00"),
        "BW-88140": (10, "3.00", "30.00"),
    }
    # goods 54.00, freight 12.00
    assert found["BRMW"]["net"]["amount"] == "66.00"


def test_sku_that_is_offered_no_longer_is_ordered_as_it_was_quoted(staff: Staff) -> None:
    quote = accepted(staff, machines=5)
    change(staff, lambda one: structs.replace(one, offer=()) if one.id == "BRMW" else one)

    found = by_supplier(order(staff, quote, 1))

    assert lines(found["BRMW"]) == {
        "BW-88110": (8, "2.40", "19.20"),
        "BW-88140": (10, "2.60", "26.00"),
    }
    # goods 45.20, freight 9.95
    assert found["BRMW"]["net"]["amount"] == "55.15"


def test_supplier_that_is_gone_stops_its_order_and_the_start(staff: Staff) -> None:
    quote = accepted(staff, machines=5)
    change(staff, lambda one: None if one.id == "BRMW" else one)

    asked = {"revisions": [{"quote": quote, "revision": 1}]}
    told = staff.refused("/v1/orders", asked)
    start = staff.refused(f"/v1/quotes/{quote}/start", None, staff.tag(quote))

    (error,) = told["errors"]
    assert (told["code"], error["code"]) == ("act-refused", "supplier-gone")
    assert error["pointer"] == "/revisions/0/revision"
    assert "BW-88110" in error["detail"]
    assert "revise the quote" in error["detail"]
    assert start["errors"][0]["code"] == "supplier-gone"
    assert staff.get("/v1/orders", quote=quote)["items"] == []


def test_supplier_that_is_gone_is_not_missed_once_all_is_ordered(staff: Staff) -> None:
    quote = accepted(staff, machines=5)
    order(staff, quote, 1)
    change(staff, lambda one: None if one.id == "BRMW" else one)

    assert order(staff, quote, 1)["items"] == []
    staff.act(quote, "start")


def planned_of(staff: Staff, quote: str, item: str) -> list[str]:
    orders = staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]
    return [one["supplier"] for one in orders for line in one["lines"] if line["item"] == item]


def test_part_that_moves_to_another_supplier_is_not_ordered_again(staff: Staff) -> None:
    suppliers = staff.counter.desk.service.workshop.catalogue.suppliers
    offers = {one.id: one.offer for one in suppliers.values()}
    change(staff, lambda one: structs.replace(one, offer=()) if one.id == "BRMW" else one)
    quote = accepted(staff, machines=5)
    order(staff, quote, 1)
    # the maker's own gasket was ordered; the revision takes a cheaper make
    change(staff, lambda one: structs.replace(one, offer=offers[one.id]))
    agree(staff, quote, 2, machines=5)

    answer = order(staff, quote, 2)

    assert planned_of(staff, quote, "V68-G-140") == ["BRMW"]
    assert (answer["items"], answer["surplus"]) == ([], [])


def test_lower_quality_does_not_do_for_what_was_agreed(staff: Staff) -> None:
    quote = accepted(staff, machines=5)
    order(staff, quote, 1)
    # the revision takes the maker's gasket, and names its make to the customer
    change(staff, lambda one: structs.replace(one, offer=()) if one.id == "BRMW" else one)
    agree(staff, quote, 2, machines=5)

    answer = order(staff, quote, 2)

    assert planned_of(staff, quote, "V68-G-140") == ["CPSN"]
    (made,) = answer["items"]
    # four sets and two gaskets replace what BRMW would have sent; what is in the sets is surplus
    assert {line["item"]: line["packs"] for line in made["order"]["lines"]} == {
        "V68-K-011": 4,
        "V68-G-140": 2,
    }
    assert {one["sku"]: one["packs"] for one in answer["surplus"]} == {
        "BW-88110": 8,
        "BW-88140": 10,
        "CD-303-V103": 8,
        "V68-G-121": 8,
        "V68-G-131": 4,
    }


ONE_HEAD: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [{"code": "HG-OUTSIDE", "cylinder": 1}],
    "diagnostic_done": True,
}


def charges(answer: Any) -> Decimal:
    """Return the freight and fees of the orders that were made."""
    return sum(
        (
            Decimal(amount["amount"])
            for one in answer["items"]
            for amount in (one["order"]["freight"], *(f["amount"] for f in one["order"]["fees"]))
        ),
        start=Decimal(0),
    )


def freight_line(staff: Staff, quote: str) -> Any:
    shown = staff.get(f"/v1/quotes/{quote}")["quote"]["lines"]
    return next((line for line in shown if line["kind"] == "freight"), None)


def find_part(staff: Staff, quote: str) -> Any:
    """Return the first contingency of a quote that needs parts."""
    listed = staff.get(f"/v1/quotes/{quote}")["quote"]["contingencies"]["each"]
    return next(one for one in listed if one["parts"] and one["jobs"] and not one["after"])


def test_change_order_costs_what_was_told_with_the_freight_of_its_own_order(staff: Staff) -> None:
    quote = staff.accepted(**ONE_HEAD)
    found, before = find_part(staff, quote), staff.get(f"/v1/quotes/{quote}")
    first = charges(order(staff, quote, 1))
    staff.act(quote, "start")
    jobs = [{"job": one["job"], "cylinder": one["cylinder"]} for one in found["jobs"]]

    staff.act(quote, "revise", {**ONE_HEAD, "add_jobs": jobs})
    staff.act(quote, "issue")
    staff.act(quote, "accept", {**YES, "revision": 2})

    after = staff.get(f"/v1/quotes/{quote}")
    gross = [Decimal(one["quote"]["totals"]["gross"]["amount"]) for one in (before, after)]
    assert gross[1] - gross[0] == Decimal(found["price"]["amount"])
    second = charges(order(staff, quote, 2))
    assert first > 0 < second
    line = freight_line(staff, quote)
    (why,) = line["why"]
    assert why["code"] == "freight-of-later-orders"
    assert Decimal(why["facts"]["before"]["amount"]) == first
    assert Decimal(why["facts"]["charged"]["amount"]) == first + second
    passed_on = min(first + second, Decimal(why["facts"]["cap"]["amount"]))
    assert Decimal(line["amount"]["amount"]) == passed_on
    # a revision that needs nothing more has the freight of what was ordered
    staff.act(quote, "revise", {**ONE_HEAD, "add_jobs": jobs})
    staff.act(quote, "issue")
    staff.act(quote, "accept", {**YES, "revision": 3})
    again = freight_line(staff, quote)
    assert again["amount"] == line["amount"]
    assert [why["code"] for why in again["why"]] == ["freight-of-orders-before"]


def test_what_was_ordered_is_never_taken_from_a_request(staff: Staff) -> None:
    told: dict[str, Any] = {"ordered": {"packs": [], "charged": "900.00"}}

    quote = staff.accepted(**ONE_HEAD, **told)

    own = [{"order": one} for one in staff.get(f"/v1/quotes/{quote}")["quote"]["orders"]]
    assert Decimal(freight_line(staff, quote)["amount"]["amount"]) == charges({"items": own})


def test_order_that_became_dearer_than_agreed_is_told_as_a_loss(staff: Staff) -> None:
    quote = staff.accepted(**ONE_HEAD)
    agreed = staff.get(f"/v1/quotes/{quote}")["quote"]["margin"]
    assert not agreed["loss"]

    def dearer(one: Supplier) -> Supplier:
        offers = [structs.replace(each, cost=figure("400.00"), breaks=()) for each in one.offer]
        return structs.replace(one, offer=tuple(offers))

    change(staff, dearer)

    made = order(staff, quote, 1)

    (cost,) = made["costs"]
    landed = sum(Decimal(one["order"]["net"]["amount"]) for one in made["items"])
    assert cost["quote"] == quote
    assert (cost["planned"], Decimal(cost["landed"]["amount"])) == (agreed["landed"], landed)
    planned, left = (Decimal(agreed[name]["amount"]) for name in ("landed", "left"))
    assert Decimal(cost["left"]["amount"]) == left + planned - landed < 0
    assert cost["loss"]


def test_second_order_costs_with_what_was_ordered_before(staff: Staff) -> None:
    quote = staff.accepted(**ONE_HEAD)
    first = order(staff, quote, 1)
    assert (
        first["costs"][0]["landed"] == staff.get(f"/v1/quotes/{quote}")["quote"]["margin"]["landed"]
    )
    jobs = [{"job": "J-HEAD-GASKET", "cylinder": 2}]
    staff.act(quote, "revise", {**ONE_HEAD, "add_jobs": jobs})
    staff.act(quote, "issue")
    staff.act(quote, "accept", {**YES, "revision": 2})

    (cost,) = order(staff, quote, 2)["costs"]

    orders = staff.get("/v1/orders", quote=quote)["items"]
    landed = sum(Decimal(one["order"]["net"]["amount"]) for one in orders)
    assert Decimal(cost["landed"]["amount"]) == landed
    assert not cost["loss"]


def test_order_short_of_free_freight_proposes_what_the_shelf_lacks(staff: Staff) -> None:
    def free_from(one: Supplier) -> Supplier:
        return structs.replace(one, free_freight_from=figure("400.00"))

    change(staff, free_from)
    quote = staff.accepted(**ONE_HEAD)
    plain = order(staff, quote, 1)
    assert plain["fills"] == []
    first = next(one for one in plain["items"] if Decimal(one["order"]["freight"]["amount"]))
    item = first["order"]["lines"][0]["item"]
    staff.done(f"/v1/shelf/{item}/reorder-point", {"least": "5", "wanted": "500"})

    made = order(staff, staff.accepted(**ONE_HEAD), 1)

    fill = next(one for one in made["fills"])
    filled = next(one["order"] for one in made["items"] if one["id"] == fill["order"])
    goods, gap = (Decimal(one["amount"]) for one in (filled["goods"], fill["gap"]))
    assert goods + gap == 400
    added = sum(Decimal(one["net"]["amount"]) for one in fill["fillers"])
    assert added >= gap
    assert {one["item"] for one in fill["fillers"]} == {item}
    assert Decimal(fill["saved"]["amount"]) > 0
    # nothing of it is ordered
    assert len(staff.get("/v1/orders")["items"]) == len(plain["items"]) + len(made["items"])
