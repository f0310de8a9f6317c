"""Kill the service while several people place, send, confirm, receive, return and cancel orders.

    python -m tests.crash.orders 200

After each kill, what was under way is sent again, and every order has to be as its last
acknowledged answer said: the shelf holds what arrived and did not go back, no more of it is
reserved, each order that was e-mailed has one e-mail, and what is ordered is ordered once.
"""

import asyncio
import random
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
from tests.crash.ledger import Call
from tests.crash.rounds import Killing, send

BUYERS = 4
MOST_QUOTES = 3
"""Quotes of a buyer that wait for their orders; then these are placed."""
HEADS: dict[str, Any] = {"family": "TB-V68", "serial": 3200000, "chassis": "loose"}
REQUESTS: tuple[dict[str, Any], ...] = (
    {**HEADS, "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}]},
    {**HEADS, "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 2}]},
    {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    },
)
ACTS = ("send", "confirm", "receipts", "receipts", "returns", "cancel")
"""What is done with an order, so often."""


@dataclass
class Quote:
    """A quote on its way to its orders."""

    id: str
    etag: str
    state: str = "draft"


@dataclass
class Buyer:
    """One client: quotes that wait, orders as they were answered last, and the call under way."""

    name: str
    quotes: list[Quote] = field(default_factory=list)
    placed: set[str] = field(default_factory=set)
    """Quotes whose orders were placed."""
    orders: dict[str, dict[str, Any]] = field(default_factory=dict)
    tags: dict[str, str] = field(default_factory=dict)
    entries: Counter[str] = field(default_factory=Counter)
    mailed: set[str] = field(default_factory=set)
    under_way: tuple[Call, str] | None = None
    sent: int = 0
    acknowledged: int = 0
    refused: int = 0

    def call(self, path: str, body: dict[str, Any] | None, tag: str | None = None) -> Call:
        """Return a new call with a key of its own."""
        self.sent += 1
        headers = {"Idempotency-Key": f'"{self.name}-{self.sent}"'}
        if tag is not None:
            headers["If-Match"] = tag
        return Call("POST", path, body, headers)

    def choose(self, luck: random.Random) -> tuple[Call, str]:
        """Return the next call, and what it is about: a quote's id, an order's, or nothing."""
        waiting = [one for one in self.quotes if one.state == "accepted"]
        if len(waiting) >= MOST_QUOTES or (waiting and luck.random() < 0.2):
            asked = [{"quote": one.id, "revision": 1} for one in waiting]
            return self.call("/v1/orders", {"revisions": asked}), ""
        fresh = [one for one in self.quotes if one.state in ("draft", "issued")]
        orders = [name for name, one in self.orders.items() if one["acts"]]
        if orders and luck.random() < 0.7:
            name = luck.choice(orders)
            acts = [act for act in ACTS if act in self.orders[name]["acts"]]
            if acts:
                act = luck.choice(acts)
                body = self.body(self.orders[name], act, luck)
                return self.call(f"/v1/orders/{name}/{act}", body, self.tags[name]), name
        if fresh:
            quote = fresh[0]
            act, yes = "issue", dict[str, Any](keep_prices="as said")
            if quote.state == "issued":
                act, yes = "accept", {"revision": 1, "who": "Somebody", "means": "telephone"}
            return self.call(f"/v1/quotes/{quote.id}/{act}", yes, quote.etag), quote.id
        return self.call("/v1/quotes", luck.choice(REQUESTS)), ""

    def body(self, order: dict[str, Any], act: str, luck: random.Random) -> dict[str, Any]:
        """Return what is said in an act on an order."""
        lines, by = order["lines"], {"by": self.name}
        due = [line for line in lines if line["due"]]
        if act == "send":
            to = {"to": "orders@supplier.example"} if luck.random() < 0.7 else {}
            means = "email" if to else "telephone"
            return {"means": means, "without_advance": "Known.", **to, **by}
        if act == "confirm":
            said: list[dict[str, Any]] = []
            if due and luck.random() < 0.5:
                line = luck.choice(due)
                late = {"back_order": True, "promised": "2099-01-05"}
                refused = {"refused": luck.randint(1, line["due"])}
                said = [{"line": line["line"], **luck.choice([late, refused])}]
            return {"reference": "S-1", "lines": said, **by}
        if act == "receipts":
            some = luck.sample(lines, luck.randint(1, len(lines)))
            came = [
                {
                    "line": line["line"],
                    "packs": luck.randint(0, line["due"] + 1),
                    "damaged": luck.randint(0, 1),
                    "keep": 0,
                }
                for line in some
            ]
            return {"lines": [one for one in came if one["packs"] or one["damaged"]], **by}
        if act == "returns":
            line = luck.choice([one for one in lines if one["received"] or one["damaged"]] or lines)
            why = "damaged" if line["damaged"] else "not_needed"
            return {"lines": [{"line": line["line"], "why": why, "packs": 1}], **by}
        return {"reason": "No longer wanted.", **by}

    def learn(self, call: Call, about: str, answer: httpx.Response) -> None:
        """Note the answer to a call."""
        self.under_way = None
        if answer.status_code in (400, 409):
            # what a line of nothing, or what is no longer there, comes to: no change
            self.refused += 1
            return
        assert answer.is_success, (call, answer.text)
        self.acknowledged += 1
        told, tag = answer.json(), answer.headers.get("ETag", "")
        if call.path == "/v1/orders":
            for one in told["items"]:
                self.orders[one["id"]] = one
                # the tag of an order is read, as a person would
                self.tags[one["id"]] = ""
            asked = {one["quote"] for one in (call.body or {})["revisions"]}
            self.placed |= asked
            self.quotes = [one for one in self.quotes if one.id not in asked]
        elif call.path == "/v1/quotes":
            self.quotes.append(Quote(told["id"], tag))
        elif call.path.startswith("/v1/quotes/"):
            quote = next(one for one in self.quotes if one.id == about)
            quote.etag, quote.state = tag, told["state"]
        else:
            self.orders[about], self.tags[about] = told, tag
            self.entries[about] += 1
            if call.path.endswith("/send") and (call.body or {})["means"] == "email":
                self.mailed.add(about)


def packs_there(line: dict[str, Any]) -> int:
    """Return the good packs of a line that came and did not go back, if none over is kept."""
    faulty = line["damaged"] + line["wrong"] + line["over"]
    return int(line["received"] - (line["returned"] - (faulty - line["waiting"])))


async def work(client: httpx.AsyncClient, buyer: Buyer, luck: random.Random) -> None:
    """Do one thing after the other until the service is gone."""
    try:
        while True:
            for name, tag in buyer.tags.items():
                if not tag:
                    buyer.tags[name] = (await client.get(f"/v1/orders/{name}")).headers["ETag"]
            call, about = buyer.choose(luck)
            buyer.under_way = call, about
            buyer.learn(call, about, await send(client, call))
    except httpx.TransportError:
        return


class Rounds(Killing):
    """Rounds of ordering, killing and looking, on one data folder."""

    def __init__(self, folder: Path, seed: int) -> None:
        super().__init__(folder, seed)
        self.buyers = [Buyer(f"buyer{number}") for number in range(BUYERS)]
        self.first: dict[str, Decimal] = {}

    async def one(self) -> None:
        """Order, kill, start again, look."""
        await self.kill_amid(
            lambda client: [work(client, one, self.fresh_luck()) for one in self.buyers],
            0.05,
            0.4,
        )
        async with self.client() as client:
            for buyer in self.buyers:
                await self.settle(client, buyer)
                for name in self.luck.sample([*buyer.orders], min(3, len(buyer.orders))):
                    await self.look(client, buyer, name)

    async def settle(self, client: httpx.AsyncClient, buyer: Buyer) -> None:
        """Send again what was under way: it is done now, or was done then, but once."""
        if buyer.under_way is None:
            return
        call, about = buyer.under_way
        if call.headers.get("If-Match") == "":
            buyer.under_way = None
            return
        answer = await send(client, call)
        once_more = await send(client, call)
        assert (once_more.status_code, once_more.content) == (answer.status_code, answer.content)
        buyer.learn(call, about, answer)
        self.again += 1

    async def look(self, client: httpx.AsyncClient, buyer: Buyer, name: str) -> None:
        """Compare an order with its last answer, its entries and its e-mails."""
        answer = await client.get(f"/v1/orders/{name}")
        told, known = answer.json(), buyer.orders[name]
        for member in ("state", "lines", "allocations"):
            assert told[member] == known[member], (name, member)
        entries = (await client.get(f"/v1/orders/{name}/entries")).json()["items"]
        assert len(entries) == buyer.entries[name], (name, entries)
        mails = (await client.get(f"/v1/orders/{name}/messages")).json()["items"]
        assert len(mails) == (name in buyer.mailed), (name, mails)
        nets = sum(Decimal(one["net"]["amount"]) for one in told["allocations"])
        assert nets == Decimal(told["order"]["net"]["amount"]), name

    async def shelf(self, client: httpx.AsyncClient) -> dict[str, Decimal]:
        """Return what is on hand of each item. No more of one is reserved than is there."""
        found, path = {}, "/v1/shelf?limit=200"
        while path:
            answer = await client.get(path)
            for one in answer.json()["items"]:
                found[one["item"]] = Decimal(one["on_hand"])
                assert 0 <= Decimal(one["reserved"]) <= Decimal(one["on_hand"]), one
            path = answer.links.get("next", {}).get("url", "")
        return found

    async def end(self) -> None:
        """Look at everything."""
        async with self.client() as client:
            came = Counter[str]()
            for buyer in self.buyers:
                for name, order in buyer.orders.items():
                    await self.look(client, buyer, name)
                    for line, placed in zip(order["lines"], order["order"]["lines"], strict=True):
                        came[placed["item"]] += packs_there(line) * placed["pack_size"]
            now = await self.shelf(client)
            for item, pieces in came.items():
                pack = await self.pack(client, item)
                assert now.get(item, Decimal(0)) - self.first.get(item, Decimal(0)) == (
                    pieces * pack
                ), item
            ids = [name for buyer in self.buyers for name in buyer.orders]
            assert len(set(ids)) == len(ids)
            listed = set[str]()
            path = "/v1/orders?limit=200"
            while path:
                answer = await client.get(path)
                listed |= {one["id"] for one in answer.json()["items"]}
                path = answer.links.get("next", {}).get("url", "")
            assert listed == set(ids)
            await self.check_needs(client)
            await self.check_mails(client)

    async def pack(self, client: httpx.AsyncClient, item: str) -> Decimal:
        """Return how much of an item is in one of a pack."""
        told = (await client.get(f"/v1/shelf/{item}")).json()
        return Decimal(told.get("pack") or 1)

    async def check_needs(self, client: httpx.AsyncClient) -> None:
        """Place what is still needed: nothing was ordered twice, so nothing is left over."""
        for buyer in self.buyers:
            for quote in sorted(buyer.placed):
                asked = {"revisions": [{"quote": quote, "revision": 1}]}
                answer = await send(client, buyer.call("/v1/orders", asked))
                assert answer.is_success, answer.text
                assert answer.json()["surplus"] == [], (quote, answer.json()["surplus"])
                again = await send(client, buyer.call("/v1/orders", asked))
                assert again.json()["items"] == [], quote

    async def check_mails(self, client: httpx.AsyncClient) -> None:
        """Wait until every e-mail is sent: one letter for each order that was e-mailed. What was
        being sent when the service was killed is tried again a minute later, and not awaited.
        """
        wanted = [name for buyer in self.buyers for name in buyer.mailed]
        mails = await self.mails(client, wanted)
        for _ in range(100):
            if all(mail["state"] != "queued" or mail["attempts"] for mail in mails):
                break
            await asyncio.sleep(0.2)
            mails = await self.mails(client, wanted)
        waiting = [mail for mail in mails if mail["state"] == "queued"]
        letters = [*(self.folder / "mail").glob("**/*.eml")]
        assert len(mails) == len(wanted)
        assert all(mail["state"] == "sent" for mail in mails if mail not in waiting), mails
        assert all(mail["attempts"] for mail in waiting), waiting
        sent = len(mails) - len(waiting)
        # the letter may have been written before the kill, too
        assert sent <= len(letters) <= len(wanted), (sent, len(letters), len(wanted))

    async def mails(self, client: httpx.AsyncClient, orders: list[str]) -> list[dict[str, Any]]:
        """Return the e-mails of orders."""
        return [
            mail
            for name in orders
            for mail in (await client.get(f"/v1/orders/{name}/messages")).json()["items"]
        ]


async def run(folder: Path, kills: int, seed: int = 1) -> Rounds:
    """Return the rounds after so many kills, all looked at."""
    rounds = Rounds(folder, seed)
    rounds.service.start()
    try:
        async with rounds.client() as client:
            rounds.first = await rounds.shelf(client)
        for _ in range(kills):
            await rounds.one()
        await rounds.end()
    finally:
        rounds.service.close()
    return rounds


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as folder:
        rounds = asyncio.run(run(Path(folder) / "data", kills, random.randrange(10**6)))
    orders = sum(len(buyer.orders) for buyer in rounds.buyers)
    entries = sum(sum(buyer.entries.values()) for buyer in rounds.buyers)
    mails = sum(len(buyer.mailed) for buyer in rounds.buyers)
    print(
        f"{rounds.kills} kills, {orders} orders with {entries} entries all there, {mails} e-mails "
        f"once each, {rounds.again} calls under way sent again"
    )


if __name__ == "__main__":
    main()
