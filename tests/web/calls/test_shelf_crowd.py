"""Eight clients reserve, draw, receive and count at once: nothing is promised beyond the stock.

Some hundred moves; ten thousand with KITWRIGHT_LONG=1.
"""

import asyncio
import os
import random
from collections import Counter
from pathlib import Path
from typing import Any

import httpx
from tests.desks import open_counter
from tests.web.calls.test_shelf_promises import GASKET, HEADS, ordered

from kitwright.app import make_app
from kitwright.keeping.ledger import UNIT
from kitwright.store.doctor import Severity, examine
from kitwright.web.calls.service import Service

CLIENTS = 8
MOVES = 10_000 if os.environ.get("KITWRIGHT_LONG") == "1" else 400
ITEMS = (GASKET, "CS-OIL", "V68-F-801")
YES = {"revision": 1, "who": "A. Customer", "means": "telephone"}


class Crowd:
    """Clients of one service, and what they were told was done."""

    def __init__(self, client: httpx.AsyncClient) -> None:
        self.client = client
        self.left = MOVES
        self.done = Counter[str]()
        self.keys = 0
        self.last: list[str] = []
        self.bought = Counter[str]()

    async def post(self, path: str, body: Any = None, **headers: str) -> httpx.Response:
        self.keys += 1
        given = {"Idempotency-Key": f'"crowd-{self.keys}"', **headers}
        return await self.client.post(path, json=body, headers=given)

    async def act(self, quote: str, act: str, body: Any = None) -> None:
        tag = (await self.client.get(f"/v1/quotes/{quote}")).headers["etag"]
        answer = await self.post(f"/v1/quotes/{quote}/{act}", body, **{"If-Match": tag})
        # a draw elsewhere may have reopened a need of this quote in between
        assert answer.status_code in (200, 412), answer.text
        if answer.status_code == 412:
            await self.act(quote, act, body)

    async def order(self, quote: str) -> None:
        """Order what a quote still needs, twice: the second time, nothing is left."""
        asked = {"revisions": [{"quote": quote, "revision": 1}]}
        first, second = [(await self.post("/v1/orders", asked)).json() for _ in range(2)]
        self.bought[quote] = ordered(first)
        assert second["items"] == []

    async def agreed(self) -> str:
        quote: str = (await self.post("/v1/quotes", HEADS)).json()["id"]
        await self.act(quote, "issue", {"keep_prices": "as said"})
        await self.act(quote, "accept", YES)
        return quote

    async def work(self, luck: random.Random) -> None:
        quotes = [await self.agreed()]
        while self.left > 0:
            self.left -= 1
            if luck.random() < 0.02:
                await self.act(quotes[-1], "withdraw")
                quotes.append(await self.agreed())
                continue
            await self.move(luck, quotes[-1])
        self.last.append(quotes[-1])

    async def move(self, luck: random.Random, quote: str) -> None:
        item = luck.choice(ITEMS)
        kind = luck.choice(["receive", "reserve", "release", "draw", "count", "return"])
        body: dict[str, Any] = {"kind": kind, "reason": "crowd", "by": "Owner"}
        body["quantity"] = luck.choice(["1", "2", "0.5"] if item == "CS-OIL" else ["1", "2"])
        if kind != "receive" and kind != "count" and luck.random() < 0.8:
            body["quote"] = quote
        if kind == "receive":
            body["cost"] = luck.choice(["2.40", "3.15"])
        answer = await self.post(f"/v1/shelf/{item}/moves", body)
        assert answer.status_code in (201, 409), answer.text
        self.done[f"{kind} {answer.status_code}"] += 1
        told = answer.json()
        if answer.status_code == 201:
            assert 0 <= float(told["reserved"]) <= float(told["on_hand"])
            assert float(told["free"]) >= 0


async def crowd(app: Any, key: str) -> Crowd:
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app),
        base_url="http://test",
        headers={"Authorization": f"Bearer {key}"},
        timeout=60,
    ) as client:
        crowd = Crowd(client)
        lucks = [random.Random(seed) for seed in range(CLIENTS)]
        await asyncio.gather(*(crowd.work(luck) for luck in lucks))
        for quote in crowd.last:
            await crowd.order(quote)
    return crowd


def test_nothing_is_promised_twice_by_a_crowd(service: Service, tmp_path: Path) -> None:
    with open_counter(service, tmp_path) as counter:
        found = asyncio.run(crowd(make_app(counter.desk), counter.key))

        def promised(records: Any) -> dict[str, tuple[int, int]]:
            return {
                item: (
                    sum(balance.reserved for _, balance in records.shelf.of_item(item)),
                    sum(
                        share.reserved
                        for holding, _ in records.shelf.of_item(item)
                        for share in records.shelf.reserved(holding.number)
                    ),
                )
                for item in ITEMS
            }

        sums = counter.store.read(promised)
        for quote in found.last:
            number = int(quote[1:])
            has = counter.store.read(lambda records: records.shelf.shares(number))  # noqa: B023
            mine = [one for one in has if one.holding.item == GASKET]
            from_shelf = sum(one.reserved + one.drawn for one in mine) // UNIT
            # every quote needs one gasket, from the shelf or from its order
            assert from_shelf + found.bought[quote] >= 1, quote
            assert found.bought[quote] <= 1
    assert all(reserved == shared for reserved, shared in sums.values()), sums
    for kind in ("receive 201", "reserve 201", "reserve 409", "draw 201", "count 201"):
        assert found.done[kind], found.done
    errors = [one for one in examine(tmp_path) if one.severity is Severity.error]
    assert errors == []
