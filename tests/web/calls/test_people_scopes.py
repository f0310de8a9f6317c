"""Who may keep, change, take away and erase people's records."""

from pathlib import Path
from typing import Any

import pytest
from tests.desks import Counter, client_of, open_counter
from tests.web.calls.shop import LEAKING_VALVE, add, once, png, problem

from kitwright.app import make_app
from kitwright.keeping.key import Scope, make_key
from kitwright.keeping.record import KeyRecord
from kitwright.web.calls import customers, machines, photos, quote_making
from kitwright.web.calls.handlers import handlers_in
from kitwright.web.calls.reckoning import reckon
from kitwright.web.calls.service import Service
from kitwright.web.edge.operation import operation_of

OPERATIONS = {
    one.id: one
    for module in (customers, machines, photos)
    for handler in handlers_in(module)
    if (one := operation_of(handler))
}
LADDER = (Scope.READ, Scope.QUOTE, Scope.OWNER)
NEEDED = {
    "createCustomer": Scope.QUOTE,
    "listCustomers": Scope.READ,
    "getCustomer": Scope.READ,
    "changeCustomer": Scope.QUOTE,
    "exportCustomer": Scope.OWNER,
    "eraseCustomer": Scope.OWNER,
    "createMachine": Scope.QUOTE,
    "listMachines": Scope.READ,
    "getMachine": Scope.READ,
    "changeMachine": Scope.QUOTE,
    "addPhoto": Scope.QUOTE,
    "listPhotos": Scope.READ,
    "getPhoto": Scope.READ,
    "getPhotoFile": Scope.READ,
    "getThumbnail": Scope.READ,
    "dropPhoto": Scope.QUOTE,
}


def key_of(counter: Counter, *scopes: Scope) -> str:
    """Return a new key's text."""
    fresh = make_key(counter.desk.draw)
    counter.desk.keyring.know(
        KeyRecord(
            id=fresh.id,
            name="test",
            scopes=frozenset(scopes),
            hash=fresh.hash,
            made_at=counter.clock.now,
            last_used_on=counter.clock.now.date(),
            revoked_at=None,
        )
    )
    return fresh.text


def test_every_call_is_tried() -> None:
    assert NEEDED.keys() == OPERATIONS.keys()


@pytest.mark.parametrize("operation", NEEDED)
def test_call_needs_its_scope(service: Service, tmp_path: Path, operation: str) -> None:
    call = OPERATIONS[operation]
    with open_counter(service, tmp_path) as counter:
        app = make_app(counter.desk)
        path = call.path.replace("{id}", "C999")
        with client_of(app, None) as client:
            problem(client.request(call.method, path), 401, "key-missing")
        for scope in LADDER:
            with client_of(app, key_of(counter, scope, Scope.READ)) as client:
                code = client.request(call.method, path).json().get("code")
            is_let_in = LADDER.index(scope) >= LADDER.index(NEEDED[operation])
            assert (code != "scope-missing") == is_let_in


def test_quote_that_was_computed_before_an_erasure_is_not_kept_after_it(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_counter(service, tmp_path) as counter:

        async def slow(*given: Any) -> Any:
            figures = await reckon(*given)
            # in the meantime, by another call
            with client_of(make_app(counter.desk), counter.key) as other:
                other.post(
                    f"/v1/customers/{customer.id}/erase",
                    headers={**once(), "If-Match": customer.tag},
                ).raise_for_status()
            return figures

        with client_of(make_app(counter.desk), counter.key) as client:
            customer = add(client, "/v1/customers", {"name": "Wenna"})
            monkeypatch.setattr(quote_making, "reckon", slow)
            asked = {**LEAKING_VALVE, "customer": customer.id}
            answer = client.post("/v1/quotes", json=asked, headers=once())
            problem(answer, 422, "request-refused")
            assert client.get("/v1/quotes").json() == {"items": []}


def test_photo_that_was_checked_before_an_erasure_is_not_kept_after_it(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    finding = service.workshop.catalogue.rules.finding[0].id
    with open_counter(service, tmp_path) as counter:
        keep = counter.desk.files.put

        def slow(data: bytes) -> str:
            with client_of(make_app(counter.desk), counter.key) as other:
                other.post(
                    f"/v1/customers/{customer.id}/erase",
                    headers={**once(), "If-Match": customer.tag},
                ).raise_for_status()
            return keep(data)

        with client_of(make_app(counter.desk), counter.key) as client:
            customer = add(client, "/v1/customers", {"name": "Wenna"})
            quote = add(client, "/v1/quotes", {**LEAKING_VALVE, "customer": customer.id})
            monkeypatch.setattr(counter.desk.files, "put", slow)
            answer = client.post(
                f"/v1/quotes/{quote.id}/photos?subject=finding&code={finding}",
                content=png(),
                headers={**once(), "Content-Type": "image/png"},
            )
            problem(answer, 409, "act-refused")
        assert [one for one in (tmp_path / "photos").rglob("*") if one.is_file()] == []
