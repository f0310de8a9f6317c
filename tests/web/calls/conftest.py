"""What tests of kept records share: a counter of their own, and calls that read well."""

from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from tests.desks import DAY, Counter, client_of, open_counter
from tests.web.problem import sound_problem

from kitwright.app import make_app, make_service
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service

SENT = {"means": "telephone", "without_advance": "Known.", "by": "Owner"}
"""How an order is sent whose advances do not matter."""


class Staff:
    """Somebody at the counter: calls with the owner's key, each with an idempotency key."""

    def __init__(self, counter: Counter, client: Any) -> None:
        self.counter = counter
        self.client = client
        self._keys = count(1)

    def post(self, path: str, body: Any = None, etag: str | None = None, **headers: str) -> Any:
        """Post, as a new thing to be done."""
        given = {"Idempotency-Key": f'"call-{next(self._keys)}"'}
        if etag is not None:
            given["If-Match"] = etag
        return self.client.post(path, json=body, headers={**given, **headers})

    def get(self, path: str, **parameters: Any) -> Any:
        """Get what is there; it has to be there."""
        answer = self.client.get(path, params=parameters)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def done(self, path: str, body: Any = None, etag: str | None = None) -> Any:
        """Post, and expect it to be done; return the answer."""
        answer = self.post(path, body, etag)
        assert answer.is_success, answer.text
        return answer

    def refused(self, path: str, body: Any = None, etag: str | None = None) -> dict[str, Any]:
        """Post, and expect a sound problem document; return it."""
        answer = self.post(path, body, etag)
        return sound_problem(answer, answer.request.content)

    def tag(self, id: str) -> str:  # noqa: A002 - the word of the wire
        """Return the entity tag of a quote."""
        answer = self.client.get(f"/v1/quotes/{id}")
        assert answer.status_code == 200, answer.text
        return str(answer.headers["ETag"])

    def quote(self, **members: Any) -> str:
        """Keep a quote; return its id."""
        asked = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5"}
        asked |= {"diagnoses": [{"code": "VALVE-EX", "cylinder": 1}], **members}
        return str(self.done("/v1/quotes", asked).json()["id"])

    def act(self, id: str, act: str, body: Any = None) -> Any:  # noqa: A002
        """Do something with a quote as it stands; return its head."""
        return self.done(f"/v1/quotes/{id}/{act}", body, self.tag(id)).json()

    def supplied(self, *quotes: str, revision: int = 1) -> None:
        """Order what quotes still need, and receive all that is ordered for them."""
        asked = [{"quote": quote, "revision": revision} for quote in quotes]
        self.done("/v1/orders", {"revisions": asked})
        for quote in quotes:
            for order in self.get("/v1/orders", quote=quote)["items"]:
                self.delivered(order["id"])

    def delivered(self, order: str) -> None:
        """Send an order if it was not sent, and receive all of it that is due."""
        path = f"/v1/orders/{order}"
        if "send" in self.get(path)["acts"]:
            self.done(f"{path}/send", SENT, self.order_tag(order))
        due = [
            {"line": line["line"], "packs": line["due"]}
            for line in self.get(path)["lines"]
            if line["due"]
        ]
        if due:
            self.done(f"{path}/receipts", {"lines": due, "by": "Owner"}, self.order_tag(order))

    def order_tag(self, order: str) -> str:
        """Return the entity tag of an order."""
        return str(self.client.get(f"/v1/orders/{order}").headers["ETag"])

    def issued(self, **members: Any) -> str:
        """Keep and issue a quote; return its id."""
        id = self.quote(**members)  # noqa: A001
        self.act(id, "issue")
        return id

    def accepted(self, limit: str | None = None, **members: Any) -> str:
        """Keep, issue and accept a quote; return its id."""
        id = self.issued(**members)  # noqa: A001
        yes = {"revision": 1, "who": "A. Customer", "means": "telephone", "limit": limit}
        self.act(id, "accept", yes)
        return id


@pytest.fixture
def staff(service: Service, tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of a shop that keeps nothing yet."""
    with (
        open_counter(service, tmp_path) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        yield Staff(counter, client)


@pytest.fixture
def orchard(tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of a shop that knows contracts made from afar."""
    service = make_service(Settings(catalog=built_in_catalog(), shop="orchard"), lambda: DAY)
    with (
        open_counter(service, tmp_path / "orchard") as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        yield Staff(counter, client)
