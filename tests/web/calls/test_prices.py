"""Calls on price files and the price book, of the real service."""

import time
from collections.abc import Callable, Iterator
from typing import Any
from uuid import uuid4

import httpx
import pytest
from tests.desks import Live, run_live
from tests.prices.test_mutated import mutated

from kitwright.examination import read_sound
from kitwright.settings import built_in_catalog

HEAD = "Part no,OEM number,Brand,Description,List price,Cost\n"
CSV = {"Content-Type": "text/csv"}
PREVIEW = {
    "family": "TB-V68",
    "chassis": "loose",
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with run_live(tmp_path_factory.mktemp("data")) as running:
        yield running


@pytest.fixture
def client(live: Live) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {live.key}"}
    with httpx.Client(base_url=live.address, headers=headers, timeout=120) as opened:
        yield opened


def everything_at(cost: str) -> str:
    """Return a price file of ALDQ in which every part of its makers has a cost."""
    parts = read_sound(built_in_catalog()).parts.values()
    rows = (
        f'AQ-{part.id},{part.id},,"{part.name}",,{cost}'
        for part in parts
        if part.maker in ("Tarnbeck", "Quellmar")
    )
    return HEAD + "\n".join(rows) + "\n"


def send(client: httpx.Client, raw: bytes | str, supplier: str = "ALDQ") -> dict[str, Any]:
    """Return a file that was sent, once it has been read."""
    path = f"/v1/price-files?supplier={supplier}&name=prices.csv"
    answer = client.post(path, content=raw, headers=CSV)
    assert answer.status_code == 202, answer.text
    where = answer.headers["Location"]
    file: dict[str, Any] = until(
        lambda: client.get(where).json(), lambda file: file["state"] != "received"
    )
    return file


def act(
    client: httpx.Client, path: str, body: dict[str, Any] | None = None, once: str = ""
) -> httpx.Response:
    """Apply a price file or go back, with an idempotency key of its own if none is given."""
    headers = {"Idempotency-Key": f'"{once or uuid4().hex}"'}
    return client.post(path, json=body or {}, headers=headers)


def until(get: Callable[[], Any], claim: Callable[[Any], bool]) -> Any:
    ends = time.monotonic() + 120
    while not claim(found := get()):
        assert time.monotonic() < ends, found
        time.sleep(0.05)
    return found


def costs(client: httpx.Client) -> set[str]:
    answer = client.post("/v1/quotes/preview", json=PREVIEW)
    assert answer.status_code == 200, answer.text
    orders = answer.json()["orders"]
    return {line["unit_cost"] for order in orders for line in order["lines"]}


def test_price_file_is_read_applied_looked_up_and_undone(client: httpx.Client) -> None:
    before = costs(client)
    draft = client.post("/v1/quotes", json=PREVIEW, headers={"Idempotency-Key": '"prices"'})
    assert draft.status_code == 201

    file = send(client, everything_at("0.09"))

    assert (file["state"], file["errors"], file["percent"]) == ("read", [], "100")
    assert file["difference"]["cheaper"]["count"] > 100
    assert costs(client) == before

    applied = act(client, f"/v1/price-files/{file['id']}/apply")
    again = act(client, f"/v1/price-files/{file['id']}/apply")

    assert applied.status_code == again.status_code == 200
    assert applied.json() == again.json()
    # the very next preview has the new prices
    assert "0.09" in costs(client)

    # a draft that is revised orders the new numbers, which a later file changes
    quote, tag = draft.json()["id"], draft.headers["ETag"]
    headers = {"Idempotency-Key": '"revised"', "If-Match": tag}
    revised = client.post(f"/v1/quotes/{quote}/revise", json=PREVIEW, headers=headers)
    assert revised.status_code in (200, 201), revised.text
    later = send(client, everything_at("0.10"))
    assert later["difference"]["drafts"] == [quote]
    assert later["difference"]["far"]["count"] == 0

    found = client.get("/v1/price-book", params={"find": "aq v68 g103"}).json()
    assert [each["number"] for each in found["items"]] == ["AQ-V68-G-103"]
    assert found["items"][0]["cost"] == "0.09"
    listed = client.get("/v1/price-book/revisions").json()
    assert listed["in_force"] == applied.json()["revision"] == found["in_force"]

    for _ in range(2):
        undone = act(client, "/v1/price-book/back", {"revision": listed["in_force"]})
        assert undone.json()["in_force"] is None
    assert costs(client) == before
    events = [each for each in all_events(client) if each["kind"].startswith("prices.")]
    revision = listed["in_force"]
    assert [(each["kind"], each["hand"], each["facts"]) for each in events] == [
        (
            "prices.applied",
            "key",
            {"revision": revision, "before": 0, "supplier": "ALDQ", "file": file["id"]},
        ),
        ("prices.undone", "key", {"revision": 0, "before": revision}),
    ]
    assert [each["id"] for each in client.get("/v1/price-files").json()["items"]][-1] == file["id"]


def test_difference_names_quotes_that_another_supplier_would_win(client: httpx.Client) -> None:
    kept = client.post("/v1/quotes", json=PREVIEW, headers={"Idempotency-Key": f'"{uuid4().hex}"'})
    quote = kept.json()["id"]
    orders = client.post("/v1/quotes/preview", json=PREVIEW).json()["orders"]
    used = {order["supplier"] for order in orders}
    item = orders[0]["lines"][0]["item"]
    act(client, f"/v1/shelf/{item}/reorder-point", {"least": "1", "wanted": "2"})
    other = next(each for each in ("BRMW", "CPSN") if each not in used)

    foreign = send(client, everything_at("0.01"), "FKRD")["difference"]
    cheapest = send(client, everything_at("0.01"), other)["difference"]

    # the shop buys nothing in euros
    assert quote not in foreign["drafts"]
    assert quote in cheapest["drafts"]
    assert cheapest["reorder_points"] == [item]
    assert cheapest["quotes_not_priced"] == 0


def test_price_file_of_more_than_16_mebibytes_is_taken(client: httpx.Client) -> None:
    padding = "x" * 1_000
    rows = "".join(f"L-{index},,,{padding},,cheap\n" for index in range(17_500))

    file = send(client, HEAD + rows)

    assert (file["state"], file["error_count"]) == ("refused", 17_500)


def all_events(client: httpx.Client) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get("/v1/events", params={"limit": 1000}).json()["items"]
    return found


def test_price_file_is_applied_once_for_an_idempotency_key(client: httpx.Client) -> None:
    path = f"/v1/price-files/{send(client, everything_at('0.11'))['id']}/apply"
    assert client.post(path).json()["code"] == "idempotency-key-missing"
    applied = act(client, path, once="applying")
    act(client, "/v1/price-book/back", {"revision": applied.json()["revision"]})

    again = act(client, path, once="applying")

    assert (again.status_code, again.json()) == (200, applied.json())
    assert client.get("/v1/price-book/revisions").json()["in_force"] is None


def test_price_file_with_errors_lists_them_and_is_not_applied(client: httpx.Client) -> None:
    rows = "".join(f"A-{index},,,,,cheap\n" for index in range(250))

    file = send(client, HEAD + rows)

    assert (file["state"], file["error_count"], len(file["errors"])) == ("refused", 250, 200)
    assert file["errors"][0] == {
        "line": 2,
        "column": "Cost",
        "value": "cheap",
        "code": "not-an-amount",
        "reason": "not an amount of money",
    }
    path = f"/v1/price-files/{file['id']}/errors"
    first = client.get(path, params={"limit": 249}).json()
    rest = client.get(path, params={"after": first["last"]}).json()
    assert [len(first["items"]), len(rest["items"])] == [249, 1]
    refused = act(client, f"/v1/price-files/{file['id']}/apply")
    assert (refused.status_code, refused.json()["code"]) == (409, "act-refused")
    assert "250" in refused.json()["errors"][0]["detail"]


@pytest.mark.parametrize(
    ("path", "headers", "status", "code"),
    [
        ("/v1/price-files?supplier=NONE", CSV, 400, "query-invalid"),
        ("/v1/price-files", CSV, 400, "query-invalid"),
        ("/v1/price-files?supplier=ALDQ", {"Content-Type": "image/png"}, 415, "wrong-media-type"),
    ],
)
def test_price_file_that_can_not_be_taken_says_why(
    client: httpx.Client, path: str, headers: dict[str, str], status: int, code: str
) -> None:
    answer = client.post(path, content=b"x", headers=headers)

    assert (answer.status_code, answer.json()["code"]) == (status, code)


@pytest.mark.parametrize("where", ["F999", "Q1", "x"])
def test_price_file_that_is_not_there_is_named(client: httpx.Client, where: str) -> None:
    answer = client.get(f"/v1/price-files/{where}")

    assert (answer.status_code, answer.json()["code"]) == (404, "unknown-record")


def test_going_back_from_a_revision_that_is_not_in_force_is_refused(client: httpx.Client) -> None:
    answer = act(client, "/v1/price-book/back", {"revision": 77})

    assert (answer.status_code, answer.json()["code"]) == (409, "act-refused")


def test_changed_files_never_break_the_service(client: httpx.Client) -> None:
    for seed in range(12):
        answer = client.post("/v1/price-files?supplier=EBHT", content=mutated(seed), headers=CSV)
        assert answer.status_code == 202, answer.text
    files = until(
        lambda: client.get("/v1/price-files").json()["items"],
        lambda found: all(each["state"] != "received" for each in found),
    )
    assert {each["state"] for each in files} <= {"read", "refused", "replaced", "applied"}
