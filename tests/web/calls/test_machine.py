"""Random lives of quotes over the API, against a plain model that knows nothing of the service."""

import os
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from tests.web.calls.at_the_counter import AtTheCounter

from kitwright.web.calls.service import Service

REQUESTS: tuple[dict[str, Any], ...] = (
    {"family": "QM-H27", "serial": 2140077, "jobs": [{"job": "J-LASH", "cylinder": 1}]},
    {"family": "TB-V68", "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}]},
    {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}], "tax_area": None},
)
TAXED = (True, True, False)
ENDED = ("done",)
AT_WORK = ("ordered", "in_work")
ITEM = "V68-G-110"
TAKES_STOCK = 1
"""The request that takes one of the item."""


@dataclass
class ShelfModel:
    """One item on the shelf: what is on hand, and for whom it is reserved, the newest last."""

    on_hand: int = 3
    reserved: list[list[Any]] = field(default_factory=lambda: [["opening", 1]])
    drawn: Counter[str] = field(default_factory=Counter)
    must_be_counted: bool = False

    @property
    def promised(self) -> int:
        return sum(amount for _, amount in self.reserved)

    def of(self, quote: str) -> int:
        return sum(amount for whose, amount in self.reserved if whose == quote)

    def has(self, quote: str) -> int:
        return self.of(quote) + self.drawn[quote]

    def settle(self, quote: str, wanted: int) -> None:
        over = self.has(quote) - wanted
        if over > 0:
            self._take(quote, min(over, self.of(quote)))
        self.reserve(quote, wanted)

    def reserve(self, quote: str, wanted: int) -> None:
        amount = min(wanted - self.has(quote), self.on_hand - self.promised)
        if amount > 0:
            kept = self.of(quote)
            self._take(quote, kept)
            self.reserved.append([quote, kept + amount])

    def _take(self, quote: str, amount: int) -> None:
        for one in self.reserved:
            if one[0] == quote:
                one[1] -= amount
        self.reserved = [one for one in self.reserved if one[1]]

    def finish(self, quote: str) -> None:
        amount = self.of(quote)
        self._take(quote, amount)
        self.on_hand -= amount
        self.drawn[quote] += amount

    def draw(self, amount: int) -> set[str]:
        """Take some for no quote; return the quotes that lose a reservation."""
        self.must_be_counted |= amount > self.on_hand
        return self.set(max(0, self.on_hand - amount))

    def set(self, on_hand: int) -> set[str]:
        self.on_hand = on_hand
        lost = set()
        for one in reversed(self.reserved):
            over = min(one[1], self.promised - on_hand)
            if over > 0:
                one[1] -= over
                lost.add(one[0])
        self.reserved = [one for one in self.reserved if one[1]]
        return lost - {"opening"}


@dataclass
class Model:
    """What a quote should be, by the rules as written down."""

    id: str
    etag: str
    body: int
    state: str = "draft"
    revisions: list[str] = field(default_factory=lambda: ["draft"])
    bodies: list[int] = field(default_factory=list)
    offered: int | None = None
    agreed: int | None = None
    shown: int = 1
    ordered: set[int] = field(default_factory=set)
    shelf: ShelfModel = field(default_factory=ShelfModel)
    wants: list[int] = field(default_factory=list)
    """What each revision takes from the shelf."""
    bought: int = 0
    """What of that was ordered, because it was short."""
    events: int = 1

    @property
    def latest(self) -> int:
        return len(self.revisions)

    @property
    def short(self) -> int:
        if self.agreed is None:
            return 0
        return max(0, self.wants[self.agreed - 1] - self.shelf.has(self.id))

    def mark(self, revision: int, state: str) -> None:
        self.revisions[revision - 1] = state

    def can(self, act: str) -> bool:
        if self.state in ENDED:
            return False
        draft = self.revisions[-1] == "draft"
        taxed = TAXED[self.bodies[-1]]
        return {
            "revise": True,
            "issue": draft and taxed,
            "accept": self.offered is not None,
            "decline": self.offered is not None,
            "withdraw": self.offered is not None or self.state in ("draft", "accepted"),
            "start": self.state in ("accepted", "ordered")
            and self.agreed in self.ordered
            and self.short <= self.bought,
            "finish": self.state == "in_work" and self.offered is None,
        }[act]

    def do(self, act: str, body: int = 0) -> None:
        getattr(self, f"_{act}")(body)
        self.events += 1
        if act == "finish":
            self.shelf.finish(self.id)
        elif act == "accept" or self.agreed is None:
            self.shelf.settle(self.id, 0 if self.agreed is None else self.wants[self.agreed - 1])

    def _revise(self, body: int) -> None:
        if self.revisions[-1] == "draft":
            self.bodies[-1] = body
            self.wants.pop()
        else:
            self.revisions.append("draft")
            self.bodies.append(body)
        if self.offered is None and self.agreed is None:
            self.state = "draft"
            self.shown = self.latest

    def _issue(self, _: int) -> None:
        if self.offered is not None:
            self.mark(self.offered, "superseded")
        self.mark(self.latest, "issued")
        self.offered = self.latest
        if self.agreed is None:
            self.state = "issued"
            self.shown = self.latest

    def _accept(self, _: int) -> None:
        assert self.offered is not None
        if self.agreed is not None:
            self.mark(self.agreed, "superseded")
        self.mark(self.offered, "accepted")
        self.agreed, self.offered = self.offered, None
        self.shown = self.agreed
        if self.state not in AT_WORK:
            self.state = "accepted"

    def _decline(self, _: int) -> None:
        assert self.offered is not None
        self.mark(self.offered, "declined")
        self.offered = None
        if self.agreed is None:
            self.state = "declined"

    def _withdraw(self, _: int) -> None:
        taken = self.offered or self.agreed or self.latest
        if self.offered is not None:
            self.mark(self.offered, "withdrawn")
            self.offered = None
        else:
            if self.revisions[-1] == "draft" or self.agreed is None:
                self.mark(self.latest, "withdrawn")
            if self.agreed is not None:
                self.mark(self.agreed, "withdrawn")
            self.agreed = None
        if self.agreed is None:
            self.state = "withdrawn"
        self.shown = self.agreed or taken

    def _start(self, _: int) -> None:
        self.state = "in_work"

    def _finish(self, _: int) -> None:
        if self.revisions[-1] == "draft":
            self.mark(self.latest, "superseded")
        self.state = "done"


class Lives(AtTheCounter):
    """Counter staff, customers and retries, in any order."""

    quotes = Bundle("quotes")

    def __init__(self) -> None:
        super().__init__()
        self.models: dict[str, Model] = {}
        self.shelf = ShelfModel()
        self.last: tuple[str, Any, dict[str, str], bytes, int] | None = None

    def wanted(self, id: str, revision: int) -> int:  # noqa: A002
        """Return what a revision takes from the shelf."""
        told = self.client.get(f"/v1/quotes/{id}/revisions/{revision}").json()["quote"]
        return sum(int(one["quantity"]) for one in told["kit"]["from_stock"] if one["item"] == ITEM)

    def modelled(self, answer: Any, body: int) -> Model:
        id = answer.json()["id"]  # noqa: A001
        wants = [self.wanted(id, 1)]
        model = Model(
            id, answer.headers["ETag"], body, bodies=[body], shelf=self.shelf, wants=wants
        )
        self.models[id] = model
        return model

    def post(self, path: str, body: Any, etag: str | None = None) -> Any:
        headers = self.headers(etag)
        answer = self.client.post(path, json=body, headers=headers)
        if answer.status_code < 300:
            self.last = path, body, headers, answer.content, answer.status_code
        return answer

    @rule(target=quotes, body=st.integers(0, len(REQUESTS) - 1))
    def create(self, body: int) -> str:
        answer = self.post("/v1/quotes", REQUESTS[body], None)
        assert answer.status_code == 201, answer.text
        model = self.modelled(answer, body)
        assert answer.headers["Location"] == f"/v1/quotes/{model.id}"
        return model.id

    @rule(target=quotes)
    def agree(self) -> str:
        """Go the whole way at once, so that reservations meet often."""
        id: Any = self.create(TAKES_STOCK)  # noqa: A001
        self.act(id, "issue", 0)
        self.act(id, "accept", 0)
        return str(id)

    @rule(target=quotes, id=quotes)
    def copy(self, id: str) -> str:  # noqa: A002
        answer = self.post(f"/v1/quotes/{id}/copy", None, None)
        assert answer.status_code == 201, answer.text
        source = self.models[id]
        return self.modelled(answer, source.bodies[source.shown - 1]).id

    @rule(
        id=quotes,
        act=st.sampled_from(
            [
                "revise",
                "issue",
                "issue",
                "accept",
                "accept",
                "decline",
                "withdraw",
                "start",
                "finish",
            ]
        ),
        body=st.integers(0, len(REQUESTS) - 1),
    )
    def act(self, id: str, act: str, body: int) -> None:  # noqa: A002
        model = self.models[id]
        sent: Any = None
        if act == "revise":
            sent = REQUESTS[body]
        elif act == "issue":
            # others may have taken what was free when it was quoted
            sent = {"keep_prices": "as said"}
        elif act in ("accept", "decline"):
            sent = {"revision": model.offered or model.latest}
            if act == "accept":
                sent |= {"who": "A customer", "means": "telephone"}
        elif act == "finish":
            sent = {"unbooked": "no deliveries are booked"}
        before = model.etag
        allowed = model.can(act)
        repeated = act == "accept" and model.offered is None and model.agreed == model.latest
        repeated |= act == "decline" and model.offered is None and model.revisions[-1] == "declined"
        answer = self.post(f"/v1/quotes/{id}/{act}", sent, before)
        if allowed:
            assert answer.status_code == 200, (act, model, answer.text)
            model.do(act, body)
            if act == "revise":
                model.wants.append(self.wanted(id, model.latest))
            model.etag = answer.headers["ETag"]
            assert model.etag != before
        elif repeated:
            assert answer.status_code == 200
            assert answer.headers["ETag"] == before
        else:
            assert answer.status_code == 409, (act, model, answer.text)
            assert answer.json()["code"] == "act-refused"

    @rule(id=quotes)
    def order(self, id: str) -> None:  # noqa: A002
        model = self.models[id]
        revision = model.agreed or model.latest
        answer = self.post("/v1/orders", {"revisions": [{"quote": id, "revision": revision}]}, None)
        allowed = model.agreed is not None and model.state in ("accepted", *AT_WORK)
        if not allowed:
            assert answer.status_code == 409, (model, answer.text)
            return
        assert answer.status_code == 201, answer.text
        made = answer.json()["items"]
        if model.agreed in model.ordered and model.short <= model.bought:
            assert made == []
        if not model.bought:
            self.shelf.reserve(id, model.wants[revision - 1])
        has = sum(
            int(cover["quantity"])
            for one in made
            for line in one["order"]["lines"]
            for cover in line["covers"]
            if cover["part"] == ITEM
        )
        model.bought += has
        assert model.bought >= model.short
        if made or model.state == "accepted":
            model.events += 1
            if model.state == "accepted":
                model.state = "ordered"
            model.etag = self.client.get(f"/v1/quotes/{id}").headers["ETag"]
        model.ordered.add(revision)

    @rule(kind=st.sampled_from(["receive", "draw", "count"]), pieces=st.integers(0, 4))
    def move(self, kind: str, pieces: int) -> None:
        body = {"kind": kind, "quantity": str(pieces), "reason": "as it is", "by": "Owner"}
        answer = self.post(f"/v1/shelf/{ITEM}/moves", body, None)
        if not pieces and kind != "count":
            assert answer.status_code == 422, answer.text
            return
        assert answer.status_code == 201, answer.text
        lost = set[str]()
        if kind == "receive":
            self.shelf.on_hand += pieces
        elif kind == "draw":
            lost = self.shelf.draw(pieces)
        else:
            lost = self.shelf.set(pieces)
            self.shelf.must_be_counted = False
        for id in lost:  # noqa: A001
            self.models[id].events += 1
            self.models[id].etag = self.client.get(f"/v1/quotes/{id}").headers["ETag"]

    @precondition(lambda self: self.last is not None)
    @rule()
    def send_again(self) -> None:
        assert self.last is not None
        path, body, headers, content, status = self.last
        answer = self.client.post(path, json=body, headers=headers)
        assert (answer.status_code, answer.content) == (status, content)
        other = self.client.post(path, json={"family": "S50"}, headers=headers)
        assert other.status_code == 422
        assert other.json()["code"] == "idempotency-key-reused"

    @rule(id=quotes, act=st.sampled_from(["issue", "withdraw", "start", "finish"]))
    def act_on_what_was(self, id: str, act: str) -> None:  # noqa: A002
        stale = '"0123456789abcdef0123456789abcdef"'
        answer = self.post(f"/v1/quotes/{id}/{act}", None, stale)
        assert answer.status_code == 412
        assert answer.headers["ETag"] == self.models[id].etag
        assert self.post(f"/v1/quotes/{id}/{act}", None, None).status_code == 428

    @rule(id=quotes)
    def look(self, id: str) -> None:  # noqa: A002
        model = self.models[id]
        answer = self.client.get(f"/v1/quotes/{id}")
        told = answer.json()
        assert answer.headers["ETag"] == model.etag
        assert (told["state"], told["revision"], told["offered"], told["agreed"]) == (
            model.state,
            model.latest,
            model.offered,
            model.agreed,
        )
        assert told["shown"] == model.shown
        assert (told["gross"] is not None) == TAXED[model.bodies[model.shown - 1]]
        again = self.client.get(f"/v1/quotes/{id}", headers={"If-None-Match": model.etag})
        assert again.status_code == 304
        revisions = self.client.get(f"/v1/quotes/{id}/revisions").json()["items"]
        assert [one["state"] for one in revisions] == model.revisions
        history = self.client.get(f"/v1/quotes/{id}/history").json()["items"]
        assert len(history) == model.events
        assert history[-1]["facts"]["state"] == model.state

    @invariant()
    def shelf_is_as_modelled(self) -> None:
        told = self.client.get(f"/v1/shelf/{ITEM}").json()
        state = told["on_hand"], told["reserved"], told["free"], told["must_be_counted"]
        on_hand, promised = self.shelf.on_hand, self.shelf.promised
        free = str(on_hand - promised)
        assert state == (str(on_hand), str(promised), free, self.shelf.must_be_counted)

    @invariant()
    def all_are_listed(self) -> None:
        items = self.client.get("/v1/quotes", params={"limit": 200}).json()["items"]
        assert {one["id"]: one["state"] for one in items} == {
            model.id: model.state for model in self.models.values()
        }


def test_service_lives_as_the_model_does(service: Service) -> None:
    Lives.service = service
    most = min(settings().max_examples, 15) if os.environ.get("KITWRIGHT_LONG") != "1" else 500

    run_state_machine_as_test(Lives, settings=settings(max_examples=most, stateful_step_count=40))
