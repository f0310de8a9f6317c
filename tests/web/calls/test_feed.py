"""The feed: in order, page by page, and told to the owner with who did what."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from tests.desks import client_alone

from kitwright.store.engine import FILE, connect
from kitwright.web.calls.service import Service


@pytest.fixture(scope="module")
def owner(service: Service, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Any]]:
    """Return a client of a service with five events: five keys were made."""
    with client_alone(service, tmp_path_factory.mktemp("feed")) as client:
        for number in range(5):
            client.post(
                "/v1/keys",
                json={"name": f"Key {number}", "scopes": ["read"]},
                headers={"Idempotency-Key": f'"{number}"', "X-Request-Id": f"call-{number}"},
            )
        yield client


@pytest.mark.parametrize("path", ["/v1/events", "/v1/audit"])
@pytest.mark.parametrize(
    ("query", "seqs", "last"),
    [
        ("", [1, 2, 3, 4, 5], 5),
        ("?after=0&limit=2", [1, 2], 2),
        ("?after=2&limit=2", [3, 4], 4),
        ("?after=4&limit=2", [5], 5),
        ("?after=5", [], 5),
    ],
)
def test_feed_goes_on_behind_a_place(
    owner: TestClient[Any], path: str, query: str, seqs: list[int], last: int
) -> None:
    page = owner.get(f"{path}{query}").json()

    assert [each["seq"] for each in page["items"]] == seqs
    assert (page["last"], page["newest"]) == (last, 5)


@pytest.mark.parametrize("path", ["/v1/events", "/v1/audit"])
@pytest.mark.parametrize(
    "query",
    ["after=-1", "after=x", "after=1.5", "limit=0", "limit=1001", "before=1", "after=1&after=2"],
)
def test_feed_asked_for_wrongly_is_refused(owner: TestClient[Any], path: str, query: str) -> None:
    answer = owner.get(f"{path}?{query}")

    assert (answer.status_code, answer.json()["code"]) == (400, "query-invalid")


@pytest.mark.parametrize("path", ["/v1/events", "/v1/audit"])
def test_place_after_the_newest_event_is_told_how_to_go_on(
    owner: TestClient[Any], path: str
) -> None:
    answer = owner.get(f"{path}?after=900")

    assert answer.status_code == 410
    assert answer.json()["code"] == "feed-restarted"
    next_page = answer.headers["Link"].removeprefix("<").partition(">")[0]
    went_on = owner.get(next_page).json()
    assert (went_on["items"], went_on["last"]) == ([], 5)


def test_audit_names_who_did_it(owner: TestClient[Any]) -> None:
    (mine,) = (key for key in owner.get("/v1/keys").json()["items"] if "owner" in key["scopes"])

    first = owner.get("/v1/audit").json()["items"][0]

    assert first["kind"] == "key.created"
    assert (first["hand"], first["by"], first["by_name"]) == ("key", mine["id"], "owner")
    assert first["request_id"] == "call-0"


def test_audit_is_the_feed_and_more(owner: TestClient[Any]) -> None:
    feed = owner.get("/v1/events").json()["items"]
    audit = owner.get("/v1/audit").json()["items"]

    assert [{name: each[name] for name in feed[0]} for each in audit] == feed
    assert audit[0].keys() - feed[0].keys() == {"by_name"}


def test_audit_names_no_key_where_a_customer_decided(
    owner: TestClient[Any], leaking_valve: dict[str, Any]
) -> None:
    def act(path: str, name: str, tag: str | None = None, body: Any = None) -> Any:
        headers = {"Idempotency-Key": f'"{name}"', **({"If-Match": tag} if tag else {})}
        answer = owner.post(path, json=body, headers=headers)
        assert answer.is_success, answer.text
        return answer

    made = act("/v1/quotes", "make", None, leaking_valve)
    path = made.headers["location"]
    issued = act(f"{path}/issue", "issue", made.headers["etag"])
    link = act(f"{path}/links", "link", issued.headers["etag"], {}).json()["path"]
    assert owner.post(f"{link}/accept", json={"who": "J. Lindqvist"}).status_code == 200

    last = owner.get("/v1/audit?after=7").json()["items"][-1]

    assert (last["kind"], last["hand"], last["by_name"]) == ("quote.accepted", "link", None)
    assert "Lindqvist" not in owner.get("/v1/audit").text


@pytest.mark.parametrize("path", ["/v1/events", "/v1/audit"])
def test_feed_goes_on_behind_a_damaged_event(service: Service, tmp_path: Path, path: str) -> None:
    with client_alone(service, tmp_path) as client:
        for number in range(5):
            body = {"name": f"Key {number}", "scopes": ["read"]}
            headers = {"Idempotency-Key": f'"{number}"'}
            client.post("/v1/keys", json=body, headers=headers).raise_for_status()
        with closing(connect(tmp_path / FILE)) as connection:
            connection.execute("DROP TRIGGER IF EXISTS events_stay")
            connection.execute("UPDATE events SET subject = 'key:other' WHERE seq = 3")

        seqs, after = list[int](), ""
        while (page := client.get(f"{path}?after={after}")).is_success:
            seqs += [each["seq"] for each in page.json()["items"]]
            after = page.json()["next"]
        told = page.json()["detail"]
        behind = client.get(f"{path}?after={told.rpartition('after=')[2]}").json()

    assert seqs == [1, 2]
    assert (page.status_code, page.json()["code"]) == (500, "record-damaged")
    assert told.startswith("events 3: ")
    assert [each["seq"] for each in behind["items"]] == [4, 5]
