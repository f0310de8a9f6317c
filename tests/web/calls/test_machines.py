"""Machines over the wire: kept, read, found and changed."""

from typing import Any

import pytest
from litestar.testing import TestClient
from tests.web.calls.shop import LEAKING_VALVE, add, faults, kept, once, problem

Client = TestClient[Any]
WHOLE: dict[str, Any] = {
    "name": "Yard roller",
    "family": "QM-H27",
    "customer": None,
    "serial": 2140077,
    "build_code": "0114",
    "chassis": "PW-G5",
    "plate": {"Type": "H27", "Made": "week 4"},
    "hours": "412.5",
    "note": "Starts hard.",
}


def test_create_answers_the_record_with_its_place(client: Client) -> None:
    customer = add(client, "/v1/customers", {"name": "Wenna"})
    body = {**WHOLE, "customer": customer.id}
    answer = client.post("/v1/machines", json=body, headers=once())
    machine = kept(answer)
    assert answer.headers["location"] == f"/v1/machines/{machine.id}"
    assert {name: machine.record[name] for name in body} == body
    assert kept(client.get(f"/v1/machines/{machine.id}")) == machine


def test_create_names_close_matches(client: Client) -> None:
    body = {**WHOLE, "family": "QM-H72", "chassis": "PWG5"}
    answer = client.post("/v1/machines", json=body, headers=once())
    problem(answer, 422, "request-refused")
    assert faults(answer) == {"/family": "unknown-family", "/chassis": "unknown-chassis"}
    assert "did you mean" in answer.text


def test_create_refuses_a_chassis_that_cannot_carry_the_family(client: Client) -> None:
    body = {**WHOLE, "chassis": "MF-WB30"}
    answer = client.post("/v1/machines", json=body, headers=once())
    assert faults(answer) == {"/chassis": "chassis-cannot-carry"}


@pytest.mark.parametrize("name", ["C999999", "C888888"])
def test_create_refuses_a_customer_that_is_nobody(client: Client, name: str) -> None:
    answer = client.post("/v1/machines", json={**WHOLE, "customer": name}, headers=once())
    assert faults(answer) == {"/customer": "no-such-record"}


@pytest.mark.parametrize(
    ("member", "value", "at"),
    [
        ("serial", 10_000_000, "/serial"),
        ("serial", -1, "/serial"),
        ("serial", "2140077", "/serial"),
        ("build_code", "114", "/build_code"),
        ("hours", "-1", "/hours"),
        ("hours", "1e3", "/hours"),
        ("hours", 4, "/hours"),
        ("customer", "7", "/customer"),
        ("plate", {f"word {n}": "x" for n in range(21)}, "/plate"),
        ("plate", {"Type": "x" * 101}, "/plate/Type"),
        ("plate", {"Type": "a\nb"}, "/plate/Type"),
        ("plate", {"": "x"}, "/plate/"),
        ("plate", ["Type"], "/plate"),
        ("name", "", "/name"),
    ],
)
def test_create_points_to_what_is_of_the_wrong_shape(
    client: Client, member: str, value: object, at: str
) -> None:
    answer = client.post("/v1/machines", json={**WHOLE, member: value}, headers=once())
    problem(answer, 400, "body-invalid")
    assert set(faults(answer)) == {at}


@pytest.mark.parametrize("name", ["M999999", "C1", "M0"])
def test_get_refuses_what_is_none(client: Client, name: str) -> None:
    problem(client.get(f"/v1/machines/{name}"), 404, "unknown-record")


def test_change_replaces_the_whole_record(client: Client) -> None:
    machine = add(client, "/v1/machines", WHOLE)
    path = f"/v1/machines/{machine.id}"
    body = {"name": "Roller", "family": "QM-H27"}
    changed = kept(client.put(path, json=body, headers={"If-Match": machine.tag}))
    assert changed.record == {
        **dict.fromkeys(machine.record),
        **body,
        "plate": {},
        "id": machine.id,
        "version": 2,
        "made_at": machine.record["made_at"],
        "unprintable": [],
    }
    problem(client.put(path, json=body, headers={"If-Match": machine.tag}), 412, "record-changed")
    problem(client.put(path, json=body), 428, "condition-missing")


def test_change_refuses_what_create_refuses(client: Client) -> None:
    machine = add(client, "/v1/machines", WHOLE)
    path, headers = f"/v1/machines/{machine.id}", {"If-Match": machine.tag}
    answer = client.put(path, json={**WHOLE, "family": "QM"}, headers=headers)
    assert faults(answer) == {"/family": "unknown-family"}
    answer = client.put(path, json={**WHOLE, "customer": "C999999"}, headers=headers)
    assert faults(answer) == {"/customer": "no-such-record"}


def test_list_is_of_one_customer_page_by_page(client: Client) -> None:
    customer = add(client, "/v1/customers", {"name": "Fleet"}).id
    add(client, "/v1/machines", WHOLE)
    made = [add(client, "/v1/machines", {**WHOLE, "customer": customer}).id for _ in range(3)]
    answer = client.get(f"/v1/machines?customer={customer}&limit=2")
    found = [one["id"] for one in answer.json()["items"]]
    answer = client.get(str(answer.links["next"]["url"]))
    found += [one["id"] for one in answer.json()["items"]]
    assert found == made[::-1]
    assert "next" not in answer.links
    assert len(client.get("/v1/machines").json()["items"]) > 3


@pytest.mark.parametrize("query", ["customer=7", "limit=x", "cursor=x", "q=roller"])
def test_list_refuses_what_it_does_not_know(client: Client, query: str) -> None:
    problem(client.get(f"/v1/machines?{query}"), 400, "query-invalid")


def test_quote_takes_serial_and_chassis_of_its_machine(client: Client) -> None:
    machine = add(client, "/v1/machines", {**WHOLE, "build_code": None})
    asked = {
        "machine": machine.id,
        "family": "QM-H27",
        "diagnoses": LEAKING_VALVE["diagnoses"],
    }
    quote = add(client, "/v1/quotes", asked).record
    assert (quote["serial"], quote["request"]["chassis"]) == (2140077, "PW-G5")
    other = {**asked, "serial": 1}
    answer = client.post("/v1/quotes", json=other, headers=once())
    assert faults(answer) == {"/serial": "machine-differs"}
