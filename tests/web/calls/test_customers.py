"""Customers over the wire: kept, read, found and changed."""

from typing import Any

import pytest
from litestar.testing import TestClient
from tests.web.calls.shop import add, faults, kept, once, problem

Client = TestClient[Any]
WHOLE = {
    "name": "Wenna Tresco",
    "email": "w.tresco+mower@post.example.org",
    "telephone": "+44 1632 960 011",
    "address": "2 Quay Hill\nPolgarrow",
    "language": "en",
    "certificate_number": "EX-88-1",
    "certificate_until": "2028-12-31",
    "note": "Rings twice.\nAsk for the shed key.",
}


def test_create_answers_the_record_with_its_place(client: Client) -> None:
    answer = client.post("/v1/customers", json=WHOLE, headers=once())
    customer = kept(answer)
    assert answer.status_code == 201
    assert answer.headers["location"] == f"/v1/customers/{customer.id}"
    assert {name: customer.record[name] for name in WHOLE} == WHOLE
    assert (customer.record["version"], customer.record["erased_at"]) == (1, None)
    again = client.get(answer.headers["location"])
    assert (again.json(), again.headers["etag"]) == customer


def test_create_twice_under_one_key_makes_one(client: Client) -> None:
    headers = once()
    one = client.post("/v1/customers", json=WHOLE, headers=headers)
    two = client.post("/v1/customers", json=WHOLE, headers=headers)
    assert (two.json(), two.status_code) == (one.json(), 201)


def test_create_needs_an_idempotency_key(client: Client) -> None:
    answer = client.post("/v1/customers", json=WHOLE)
    problem(answer, 400, "idempotency-key-missing")


@pytest.mark.parametrize(
    "address",
    [
        "x@example.org",
        "a.b-c_d+e=f/g!h#i$j%k&l'm*n?o^p`q{r|s}t~u@example.org",
        "x@a-b.c1.example",
        f"{'x' * 64}@example.org",
    ],
)
def test_create_takes_a_plain_address(client: Client, address: str) -> None:
    assert add(client, "/v1/customers", {"name": "X", "email": address}).record["email"] == address


@pytest.mark.parametrize(
    "address",
    [
        "Wenna <w@example.org>",
        "<w@example.org>",
        "w@example.org\r\nBcc: all@example.org",
        "w@example.org\n",
        "\nw@example.org",
        "w@example.org, v@example.org",
        '"w w"@example.org',
        "w(tresco)@example.org",
        "w@[192.0.2.1]",
        "w@192.0.2.1",
        "w@localhost",
        "w@-a.example",
        "w@a-.example",
        "w@a..example",
        ".w@example.org",
        "w.@example.org",
        "w..v@example.org",
        "w@v@example.org",
        "w example.org",
        "wé@example.org",
        "w@exämple.org",
        "@example.org",
        f"{'x' * 65}@example.org",
        f"x@{'a.' * 126}example",
        "",
    ],
)
def test_create_refuses_what_is_no_plain_address(client: Client, address: str) -> None:
    answer = client.post("/v1/customers", json={"name": "X", "email": address}, headers=once())
    problem(answer, 400, "body-invalid")
    assert set(faults(answer)) == {"/email"}


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("name", ""),
        ("name", " Wenna"),
        ("name", "Wenna\nTresco"),
        ("name", None),
        ("telephone", "ring me"),
        ("telephone", "+44\r\n5"),
        ("address", "2 Quay Hill\x00"),
        ("address", "2 Quay Hill\r\nPolgarrow"),
        ("note", "x" * 2_001),
        ("certificate_until", "tomorrow"),
        ("shoe_size", 43),
    ],
)
def test_create_points_to_what_is_of_the_wrong_shape(
    client: Client, member: str, value: object
) -> None:
    answer = client.post("/v1/customers", json={**WHOLE, member: value}, headers=once())
    problem(answer, 400, "body-invalid")
    assert set(faults(answer)) == {f"/{member}"}


def test_create_refuses_a_language_that_nobody_speaks(client: Client) -> None:
    answer = client.post("/v1/customers", json={"name": "X", "language": "xx"}, headers=once())
    assert faults(answer) == {"/language": "unknown-language"}


@pytest.mark.parametrize(
    ("given", "missing"),
    [
        ({"certificate_number": "EX-88-1"}, "/certificate_until"),
        ({"certificate_until": "2028-12-31"}, "/certificate_number"),
    ],
)
def test_create_refuses_half_a_certificate(
    client: Client, given: dict[str, str], missing: str
) -> None:
    answer = client.post("/v1/customers", json={"name": "X", **given}, headers=once())
    problem(answer, 422, "request-refused")
    assert faults(answer) == {missing: "certificate-incomplete"}


def test_get_answers_304_to_who_has_it(client: Client) -> None:
    customer = add(client, "/v1/customers", WHOLE)
    path = f"/v1/customers/{customer.id}"
    assert client.get(path, headers={"If-None-Match": customer.tag}).status_code == 304
    assert client.get(path, headers={"If-None-Match": '"other"'}).status_code == 200


@pytest.mark.parametrize("name", ["C999999", "M1", "C0", "C01", "7", "C1%00", "C" + "9" * 30])
def test_get_refuses_what_is_nobody(client: Client, name: str) -> None:
    problem(client.get(f"/v1/customers/{name}"), 404, "unknown-record")
    problem(client.get(f"/v1/customers/{name}/export"), 404, "unknown-record")


def test_change_replaces_the_whole_record(client: Client) -> None:
    customer = add(client, "/v1/customers", WHOLE)
    path = f"/v1/customers/{customer.id}"
    changed = kept(
        client.put(path, json={"name": "Wenna Penhale"}, headers={"If-Match": customer.tag})
    )
    assert changed.tag != customer.tag
    assert changed.record == {
        **dict.fromkeys(customer.record),
        "id": customer.id,
        "name": "Wenna Penhale",
        "version": 2,
        "made_at": customer.record["made_at"],
        "unprintable": [],
    }
    assert kept(client.get(path)) == changed


def test_change_refuses_a_stale_tag_and_none(client: Client) -> None:
    customer = add(client, "/v1/customers", WHOLE)
    path = f"/v1/customers/{customer.id}"
    first = client.put(path, json={"name": "First"}, headers={"If-Match": customer.tag})
    stale = client.put(path, json={"name": "Second"}, headers={"If-Match": customer.tag})
    problem(stale, 412, "record-changed")
    assert stale.headers["etag"] == first.headers["etag"]
    problem(client.put(path, json={"name": "Third"}), 428, "condition-missing")
    malformed = client.put(path, json={"name": "Fourth"}, headers={"If-Match": "7"})
    problem(malformed, 400, "condition-malformed")
    assert client.get(path).json()["name"] == "First"


def test_change_refuses_what_create_refuses(client: Client) -> None:
    customer = add(client, "/v1/customers", WHOLE)
    answer = client.put(
        f"/v1/customers/{customer.id}",
        json={"name": "X", "language": "xx", "certificate_number": "1"},
        headers={"If-Match": customer.tag},
    )
    assert faults(answer) == {
        "/language": "unknown-language",
        "/certificate_until": "certificate-incomplete",
    }


def test_change_refuses_what_is_nobody(client: Client) -> None:
    answer = client.put("/v1/customers/C999999", json={"name": "X"}, headers={"If-Match": "*"})
    problem(answer, 404, "unknown-record")


def test_list_leads_from_page_to_page(client: Client) -> None:
    made = [add(client, "/v1/customers", {"name": f"Jory Pagefold {n}"}).id for n in range(5)]
    found: list[str] = []
    path = "/v1/customers?q=pagefold%20jo&limit=2"
    pages = 0
    while path:
        answer = client.get(path)
        found += [one["id"] for one in answer.json()["items"]]
        link = answer.links.get("next")
        path = "" if link is None else str(link["url"])
        pages += 1
    assert (found, pages) == (made[::-1], 3)


def test_list_finds_by_how_words_begin(client: Client) -> None:
    customer = add(client, "/v1/customers", {"name": "Zénobia Trevanion-Oddfellow"})
    for words in ("zeno", "trev", "odd%20zen", "TREVANION"):
        items = client.get(f"/v1/customers?q={words}").json()["items"]
        assert [one["id"] for one in items] == [customer.id]
    assert not client.get("/v1/customers?q=evanion").json()["items"]


@pytest.mark.parametrize(
    "words", ["%22", "*", "-", "a%20OR%20b", "name%3Ax", "%28", "%22%22%20%2A", "%F0%9F%9A%9C"]
)
def test_list_takes_any_words(client: Client, words: str) -> None:
    assert client.get(f"/v1/customers?q={words}").status_code == 200


@pytest.mark.parametrize(
    "query", ["q=%00", "q=a%0Ab", "limit=0", "limit=201", "cursor=x", "page=2", "q=a&q=b"]
)
def test_list_refuses_what_it_does_not_know(client: Client, query: str) -> None:
    problem(client.get(f"/v1/customers?{query}"), 400, "query-invalid")


def test_list_of_quotes_refuses_words_that_end_the_search(client: Client) -> None:
    problem(client.get("/v1/quotes?q=%00"), 400, "query-invalid")


def test_quote_takes_language_and_certificate_of_its_customer(client: Client) -> None:
    customer = add(client, "/v1/customers", WHOLE)
    asked = {
        "customer": customer.id,
        "family": "QM-H27",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    }
    request = add(client, "/v1/quotes", asked).record["request"]
    assert request["language"] == "en"
    assert request["exemption"] == {"certificate_number": "EX-88-1", "valid_until": "2028-12-31"}
