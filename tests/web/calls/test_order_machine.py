"""Random lives of orders over the API, against a plain model: every order reconciles with what was
received and sent back, and the shelf with all of them.
"""

import os
from collections import Counter, defaultdict
from contextlib import closing
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from tests.web.calls.at_the_counter import AtTheCounter

from kitwright.store.engine import FILE
from kitwright.store.ledger import check_ledger
from kitwright.store.sqlite import sqlite3
from kitwright.units import exact
from kitwright.web.calls.service import Service

HEADS: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
    "machines": 3,
}
UNDER_WAY = ("sent", "confirmed", "part_received")
FAULTY = ("damaged", "wrong", "over")
PACKS = st.integers(0, 3)


@dataclass
class Line:
    """What should be known of a line, by the rules as written down."""

    item: str
    in_pack: Fraction
    packs: int
    cancelled: int = 0
    received: int = 0
    over: int = 0
    kept: int = 0
    damaged: int = 0
    wrong: int = 0
    back: Counter[str] = field(default_factory=Counter)

    @property
    def due(self) -> int:
        return self.packs - self.cancelled - self.received

    def waiting(self, why: str) -> int:
        there = {
            "damaged": self.damaged,
            "wrong": self.wrong,
            "over": self.over - self.kept,
            "not_needed": self.received,
        }[why]
        return there - self.back[why]

    @property
    def on_shelf(self) -> Fraction:
        return (self.received + self.kept - self.back["not_needed"]) * self.in_pack


@dataclass
class Order:
    """What should be known of an order."""

    id: str
    lines: list[Line]
    is_sent: bool = False
    is_answered: bool = False
    disputed: set[int] = field(default_factory=set)
    entries: int = 0
    arrived_on: dict[int, int] = field(default_factory=dict)

    @property
    def state(self) -> str:
        arrived = any(line.received for line in self.lines)
        due = [place for place, line in enumerate(self.lines) if line.due]
        if not due:
            return "received" if arrived else "cancelled"
        if arrived:
            return "part_received"
        if not self.is_sent:
            return "draft"
        is_clear = self.is_answered and not self.disputed & {*due}
        return "confirmed" if is_clear else "sent"


class Orders(AtTheCounter):
    """A buyer, suppliers who get much wrong, and quotes that come and go."""

    def __init__(self) -> None:
        super().__init__()
        self.quotes: list[str] = []
        self.orders: list[Order] = []
        self.opening: dict[str, Fraction] = {}
        self.days = 0

    def teardown(self) -> None:
        try:
            with closing(sqlite3.connect(str(self.folder / FILE))) as connection:
                assert list(check_ledger(connection)) == []
        finally:
            super().teardown()

    @initialize()
    def begin(self) -> None:
        self.accept()
        self.accept()
        self.order()
        for order in self.orders:
            self.act(order, "send", {"without_advance": "Known.", "means": "portal"}, True)
            order.is_sent = True

    @rule()
    def accept(self) -> None:
        answer = self.post("/v1/quotes", HEADS)
        quote = answer.json()["id"]
        path = f"/v1/quotes/{quote}"
        self.post(f"{path}/issue", {"keep_prices": "as said"}, answer.headers["ETag"])
        tag = self.client.get(path).headers["ETag"]
        yes = {"revision": 1, "who": "A customer", "means": "telephone"}
        assert self.post(f"{path}/accept", yes, tag).status_code == 200
        self.quotes.append(quote)

    @rule()
    def order(self) -> None:
        """Order whatever all quotes still need: afterwards nothing is missing."""
        asked = {"revisions": [{"quote": quote, "revision": 1} for quote in self.quotes]}
        made = self.post("/v1/orders", asked)
        assert made.status_code == 201, made.text
        for one in made.json()["items"]:
            placed = one["order"]["lines"]
            shares: list[list[Fraction]] = [[] for _ in placed]
            for part in (part for own in one["allocations"] for part in own["lines"]):
                share = part["packs"] + Fraction(part.get("fraction") or 0)
                shares[part["line"] - 1].append(share)
            lines = [Line(line["item"], self.in_pack(line), line["packs"]) for line in placed]
            for line, own in zip(lines, shares, strict=True):
                is_shared = any(share % 1 for share in own)
                assert sum(own) <= line.packs if is_shared else sum(own) == line.packs
                self.look_at(line.item)
            self.orders.append(Order(one["id"], lines))
        assert self.post("/v1/orders", asked).json()["items"] == []
        for quote in self.quotes:
            assert "start" in self.client.get(f"/v1/quotes/{quote}").json()["acts"]

    def in_pack(self, line: Any) -> Fraction:
        """Return how much a pack holds, in the unit in which the shelf counts the item."""
        consumable = self.service.workshop.catalogue.consumables.get(line["item"])
        return Fraction(line["pack_size"]) * (1 if consumable is None else exact(consumable.pack))

    def look_at(self, item: str) -> None:
        """Note what is on the shelf of an item before anything of it arrives."""
        if item not in self.opening:
            shown = self.client.get(f"/v1/shelf/{item}")
            there = Fraction(shown.json()["on_hand"] if shown.status_code == 200 else 0)
            self.opening[item] = there

    def act(self, order: Order, act: str, body: dict[str, Any], allowed: bool) -> Any:
        """Act on an order as it stands; it is done if it is allowed, and otherwise changes
        nothing.
        """
        path = f"/v1/orders/{order.id}"
        before = self.client.get(path)
        answer = self.post(f"{path}/{act}", {"by": "Owner", **body}, before.headers["ETag"])
        told = order, act, body, answer.text
        assert answer.status_code == (200 if allowed else 409), told
        if allowed:
            assert act in before.json()["acts"], told
            order.entries += 1
        else:
            assert self.client.get(path).content == before.content
        return answer.json()

    def one(self, data: st.DataObject, *states: str) -> Order:
        """Draw an order, mostly one in some states."""
        fitting = [order for order in self.orders if order.state in states]
        is_any = data.draw(st.integers(0, 7)) == 0
        return data.draw(st.sampled_from(self.orders if is_any or not fitting else fitting))

    @precondition(lambda self: self.orders)
    @rule(data=st.data(), means=st.sampled_from(["email", "portal", "telephone"]))
    def send(self, data: st.DataObject, means: str) -> None:
        order = self.one(data, "draft")
        allowed = order.state == "draft"
        if means == "email" and allowed:
            supplier = self.client.get(f"/v1/orders/{order.id}").json()["order"]["supplier"]
            contact = self.service.workshop.catalogue.suppliers[supplier].contact
            allowed = contact is not None and contact.email is not None
            self.act(order, "send", {"without_advance": "Known.", "means": means}, allowed)
        else:
            self.act(order, "send", {"without_advance": "Known.", "means": means}, allowed)
        order.is_sent |= allowed

    @precondition(lambda self: self.orders)
    @rule(data=st.data(), refused=PACKS, disputed=st.booleans(), later=st.booleans())
    def answer(self, data: st.DataObject, refused: int, disputed: bool, later: bool) -> None:
        order = self.one(data, *UNDER_WAY)
        place = data.draw(st.integers(0, len(order.lines) - 1))
        line = order.lines[place]
        allowed = order.state in UNDER_WAY and refused <= line.due
        said: dict[str, Any] = {"line": place + 1, "refused": refused, "disputed": disputed}
        if later:
            said |= {"promised": "2027-06-01", "back_order": True}
        due = line.due
        told = self.act(order, "confirm", {"lines": [said]}, allowed)
        if allowed:
            order.is_answered = True
            order.disputed = {place} if disputed and due else set()
            line.cancelled += refused
            slipping = {slip["line"] for slip in told["slips"]}
            assert slipping <= {place + 1}
            assert (place + 1 in {one["line"] for one in told["proposals"]}) <= (
                later or refused > 0
            )

    @precondition(lambda self: self.orders)
    @rule(data=st.data(), packs=st.integers(0, 6), damaged=PACKS, wrong=PACKS, keep=PACKS)
    def receive(self, data: st.DataObject, packs: int, damaged: int, wrong: int, keep: int) -> None:
        order = self.one(data, *UNDER_WAY, "received")
        place = data.draw(st.integers(0, len(order.lines) - 1))
        line = order.lines[place]
        over = max(0, packs - line.due)
        if data.draw(st.integers(0, 3)):
            keep = min(keep, over)
        state = order.state
        allowed = state in (*UNDER_WAY, "received") and keep <= over
        given = {"packs": packs, "damaged": damaged, "wrong": wrong, "keep": keep}
        told = self.act(order, "receipts", {"lines": [{"line": place + 1, **given}]}, allowed)
        if allowed:
            line.received += packs - over
            line.over += over
            line.kept += keep
            line.damaged += damaged
            line.wrong += wrong
            order.arrived_on[place] = self.days
            kinds = {one["kind"] for one in told["differences"]}
            assert ("over" in kinds, "damaged" in kinds, "wrong" in kinds) == (
                over > 0,
                damaged > 0,
                wrong > 0,
            )

    @precondition(lambda self: self.orders)
    @rule(
        data=st.data(),
        why=st.sampled_from([*FAULTY, "not_needed"]),
        packs=st.integers(1, 3),
        is_agreed=st.booleans(),
    )
    def give_back(self, data: st.DataObject, why: str, packs: int, is_agreed: bool) -> None:
        order = self.one(data, *UNDER_WAY, "received")
        place = data.draw(st.integers(0, len(order.lines) - 1))
        possible = [
            (one, at, reason)
            for one in self.orders
            for at, line in enumerate(one.lines)
            for reason in (*FAULTY, "not_needed")
            if line.waiting(reason) > 0
        ]
        is_sensible = data.draw(st.integers(0, 3)) > 0
        if possible and is_sensible:
            order, place, why = data.draw(st.sampled_from(possible))
            packs = min(packs, order.lines[place].waiting(why))
        line = order.lines[place]
        supplier = self.client.get(f"/v1/orders/{order.id}").json()["order"]["supplier"]
        days = self.service.workshop.catalogue.suppliers[supplier].return_days
        in_time = self.days - order.arrived_on.get(place, 0) <= days
        allowed = order.state != "draft" and packs <= line.waiting(why)
        if why == "not_needed":
            allowed = allowed and (in_time or is_agreed)
        body: dict[str, Any] = {"lines": [{"line": place + 1, "why": why, "packs": packs}]}
        if is_agreed:
            body["agreed"] = "by telephone"
        if allowed and why == "not_needed":
            allowed = self.send_unneeded(order, line, packs, body, in_time)
        else:
            self.act(order, "returns", body, allowed)
        if allowed:
            line.back[why] += packs

    def send_unneeded(
        self, order: Order, line: Line, packs: int, body: dict[str, Any], in_time: bool
    ) -> bool:
        """Send back goods that are not needed; return whether it was done: it is refused only if
        what is left of opened packs is reserved for others.
        """
        path = f"/v1/orders/{order.id}"
        before = self.client.get(path)
        free = Fraction(self.client.get(f"/v1/shelf/{line.item}").json()["free"])
        answer = self.post(f"{path}/returns", {"by": "Owner", **body}, before.headers["ETag"])
        if answer.status_code == 409:
            assert answer.json()["errors"][0]["code"] == "not-on-shelf"
            assert free < packs * line.in_pack
            assert packs > 1 or "returns" not in before.json()["acts"] or len(order.lines) > 1
            return False
        assert answer.status_code == 200, answer.text
        # beyond the supplier's terms it is done, but not offered
        assert not in_time or "returns" in before.json()["acts"]
        order.entries += 1
        return True

    @precondition(lambda self: self.orders)
    @rule(data=st.data(), packs=st.integers(1, 3), whole=st.integers(0, 5))
    def cancel(self, data: st.DataObject, packs: int, whole: int) -> None:
        order = self.one(data, *UNDER_WAY)
        place = data.draw(st.integers(0, len(order.lines) - 1))
        state, is_whole = order.state, whole == 0
        allowed = state in ("draft", *UNDER_WAY)
        body: dict[str, Any] = {"reason": "Not wanted."}
        if not is_whole:
            allowed = allowed and state != "draft" and packs <= order.lines[place].due
            body["lines"] = [{"line": place + 1, "packs": packs}]
        self.act(order, "cancel", body, allowed)
        if allowed:
            for at, line in enumerate(order.lines):
                if is_whole:
                    line.cancelled += line.due
                elif at == place:
                    line.cancelled += packs

    @rule(days=st.sampled_from([1, 10, 40]))
    def wait(self, days: int) -> None:
        self.desk.clock.pass_days(days)
        self.days += days

    @invariant()
    def every_order_is_what_was_done_with_it(self) -> None:
        for order in self.orders:
            shown = self.client.get(f"/v1/orders/{order.id}").json()
            assert shown["state"] == order.state
            offered = {act for act in shown["acts"] if act != "returns"}
            assert (
                offered
                == {
                    "draft": {"send", "cancel"},
                    "sent": {"confirm", "receipts", "bills", "cancel"},
                    "confirmed": {"confirm", "receipts", "bills", "cancel"},
                    "part_received": {"confirm", "receipts", "bills", "cancel"},
                    "received": {"receipts", "bills"},
                    "cancelled": set(),
                }[order.state]
            )
            for line, told in zip(order.lines, shown["lines"], strict=True):
                found = {name: told[name] for name in ("received", "over", "damaged", "wrong")}
                assert found == {name: getattr(line, name) for name in found}
                assert (told["cancelled"], told["due"]) == (line.cancelled, line.due)
                assert told["waiting"] == sum(map(line.waiting, FAULTY))
                assert told["returned"] == sum(line.back.values())
                assert line.due >= 0
            if any(line.waiting(why) > 0 for line in order.lines for why in FAULTY):
                assert "returns" in shown["acts"]

    @invariant()
    def the_shelf_holds_what_arrived_and_was_not_sent_back(self) -> None:
        arrived = defaultdict[str, Fraction](Fraction)
        for line in (line for order in self.orders for line in order.lines):
            arrived[line.item] += line.on_shelf
        for item, opening in self.opening.items():
            if opening + arrived[item] or self.client.get(f"/v1/shelf/{item}").is_success:
                shown = self.client.get(f"/v1/shelf/{item}").json()
                assert Fraction(shown["on_hand"]) == opening + arrived[item], item
                assert Fraction(shown["reserved"]) <= Fraction(shown["on_hand"])


def test_orders_reconcile_whatever_suppliers_do(service: Service) -> None:
    long = os.environ.get("KITWRIGHT_LONG") == "1"

    class Machine(Orders):
        pass

    Machine.service = service
    run_state_machine_as_test(
        Machine,
        settings=settings(
            max_examples=300 if long else 6,
            stateful_step_count=40,
            deadline=None,
        ),
    )
