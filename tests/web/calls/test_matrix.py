"""Who may call what, asked of every path and method as the API description tells it."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from litestar.testing import TestClient
from tests.desks import Counter, client_of, open_counter

from kitwright.app import make_app
from kitwright.keeping.key import Scope, make_key
from kitwright.web.calls.service import Service

DOCUMENT: dict[str, Any] = json.loads(
    (Path(__file__).resolve().parents[3] / "openapi" / "openapi.json").read_text(encoding="utf-8")
)
CALLS: Final = [
    pytest.param(method, path, operation, id=operation["operationId"])
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
]
OPERATIONS: Final = [one for methods in DOCUMENT["paths"].values() for one in methods.values()]
HOLDERS: Final = ("nobody", "malformed", "unknown", "revoked", *Scope)


@pytest.fixture(scope="module")
def counter(service: Service, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Counter]:
    with open_counter(service, tmp_path_factory.mktemp("matrix")) as opened:
        yield opened


@pytest.fixture(scope="module")
def guest(counter: Counter) -> Iterator[TestClient[Any]]:
    """Return a client without a key."""
    with client_of(make_app(counter.desk), None) as opened:
        yield opened


@pytest.fixture(scope="module")
def shown(guest: TestClient[Any], counter: Counter) -> dict[str, str | None]:
    """Return what each holder shows: a key of each scope, and what is no key any more or never
    was.
    """
    owner = {"Authorization": f"Bearer {counter.key}"}
    keys: dict[str, str | None] = {
        "nobody": None,
        "malformed": counter.key[:-1] + ("0" if counter.key[-1] != "0" else "1"),
        "unknown": make_key().text,
    }
    for name in ("revoked", *Scope):
        scope = Scope.OWNER if name == "revoked" else Scope(name)
        answer = guest.post(
            "/v1/keys",
            json={"name": name, "scopes": [scope]},
            headers={**owner, "Idempotency-Key": f'"{name}"'},
        )
        assert answer.status_code == 201
        keys[name] = answer.json()["key"]
        if name == "revoked":
            gone = guest.post(
                f"/v1/keys/{answer.json()['id']}/revoke",
                headers={**owner, "Idempotency-Key": '"gone"'},
            )
            assert gone.status_code == 200
    return keys


def wanted(operation: dict[str, Any], holder: str) -> int | None:
    """Return the status with which a holder is refused, None where it is let in."""
    needs = [one["key"] for one in operation["security"]]
    if not needs:
        return None
    if holder not in set(Scope):
        return 401
    is_enough = holder == Scope.OWNER or any(set(scopes) <= {holder} for scopes in needs)
    return None if is_enough else 403


@pytest.mark.parametrize("holder", HOLDERS)
@pytest.mark.parametrize(("method", "path", "operation"), CALLS)
def test_call_lets_in_whom_the_description_says(
    guest: TestClient[Any],
    shown: dict[str, str | None],
    method: str,
    path: str,
    operation: dict[str, Any],
    holder: str,
) -> None:
    for parameter in operation.get("parameters", ()):
        if parameter["in"] == "path":
            path = path.replace(f"{{{parameter['name']}}}", parameter["example"])
    headers = {} if shown[holder] is None else {"Authorization": f"Bearer {shown[holder]}"}

    # without a body and an Idempotency-Key: whoever is let in is refused for that at most
    answer = guest.request(method, path, headers=headers)

    refused = wanted(operation, holder)
    if refused is None:
        assert answer.status_code not in (401, 403, 500)
    else:
        assert answer.status_code == refused
        code = "key-missing" if holder == "nobody" else "key-refused"
        assert answer.json()["code"] == (code if refused == 401 else "scope-missing")
        assert ("www-authenticate" in answer.headers) == (refused == 401)
        assert str(refused) in operation["responses"]


def test_matrix_has_calls_of_every_kind() -> None:
    needs = [scope for one in OPERATIONS for each in one["security"] for scope in each["key"]]

    assert set(needs) >= set(Scope) - {Scope.CATALOGUE}
    assert [one for one in OPERATIONS if not one["security"]]


def test_methods_of_a_path_are_told_to_anybody(guest: TestClient[Any]) -> None:
    for path, methods in (
        ("/v1/keys", "GET, HEAD, OPTIONS, POST"),
        ("/v1/keys/0000000000", "GET, HEAD, OPTIONS"),
        ("/v1/webhooks/W1", "DELETE, GET, HEAD, OPTIONS, PUT"),
        ("/v1/shop", "GET, HEAD, OPTIONS"),
    ):
        answer = guest.options(path)

        assert answer.status_code == 204
        assert answer.headers["allow"] == methods
        assert guest.patch(path).headers["allow"] == methods
