"""Keys: made and revoked by the owner, shown once, and good for what they say and no more."""

import base64
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any, get_args

import httpx
import pytest
from litestar.testing import TestClient
from tests.desks import Counter, client_alone, client_of, open_counter

from kitwright.app import make_app
from kitwright.desk_opening import first_key, open_desk
from kitwright.keeping.key import Scope
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import ScopeName


@pytest.fixture
def counter(service: Service, tmp_path: Path) -> Iterator[Counter]:
    with open_counter(service, tmp_path) as opened:
        yield opened


@pytest.fixture
def owner(counter: Counter) -> Iterator[TestClient[Any]]:
    """Return a client with the only key there is, the owner's."""
    with client_of(make_app(counter.desk), counter.key) as opened:
        yield opened


def make(owner: TestClient[Any], *scopes: str, once: str = "make") -> Any:
    answer = owner.post(
        "/v1/keys",
        json={"name": "Counter", "scopes": list(scopes)},
        headers={"Idempotency-Key": f'"{once}"'},
    )
    assert answer.status_code == 201
    return answer.json()


_REVOKED = count(1)


def revoke(owner: TestClient[Any], path: str, **given: Any) -> Any:
    headers = {"Idempotency-Key": f'"revoke-{next(_REVOKED)}"', **given.pop("headers", {})}
    return owner.post(f"{path}/revoke", headers=headers)


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


def basic(key: str) -> dict[str, str]:
    return {"Authorization": f"Basic {base64.b64encode(f'me:{key}'.encode()).decode()}"}


def test_key_lets_in_at_once_and_says_where_it_is(owner: TestClient[Any]) -> None:
    answer = owner.post(
        "/v1/keys",
        json={"name": "Counter", "scopes": ["quote", "read"]},
        headers={"Idempotency-Key": '"a"'},
    )

    made = answer.json()
    assert made["scopes"] == ["quote", "read"]
    assert made["revoked_at"] is made["last_used_on"] is None
    assert owner.get(answer.headers["location"]).json()["name"] == "Counter"
    assert owner.get("/v1/quotes", headers=bearer(made["key"])).status_code == 200


def test_text_of_a_key_is_shown_once_and_kept_nowhere(
    owner: TestClient[Any], counter: Counter, tmp_path: Path
) -> None:
    first = make(owner, "read")
    again = make(owner, "read")

    assert again == {**first, "key": None}
    assert len(owner.get("/v1/keys").json()["items"]) == 2
    counter.store.close()
    kept = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    # the end of the file is reached: what is known to be kept is found
    assert first["id"].encode() in kept
    assert first["key"].encode() not in kept
    assert counter.key.encode() not in kept


def test_answers_about_keys_never_hold_a_text_or_a_hash(
    owner: TestClient[Any], counter: Counter
) -> None:
    made = make(owner, "read")

    for path in ("/v1/keys", f"/v1/keys/{made['id']}", "/v1/events", "/v1/audit"):
        told = owner.get(path).text
        assert made["key"] not in told
        assert counter.key not in told
        assert "hash" not in told


def test_revoked_key_is_refused_at_once_and_stays_listed(owner: TestClient[Any]) -> None:
    made = make(owner, "read")
    path = f"/v1/keys/{made['id']}"

    revoked = revoke(owner, path)

    assert revoked.status_code == 200
    assert revoked.json()["revoked_at"] == "2027-03-01T12:00:00Z"
    refused = owner.get("/v1/quotes", headers=bearer(made["key"]))
    assert (refused.status_code, refused.json()["code"]) == (401, "key-refused")
    assert owner.get(path).json() == revoked.json()
    assert revoke(owner, path).json() == revoked.json()
    kinds = [each["kind"] for each in owner.get("/v1/events").json()["items"]]
    assert kinds == ["key.created", "key.revoked"]


def test_revoked_key_is_refused_after_another_start(
    service: Service, tmp_path: Path, counter: Counter, owner: TestClient[Any]
) -> None:
    made = make(owner, "owner")
    revoke(owner, f"/v1/keys/{made['id']}")
    counter.store.close()

    settings = Settings(catalog=built_in_catalog(), data=tmp_path, rate=0)
    desk, store = open_desk(service, settings)
    assert first_key(desk, store) is None
    with client_of(make_app(desk), None) as again:
        assert again.get("/v1/keys", headers=bearer(made["key"])).status_code == 401
        assert again.get("/v1/keys", headers=bearer(counter.key)).status_code == 200
    store.close()


def test_last_owner_key_is_not_revoked(owner: TestClient[Any]) -> None:
    (first,) = owner.get("/v1/keys").json()["items"]
    make(owner, "read", "quote", "order", "catalogue")

    refused = revoke(owner, f"/v1/keys/{first['id']}")

    assert refused.status_code == 409
    assert [each["code"] for each in refused.json()["errors"]] == ["last-owner-key"]
    second = make(owner, "owner", once="second")
    assert revoke(owner, f"/v1/keys/{first['id']}").status_code == 200
    # the owner's old key is no key now, the new one is the last
    assert owner.get("/v1/keys").status_code == 401
    refused = revoke(owner, f"/v1/keys/{second['id']}", headers=bearer(second["key"]))
    assert refused.status_code == 409


@pytest.mark.parametrize("name", ["0000000000", "kw_0000000000", "é", "Q1"])
def test_unknown_key_is_not_found(owner: TestClient[Any], name: str) -> None:
    path = f"/v1/keys/{name}"
    for answer in (owner.get(path), revoke(owner, path)):
        assert (answer.status_code, answer.json()["code"]) == (404, "unknown-record")


@pytest.mark.parametrize(
    "body",
    [
        {"name": "x", "scopes": []},
        {"name": "x", "scopes": ["all"]},
        {"name": "", "scopes": ["read"]},
        {"scopes": ["read"]},
        {"name": "x", "scopes": ["read"], "key": "kw_mine"},
    ],
)
def test_key_of_the_wrong_shape_is_not_made(owner: TestClient[Any], body: Any) -> None:
    answer = owner.post("/v1/keys", json=body, headers={"Idempotency-Key": '"a"'})

    assert answer.status_code == 400
    assert len(owner.get("/v1/keys").json()["items"]) == 1


def test_scopes_on_the_wire_are_those_of_keys() -> None:
    assert get_args(ScopeName) == tuple(Scope)


def test_key_with_several_scopes_may_do_each(owner: TestClient[Any]) -> None:
    key = bearer(make(owner, "read", "order")["key"])

    assert owner.get("/v1/quotes", headers=key).status_code == 200
    assert owner.post("/v1/orders", json={}, headers=key).json()["code"] != "scope-missing"
    refused = owner.post("/v1/quotes", json={}, headers=key)
    assert (refused.status_code, refused.json()["code"]) == (403, "scope-missing")
    assert "quote" in refused.json()["detail"]


def test_wrong_keys_are_refused_alike(owner: TestClient[Any], counter: Counter) -> None:
    key = counter.key
    mistyped = key[:20] + ("A" if key[20] != "A" else "B") + key[21:]
    other_id = ("0" if key[3] != "0" else "1").join((key[:3], key[4:]))
    shown = [
        bearer(mistyped),
        bearer(other_id),
        bearer(key[:-1]),
        bearer(key + "0"),
        bearer(key.upper()),
        bearer(""),
        bearer(f"{key}, {key}"),
        basic(mistyped),
        {"Authorization": "Basic !"},
    ]

    told = [owner.get("/v1/quotes", headers=each) for each in shown]

    assert {(each.status_code, each.json()["code"]) for each in told} == {(401, "key-refused")}
    assert len({each.json()["detail"] for each in told}) == 1


@pytest.mark.parametrize("value", ["Digest {key}", "Token {key}", "{key}", "", "Bearer\t{key}"])
def test_other_schemes_are_no_key(owner: TestClient[Any], counter: Counter, value: str) -> None:
    answer = owner.get("/v1/quotes", headers={"Authorization": value.format(key=counter.key)})

    assert (answer.status_code, answer.json()["code"]) == (401, "key-missing")


def test_scheme_is_taken_in_any_case(owner: TestClient[Any], counter: Counter) -> None:
    for scheme in ("bearer", "BEARER", "Bearer"):
        answer = owner.get("/v1/quotes", headers={"Authorization": f"{scheme} {counter.key}"})

        assert answer.status_code == 200


def test_basic_is_good_for_reading_only(owner: TestClient[Any], counter: Counter) -> None:
    key = basic(counter.key)

    assert owner.get("/v1/quotes", headers=key).status_code == 200
    assert owner.head("/v1/quotes", headers=key).status_code == 200
    for method, path in (
        ("POST", "/v1/quotes"),
        ("POST", "/v1/keys"),
        ("PUT", "/v1/webhooks/W1"),
        ("POST", "/v1/keys/0000000000/revoke"),
    ):
        refused = owner.request(method, path, headers=key)
        assert (refused.status_code, refused.json()["code"]) == (401, "key-missing")
        assert "Basic" not in refused.headers["www-authenticate"]


def test_browser_is_asked_for_a_key_where_it_reads(owner: TestClient[Any]) -> None:
    answer = owner.get("/v1/quotes", headers={"Authorization": ""})

    assert answer.headers["www-authenticate"].startswith("Basic ")
    assert "Bearer" in answer.headers["www-authenticate"]


def test_day_of_last_use_is_noted_once_a_day(owner: TestClient[Any], counter: Counter) -> None:
    made = make(owner, "read")
    path = f"/v1/keys/{made['id']}"
    assert owner.get(path).json()["last_used_on"] is None

    for _ in range(3):
        owner.get("/v1/quotes", headers=bearer(made["key"]))
    noted(owner, path, "2027-03-01")
    counter.clock.pass_days(2)
    assert owner.get(path).json()["last_used_on"] == "2027-03-01"
    owner.get("/v1/quotes", headers=bearer(made["key"]))
    noted(owner, path, "2027-03-03")


def noted(owner: TestClient[Any], path: str, day: str) -> None:
    """Wait until a day is noted: that is done besides answering."""
    end = time.monotonic() + 10
    while owner.get(path).json()["last_used_on"] != day:
        assert time.monotonic() < end
        time.sleep(0.01)


def test_revoked_key_stays_revoked_where_its_use_is_noted_late(
    owner: TestClient[Any], counter: Counter
) -> None:
    made = make(owner, "read")

    owner.get("/v1/quotes", headers=bearer(made["key"]))
    revoke(owner, f"/v1/keys/{made['id']}")
    noted(owner, f"/v1/keys/{made['id']}", "2027-03-01")

    assert owner.get(f"/v1/keys/{made['id']}").json()["revoked_at"]
    assert counter.store.read(lambda records: records.keys.get(made["id"])) is not None
    assert owner.get("/v1/quotes", headers=bearer(made["key"])).status_code == 401


def burst(client: TestClient[Any], path: str, most: int, **more: Any) -> list[httpx.Response]:
    """Return answers up to the first that says 429, at most so many."""
    answers = []
    for _ in range(most):
        answers.append(client.get(path, **more))
        if answers[-1].status_code == 429:
            break
    return answers


def test_key_that_calls_too_often_waits_as_long_as_it_is_told(
    service: Service, tmp_path: Path
) -> None:
    # 60 a minute: a burst of 10, then one a second
    with (
        open_counter(service, tmp_path, rate=60) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        other = make(client, "read")
        answers = burst(client, "/v1/quotes", 30)

        last = answers[-1]
        assert 8 <= len(answers) <= 12
        assert (last.status_code, last.json()["code"]) == (429, "too-many-calls")
        assert last.headers["retry-after"] == "1"
        # others go on: by another key, and without one where none is needed
        assert client.get("/v1/quotes", headers=bearer(other["key"])).status_code == 200
        assert client.get("/health/live").status_code == 200
        assert client.get("/v1/links/none").status_code == 404

        time.sleep(1)
        assert client.get("/v1/quotes").status_code == 200


def test_address_that_guesses_keys_is_slowed_down_and_keys_are_not(
    service: Service, tmp_path: Path
) -> None:
    # 60 a minute by address: a burst of 10, then one a second
    with (
        open_counter(service, tmp_path, rate=600) as counter,
        client_of(make_app(counter.desk), None) as client,
    ):
        answers = burst(client, "/v1/quotes", 30, headers=bearer("kw_guess"))

        assert {each.status_code for each in answers[:-1]} == {401}
        assert 9 <= len(answers) <= 13
        assert answers[-1].status_code == 429
        assert answers[-1].headers["retry-after"] == "1"
        # links are asked for without a key, so they share the address's limit
        assert client.get("/v1/links/none").status_code == 429
        assert client.get("/v1/quotes", headers=bearer(counter.key)).status_code == 200
        for _ in range(30):
            assert client.get("/health/live").status_code == 200

        time.sleep(1)
        assert client.get("/v1/links/none").status_code == 404


def test_rate_of_nought_is_no_limit(service: Service, tmp_path: Path) -> None:
    with client_alone(service, tmp_path) as client:
        assert {client.get("/v1/shop").status_code for _ in range(300)} == {200}


@pytest.mark.parametrize("shown", [b"Basic \xe9\xe9", b"Basic ====", b"Basic /w==", b"Bearer \xe9"])
def test_header_that_holds_no_key_is_refused(owner: TestClient[Any], shown: bytes) -> None:
    answer = owner.get("/v1/quotes", headers=[(b"Authorization", shown)])

    assert (answer.status_code, answer.json()["code"]) == (401, "key-refused")
