"""A key that is revoked while its request is under way changes nothing."""

import json
import socket
from collections.abc import Iterator

import httpx
import pytest
from tests.attack.edge.raw import answer_on, connect, status_of
from tests.desks import Live, run_live
from tests.web.calls.shop import JPEG


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with run_live(tmp_path_factory.mktemp("data")) as live:
        yield live


@pytest.fixture
def owner(live: Live) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {live.key}"}
    with httpx.Client(base_url=live.address, headers=headers, timeout=20) as client:
        yield client


def made(owner: httpx.Client, *scopes: str) -> dict[str, str]:
    once = {"Idempotency-Key": f'"{"-".join(scopes)}-{len(owner.get("/v1/keys").json()["items"])}"'}
    answer = owner.post("/v1/keys", json={"name": "a key", "scopes": scopes}, headers=once)
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def begun(live: Live, path: str, key: str, body: bytes, kind: str) -> socket.socket:
    """Return a connection on which all of a request but its last byte was sent."""
    raw = connect(int(live.address.rpartition(":")[2]))
    head = (
        f"POST {path} HTTP/1.1\r\nHost: a\r\nAuthorization: Bearer {key}\r\n"
        f'Idempotency-Key: "{path}"\r\nContent-Type: {kind}\r\n'
        f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    )
    raw.sendall(head.encode() + body[:-1])
    return raw


def everything(owner: httpx.Client) -> list[object]:
    paths = "/v1/keys", "/v1/quotes", "/v1/customers", "/v1/webhooks"
    return [[one["id"] for one in owner.get(path).json()["items"]] for path in paths]


@pytest.mark.parametrize(
    ("path", "scope", "body"),
    [
        ("/v1/keys", "owner", {"name": "a way back", "scopes": ["owner"]}),
        ("/v1/webhooks", "owner", {"url": "https://elsewhere.example/"}),
        ("/v1/customers", "quote", {"name": "Somebody"}),
        (
            "/v1/quotes",
            "quote",
            {"family": "QM-H27", "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]},
        ),
    ],
)
def test_request_of_a_key_that_was_revoked_meanwhile_changes_nothing(
    live: Live, owner: httpx.Client, path: str, scope: str, body: dict[str, object]
) -> None:
    key = made(owner, scope)
    sent = json.dumps(body).encode()
    with begun(live, path, key["key"], sent, "application/json") as raw:
        # the request is under way for certain once another one behind it was answered
        assert owner.get("/health/live").status_code == 200
        once = {"Idempotency-Key": f'"revoke {key["id"]}"'}
        assert owner.post(f"/v1/keys/{key['id']}/revoke", headers=once).status_code == 200
        before = everything(owner)
        raw.sendall(sent[-1:])
        answer = answer_on(raw)

    assert status_of(answer) == 401
    assert b'"code":"key-refused"' in answer
    assert everything(owner) == before


def test_photograph_of_a_key_that_was_revoked_meanwhile_is_not_kept(
    live: Live, owner: httpx.Client
) -> None:
    asked = {"family": "QM-H27", "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}
    answer = owner.post("/v1/quotes", json=asked, headers={"Idempotency-Key": '"for a photo"'})
    path = f"/v1/quotes/{answer.json()['id']}/photos"
    key = made(owner, "quote")
    whole = f"{path}?subject=step&code=air_cleaner"
    with begun(live, whole, key["key"], JPEG, "image/jpeg") as raw:
        assert owner.get("/health/live").status_code == 200
        once = {"Idempotency-Key": '"revoke it"'}
        assert owner.post(f"/v1/keys/{key['id']}/revoke", headers=once).status_code == 200
        raw.sendall(JPEG[-1:])
        refused = answer_on(raw)

    assert status_of(refused) == 401
    assert owner.get(path).json()["items"] == []
    photos = live.log.parent / "photos"
    assert [one for one in photos.rglob("*") if one.is_file()] == []
