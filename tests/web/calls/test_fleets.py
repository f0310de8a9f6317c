"""Fleets: several machines quoted in one call, each in a quote of its own."""

from collections import defaultdict
from decimal import Decimal
from typing import Any

import pytest
from tests.web.calls.conftest import Staff

ASKED: dict[str, Any] = {
    "family": "QM-H27",
    "chassis": "PW-G5",
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
}
UNITS: list[dict[str, Any]] = [
    {"serial": 2140077, "name": "Washer 1", "plate": {"Asset": "HY-001"}},
    {"serial": 1100001, "plate": {"Asset": "HY-002"}},
    {"serial": 2140078, "condition": {"rust": "heavy"}},
]


def fleet(staff: Staff, **more: Any) -> Any:
    return staff.done("/v1/quotes", {**ASKED, "units": UNITS, **more}).json()


def test_units_become_a_quote_each(staff: Staff) -> None:
    told = fleet(staff)

    ids = [one["id"] for one in told["quotes"]]
    assert (told["id"], ids) == ("G1", ["Q1", "Q2", "Q3"])
    assert staff.get("/v1/fleets/G1") == told
    assert {one["fleet"] for one in staff.get("/v1/quotes")["items"]} == {"G1"}
    for id, unit in zip(ids, UNITS, strict=True):  # noqa: A001
        own = {name: unit[name] for name in ("serial", "condition") if name in unit}
        alone = staff.done("/v1/quotes", {**ASKED, **own}).json()
        kept = staff.get(f"/v1/quotes/{id}")
        assert kept["quote"] == alone["quote"]
        assert alone["fleet"] is None


def test_kits_differ_where_serials_differ(staff: Staff) -> None:
    twin = {"family": "TB-V68", "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}]}
    units = [{"serial": serial} for serial in (3120416, 3040000, 3120417)]
    told = staff.done("/v1/quotes", {**twin, "chassis": "SK-ZT52", "units": units}).json()

    kits = [staff.get(f"/v1/quotes/{one['id']}")["quote"]["kit"] for one in told["quotes"]]
    assert kits[0]["needs"] != kits[1]["needs"]
    assert kits[0]["needs"] == kits[2]["needs"]


TWIN: dict[str, Any] = {
    "family": "TB-V68",
    "chassis": "SK-ZT52",
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}
TWINS = [{"serial": 3120416 + number} for number in range(4)]


def taken(quotes: list[Any]) -> dict[tuple[str, str], Decimal]:
    """Return what quotes take from stock, by item and bin."""
    sums = defaultdict[tuple[str, str], Decimal](Decimal)
    for quote in quotes:
        for one in quote["kit"]["from_stock"]:
            sums[one["item"], one["bin"]] += Decimal(one["quantity"])
    return sums


def free(staff: Staff) -> dict[tuple[str, str], Decimal]:
    rows = staff.get("/v1/shelf")["items"]
    return {
        (row["item"], holding["bin"]): Decimal(holding["free"])
        for row in rows
        for holding in row["holdings"]
    }


def test_what_is_on_the_shelf_is_promised_once(staff: Staff) -> None:
    told = staff.done("/v1/quotes", {**TWIN, "units": TWINS}).json()
    ids = [one["id"] for one in told["quotes"]]
    quotes = [staff.get(f"/v1/quotes/{id}")["quote"] for id in ids]  # noqa: A001

    there = free(staff)
    sums = taken(quotes)
    assert sums
    assert all(amount <= there[place] for place, amount in sums.items())
    # some piece is not enough for all of them, so a later one buys it
    alone = staff.done("/v1/quotes", {**TWIN, "serial": 3120416}).json()["quote"]
    each = taken([alone])
    assert any(len(TWINS) * amount > there[place] for place, amount in each.items())
    assert quotes[0]["kit"] == alone["kit"]

    # each is still what it was quoted at when it is issued, and revised
    for id in ids:  # noqa: A001
        staff.act(id, "issue")
    again = staff.act(ids[-1], "revise", {**TWIN, **TWINS[-1]})
    assert again["gross"] == told["quotes"][-1]["gross"]
    # what the first one no longer needs is free for the others
    staff.act(ids[0], "decline", {"revision": 1})
    staff.act(ids[1], "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    assert free(staff) != there


def test_serial_of_two_units_is_refused_by_name(staff: Staff) -> None:
    units = [{"serial": 2140077}, {}, {"serial": 2140077}, {}]

    told = staff.refused("/v1/quotes", {**ASKED, "units": units})

    (error,) = told["errors"]
    assert (error["code"], error["pointer"]) == ("serial-twice", "/units/2/serial")
    assert "units 1 and 3 both have the serial number 2140077" in error["detail"]
    assert staff.get("/v1/quotes") == {"items": []}
    unknown = [{}, {"serial": 2140077}, {}]
    assert len(staff.done("/v1/quotes", {**ASKED, "units": unknown}).json()["quotes"]) == 3

    machine = staff.done(
        "/v1/machines", {"name": "Washer", "family": "QM-H27", "serial": 2140077}
    ).json()["id"]
    kept = staff.refused(
        "/v1/quotes/preview", {**ASKED, "units": [{"serial": 2140077}, {"machine": machine}]}
    )
    assert [one["code"] for one in kept["errors"]] == ["serial-twice"]


def test_preview_of_units_is_what_keeping_them_prices(staff: Staff) -> None:
    asked = {**TWIN, "contingencies": True, "units": TWINS}
    told = staff.post("/v1/quotes/preview", asked).json()
    text = staff.client.post(
        "/v1/quotes/preview", json=asked, headers={"Accept": "text/plain"}
    ).text
    kept = staff.done("/v1/quotes", asked).json()

    quotes = [staff.get(f"/v1/quotes/{one['id']}")["quote"] for one in kept["quotes"]]
    assert told["quotes"] == quotes
    assert told["together"] == kept["together"]
    assert "Machine 4 of 4" in text
    assert f"All 4 machines together: ${told['together']['gross']['amount']}" in text.replace(
        ",", ""
    )
    bad = staff.refused("/v1/quotes/preview", {**asked, "serial": 1})
    assert [one["code"] for one in bad["errors"]] == ["units-beside"]


def test_machines_with_a_name_or_a_plate_are_kept_for_the_customer(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {"name": "Hire Yard"}).json()["id"]

    told = fleet(staff, customer=customer)

    machines = [one["machine"] for one in told["quotes"]]
    assert machines[2] is None
    kept = [staff.get(f"/v1/machines/{machine}") for machine in machines[:2]]
    assert [(one["name"], one["plate"], one["customer"]) for one in kept] == [
        ("Washer 1", {"Asset": "HY-001"}, customer),
        ("QM-H27 1100001", {"Asset": "HY-002"}, customer),
    ]
    assert [one["serial"] for one in kept] == [2140077, 1100001]
    asked = staff.get(f"/v1/quotes/{told['quotes'][1]['id']}")["request"]
    assert (asked["machine"], "units" in asked) == (machines[1], False)
    # a revision is for the same machine
    staff.act("Q2", "revise", ASKED)
    assert staff.get("/v1/quotes/Q2")["machine"] == machines[1]


def test_sums_are_those_of_quotes_that_stand(staff: Staff) -> None:
    told = fleet(staff)
    cents = [round(float(one["gross"]["amount"]) * 100) for one in told["quotes"]]
    assert told["together"]["machines"] == 3
    assert round(float(told["together"]["gross"]["amount"]) * 100) == sum(cents)
    assert told["agreed"] == {
        "machines": 0,
        "net": {"amount": "0.00", "currency": "USD"},
        "gross": {"amount": "0.00", "currency": "USD"},
    }
    for one in told["quotes"]:
        staff.act(one["id"], "issue")
    staff.act("Q1", "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    staff.act("Q2", "decline", {"revision": 1})

    after = staff.get("/v1/fleets/G1")

    assert after["together"]["machines"] == 2
    assert round(float(after["together"]["gross"]["amount"]) * 100) == cents[0] + cents[2]
    assert (after["agreed"]["machines"], after["agreed"]["gross"]) == (
        1,
        told["quotes"][0]["gross"],
    )


def test_sum_is_unknown_while_a_tax_is(staff: Staff) -> None:
    told = fleet(staff, tax_area=None)

    assert told["together"] == {"machines": 3, "net": None, "gross": None}


def test_agreed_quotes_of_a_fleet_are_ordered_together(staff: Staff) -> None:
    told = fleet(staff)
    for one in told["quotes"]:
        staff.act(one["id"], "issue")
        staff.act(one["id"], "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})

    revisions = [{"quote": one["id"], "revision": 1} for one in told["quotes"]]
    orders = staff.done("/v1/orders", {"revisions": revisions}).json()["items"]

    for order in orders:
        assert {each["quote"] for each in order["allocations"]} <= {"Q1", "Q2", "Q3"}
    assert any(len(order["allocations"]) > 1 for order in orders)


@pytest.mark.parametrize(
    ("unit", "code", "pointer"),
    [
        ({"serial": 5, "chassis": "PW-G6"}, "unknown-chassis", "/units/3/chassis"),
        ({"machine": "M9"}, "no-such-record", "/units/3/machine"),
    ],
)
def test_bad_unit_is_named_and_nothing_is_kept(
    staff: Staff, unit: dict[str, Any], code: str, pointer: str
) -> None:
    told = staff.refused("/v1/quotes", {**ASKED, "units": [*UNITS, unit]})

    assert [(one["code"], one["pointer"]) for one in told["errors"]] == [(code, pointer)]
    assert staff.get("/v1/quotes") == {"items": []}
    assert staff.get("/v1/machines") == {"items": []}


def test_errors_of_what_units_share_are_told_once(staff: Staff) -> None:
    asked = {**ASKED, "units": UNITS, "diagnoses": [{"code": "NONE"}]}

    told = staff.refused("/v1/quotes", asked)

    assert [one["pointer"] for one in told["errors"]] == ["/diagnoses/0/code"]


def test_machine_of_another_family_is_named(staff: Staff) -> None:
    other = staff.done("/v1/machines", {"name": "Mower", "family": "TB-V68"}).json()["id"]

    told = staff.refused("/v1/quotes", {**ASKED, "units": [*UNITS, {"machine": other}]})

    assert [one["pointer"] for one in told["errors"]] == ["/units/3/machine"]


def test_unknown_fleet_is_refused(staff: Staff) -> None:
    staff.quote()

    for id in ("G1", "G7", "Q1"):  # noqa: A001
        assert staff.client.get(f"/v1/fleets/{id}").status_code == 404


def test_documents_tell_the_machine_and_the_fleet(staff: Staff) -> None:
    told = fleet(staff)
    for one in told["quotes"]:
        staff.act(one["id"], "issue")
    staff.act("Q3", "decline", {"revision": 1})
    together = staff.get("/v1/fleets/G1")["together"]
    path = "/v1/quotes/Q2/sheet"
    page = staff.client.get(path, headers={"Accept": "text/html"}).text
    xml = staff.client.get(path, headers={"Accept": "application/xml"}).text

    of = "This is the quote for machine 2 of 3 in the group G1."
    assert of in xml
    assert (
        f"{of} 2 quotes of the group stand today, together ${together['gross']['amount']}. "
        "You say yes or no to each machine by itself."
    ) in page


def test_billed_machines_are_in_no_sum_of_offers(staff: Staff) -> None:
    fleet(staff)
    for id in ("Q1", "Q2", "Q3"):  # noqa: A001
        staff.act(id, "issue")
    staff.act("Q1", "accept", {"revision": 1, "who": "A. Customer", "means": "telephone"})
    staff.supplied("Q1")
    staff.act("Q1", "start")
    staff.act("Q1", "finish")

    billed, open_ = (
        staff.client.get(f"/v1/quotes/{one}/sheet", headers={"Accept": "text/html"}).text
        for one in ("Q1", "Q2")
    )

    together = staff.get("/v1/fleets/G1")["together"]
    assert together["machines"] == 2
    assert "of the group stand" not in billed
    assert f"2 quotes of the group stand today, together ${together['gross']['amount']}." in open_
