"""Kill the service in the middle of concurrent writes, again and again, and look for damage.

    python -m tests.crash.rounds 500

After each kill the service starts again on the same data folder. Then every acknowledged write has
to be there and none twice, what was under way is sent again under its Idempotency-Key and must
come to exactly one change, and the feed goes on without a gap or a repeat.
"""

import asyncio
import os
import random
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path
from typing import Any

import httpx
from tests.crash.ledger import Call, Quote, Writer

REQUESTS: tuple[dict[str, Any], ...] = (
    {"family": "QM-H27", "serial": 2140077, "jobs": [{"job": "J-LASH", "cylinder": 1}]},
    {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    },
    {
        "family": "TB-V68",
        "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
        "discounts": [{"reason": "regular", "by": "Owner", "percent": "5"}],
    },
)
Works = Callable[[httpx.AsyncClient], Iterable[Coroutine[Any, Any, None]]]
"""Returns what clients do at the same time, until the service is killed."""
WRITERS = 6
SHELF = "/v1/shelf/V68-G-110"
ON_HAND = 3
"""What is on hand of it at first."""


class Service:
    """The service: started, killed, and started again."""

    def __init__(self, folder: Path) -> None:
        self.key = ""
        self.address = ""
        self._log = (folder.parent / "crash.log").open("wb")
        self._zygote = subprocess.Popen(
            [sys.executable, "-m", "tests.crash.zygote", str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
        )
        self._child = 0

    def start(self) -> None:
        """Start it; learn its address, and at first its owner's key."""
        assert self._zygote.stdin is not None
        assert self._zygote.stdout is not None
        self._zygote.stdin.write("go\n")
        self._zygote.stdin.flush()
        self.address = ""
        while not self.address:
            line = self._zygote.stdout.readline()
            assert line, "the service did not start: see crash.log"
            word, _, rest = line.strip().partition(" ")
            if word == "process":
                self._child = int(rest)
            elif line.startswith("owner key: "):
                self.key = line.removeprefix("owner key: ").strip()
            elif line.startswith("listening on "):
                self.address = line.removeprefix("listening on ").strip()

    def kill(self) -> None:
        """Kill it, as a power cut would, unless that was done."""
        child, self._child = self._child, 0
        if child:
            os.kill(child, signal.SIGKILL)

    def close(self) -> None:
        """End all."""
        self.kill()
        assert self._zygote.stdin is not None
        assert self._zygote.stdout is not None
        self._zygote.stdin.close()
        self._zygote.stdout.close()
        self._zygote.wait(10)
        self._log.close()


def choose(writer: Writer, luck: random.Random) -> tuple[Call, Quote | None]:
    """Return the next call of a writer, mostly one that its quote's state allows."""
    if luck.random() < 0.15:
        delivered = {"kind": "receive", "reason": "delivered", "by": writer.name}
        delivered["quantity"] = str(luck.randint(1, 3))
        return writer.call(f"{SHELF}/moves", delivered, None), None
    quote = luck.choice(writer.quotes) if writer.quotes and luck.random() < 0.7 else None
    if quote is None or quote.state in ("done", "withdrawn"):
        return writer.call("/v1/quotes", luck.choice(REQUESTS), None), None
    path = f"/v1/quotes/{quote.id}"
    acts: list[tuple[str, dict[str, Any] | None]] = [("revise", luck.choice(REQUESTS))]
    if quote.is_drafted:
        # others may have taken what was free when it was quoted
        acts += [("issue", {"keep_prices": "as said"})] * 3
    if quote.offered is not None:
        yes = {"revision": quote.offered, "who": "Somebody", "means": "telephone"}
        acts += [("accept", yes)] * 3
        acts += [("decline", {"revision": quote.offered})]
    elif quote.state == "draft":
        acts += [("withdraw", None)]
    act, body = luck.choice(acts)
    return writer.call(f"{path}/{act}", body, quote), quote


async def send(client: httpx.AsyncClient, call: Call) -> httpx.Response:
    """Send a call."""
    return await client.request(call.method, call.path, json=call.body, headers=call.headers)


async def write(client: httpx.AsyncClient, writer: Writer, luck: random.Random) -> None:
    """Write until the service is gone."""
    while True:
        call, quote = choose(writer, luck)
        writer.under_way = call, quote
        try:
            answer = await send(client, call)
        except httpx.TransportError:
            return
        assert answer.status_code in (200, 201), (call, answer.text)
        writer.learn(call, quote, answer.headers.get("ETag", ""), answer.json())


class Killing:
    """A service on one data folder that is killed amid work, and started again."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self.service = Service(folder)
        self.luck = random.Random(seed)
        self.kills = self.again = 0

    def client(self) -> httpx.AsyncClient:
        """Return a client with the owner's key."""
        headers = {"Authorization": f"Bearer {self.service.key}"}
        return httpx.AsyncClient(base_url=self.service.address, headers=headers, timeout=60)

    async def kill_amid(self, works: Works, least: float, most: float) -> None:
        """Let clients work, kill the service within so many seconds, and start it again."""
        async with self.client() as client:
            tasks = [asyncio.create_task(each) for each in works(client)]
            await asyncio.sleep(self.luck.uniform(least, most))
            self.service.kill()
            self.kills += 1
            await asyncio.gather(*tasks)
        self.service.start()

    def fresh_luck(self) -> random.Random:
        """Return a generator of random numbers for one client."""
        return random.Random(self.luck.random())


class Rounds(Killing):
    """Rounds of writing, killing and looking, on one data folder."""

    def __init__(self, folder: Path, seed: int) -> None:
        super().__init__(folder, seed)
        self.writers = [Writer(f"writer{index}") for index in range(WRITERS)]
        self.seen = Counter[str]()
        self.last = 0

    async def one(self) -> None:
        """Write, kill, start again, look."""
        await self.kill_amid(
            lambda client: [write(client, one, self.fresh_luck()) for one in self.writers],
            0.02,
            0.25,
        )
        async with self.client() as client:
            for writer in self.writers:
                await self.settle(client, writer)
            await self.read_feed(client)
            await self.count(client)
            for writer in self.writers:
                for quote in self.luck.sample(writer.quotes, min(3, len(writer.quotes))):
                    await self.look(client, quote)

    async def settle(self, client: httpx.AsyncClient, writer: Writer) -> None:
        """Send again what was under way: it is done now, or was done then, but once."""
        if writer.under_way is None:
            return
        call, quote = writer.under_way
        answer = await send(client, call)
        assert answer.status_code in (200, 201), (call, answer.text)
        once_more = await send(client, call)
        assert (once_more.status_code, once_more.content) == (answer.status_code, answer.content)
        writer.learn(call, quote, answer.headers.get("ETag", ""), answer.json())
        self.again += 1

    async def read_feed(self, client: httpx.AsyncClient) -> None:
        """Read what is new in the feed: no gap, no repeat."""
        while True:
            answer = await client.get("/v1/events", params={"after": self.last, "limit": 200})
            assert answer.status_code == 200, answer.text
            items = answer.json()["items"]
            if not items:
                return
            for event in items:
                assert event["seq"] == self.last + 1, (self.last, event)
                self.last = event["seq"]
                self.seen[event["subject"]] += 1

    async def look(self, client: httpx.AsyncClient, quote: Quote) -> None:
        """Compare a quote with what was acknowledged of it."""
        answer = await client.get(f"/v1/quotes/{quote.id}")
        assert answer.status_code == 200, (quote, answer.text)
        told = answer.json()
        assert answer.headers["ETag"] == quote.etag, (quote, told["state"])
        for member in ("state", "revision", "offered", "agreed"):
            assert told[member] == getattr(quote, member), (quote, member)
        assert told["gross"]["amount"] == quote.gross
        assert told["quote"]["totals"]["gross"]["amount"] == quote.gross
        assert self.seen[quote.id] == quote.changes, quote

    async def count(self, client: httpx.AsyncClient) -> None:
        """Compare what is on hand with what was acknowledged; no more of it is reserved."""
        told = (await client.get(SHELF)).json()
        assert int(told["on_hand"]) == ON_HAND + sum(one.received for one in self.writers), told
        assert 0 <= int(told["reserved"]) <= int(told["on_hand"]), told

    async def end(self) -> None:
        """Look at everything."""
        async with self.client() as client:
            await self.read_feed(client)
            quotes = [quote for writer in self.writers for quote in writer.quotes]
            for quote in quotes:
                await self.look(client, quote)
            assert len({quote.id for quote in quotes}) == len(quotes)
            subjects = {name for name in self.seen if name.startswith("Q")}
            assert subjects == {quote.id for quote in quotes}


async def run(folder: Path, kills: int, seed: int = 1) -> Rounds:
    """Return the rounds after so many kills, all looked at."""
    rounds = Rounds(folder, seed)
    rounds.service.start()
    try:
        for _ in range(kills):
            await rounds.one()
        await rounds.end()
    finally:
        rounds.service.close()
    return rounds


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    with tempfile.TemporaryDirectory() as folder:
        rounds = asyncio.run(run(Path(folder) / "data", kills, random.randrange(10**6)))
    written = sum(writer.acknowledged for writer in rounds.writers)
    print(
        f"{rounds.kills} kills, {written} acknowledged writes all there, {rounds.again} calls "
        f"under way sent again, {rounds.last} events without a gap"
    )


if __name__ == "__main__":
    main()
