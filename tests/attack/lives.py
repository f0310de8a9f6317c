"""The life of one shop that is killed again and again, a third of the times while it erases, backs
up, restores and releases: `python -m tests.attack.lives [KILLS]`.

The shop goes on from one restored folder to the next. What was acknowledged before a backup, or
since the last restore, has to be there; nothing may be left of anybody who was ever erased; nothing
that was revoked may open; and no id may be given twice, not even one of a folder that was lost.
"""

from __future__ import annotations

import asyncio
import itertools
import random
import re
import shutil
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from contextlib import closing
from copy import deepcopy
from pathlib import Path
from typing import Any, Final, NamedTuple

import httpx
from tests.attack.restore.victim import Victim
from tests.crash.ledger import Quote, Writer
from tests.crash.rounds import REQUESTS, Rounds
from tests.store.pictures import a_png

from kitwright.store.closings import LEDGER
from kitwright.store.doctor import Severity, examine
from kitwright.store.engine import FILE
from kitwright.store.snapshots import snapshots
from kitwright.store.sqlite import sqlite3

NAME: Final = "Quillfeather"
"""A word that nothing but the customers' records and files holds."""
LIFE: Final = 12
"""Kills in each cycle of a life: eight of a shop at work, and one of each act."""
_WORK: Final = 2
_PATIENCE_SECONDS: Final = 20.0
_OLDER: Final = 0.25
"""How often a backup before the newest one is restored."""


class Person(NamedTuple):
    """A customer who will be erased, a key and a link that will be revoked, and a link that will
    not be.
    """

    customer: str
    etag: str
    key: str
    key_id: str
    revoked: str
    revoked_link: str
    kept_link: str


class Saved(NamedTuple):
    """What was acknowledged when a backup was made."""

    writers: list[Writer]
    here: frozenset[int]


class Life(Rounds):
    """Cycles of work, backup, erasing, restore and release, with a kill in each."""

    def __init__(self, place: Path, seed: int) -> None:
        super().__init__(place / "data", seed)
        self.copies = place / "copies"
        self.victim = Victim()
        self.given: dict[str, str] = {}
        """Every id that was ever given -> what it was given for."""
        self.events: dict[str, Any] = {}
        """Every event that was ever read, by id."""
        self.places: dict[int, str] = {}
        """Place in the feed -> the id of the event that was read there."""
        self.next = ""
        self.people: list[Person] = []
        self.saved: dict[Path, Saved] = {}
        self.hits = Counter[str]()
        """Kills that came while an act was under way, by act."""
        self.restores = 0
        self.here = frozenset[int]()
        """The people whom the present folder knows, by number."""
        self._calls = itertools.count()
        self._whole = {"back up": 0.05, "restore": 0.05, "release": 0.03}
        """Seconds that an act takes if it is not killed, as it took last."""

    def stop(self) -> None:
        """End all."""
        self.victim.close()
        self.service.close()

    async def cycle(self) -> None:
        """Live a cycle: `LIFE` kills."""
        await self.meet()
        await self.work()
        self.back_up()
        await self.work()
        await self.close_person()
        # from one start of the service to the next, pages may hold copies of rows that were moved
        await self.work()
        await self._until_nothing_is_left()
        await self.restore()
        await self.release()
        await self.work()

    async def work(self) -> None:
        """Be killed while working, and look."""
        for _ in range(_WORK):
            await self.one()
            for writer in self.writers:
                for quote in writer.quotes:
                    self.give(quote.id, writer.name)

    def give(self, id: str, what: str) -> None:  # noqa: A002 - the word of the answers
        """Note that an id was given."""
        assert self.given.setdefault(id, what) == what, f"{id} was given twice"

    def _once(self) -> dict[str, str]:
        return {"Idempotency-Key": f'"life-{next(self._calls)}"'}

    async def post(
        self, client: httpx.AsyncClient, path: str, body: Any = None, **headers: str
    ) -> httpx.Response:
        """Make a call of its own."""
        return await client.post(path, json=body, headers={**self._once(), **headers})

    async def meet(self) -> None:
        """Get to know a customer with a quote and a photograph; make a key and two links."""
        number = len(self.people)
        async with self.client() as client:

            async def add(path: str, body: Any, **headers: str) -> httpx.Response:
                answer = await self.post(client, path, body, **headers)
                assert answer.status_code in (200, 201), answer.text
                return answer

            who = {"name": f"Ada {NAME}{number}", "email": f"{NAME}{number}@example.org"}
            customer = await add("/v1/customers", {**who, "note": f"{NAME} in the morning"})
            self.give(customer.json()["id"], f"person {number}")
            asked = {**REQUESTS[1], "customer": customer.json()["id"]}
            quote = (await add("/v1/quotes", asked)).json()["id"]
            self.give(quote, f"quote of person {number}")
            path = f"/v1/quotes/{quote}/photos?subject=finding&code=plug_oil"
            media = {"Content-Type": "image/png", **self._once()}
            photo = await client.post(path, content=a_png(number + 1), headers=media)
            assert photo.status_code == 201, photo.text
            self.give(photo.json()["id"], f"photo of person {number}")
            key = (await add("/v1/keys", {"name": f"key {number}", "scopes": ["read"]})).json()
            self.give(key["id"], f"key {number}")
            links = []
            for what in ("revoked", "kept"):
                offer = await add("/v1/quotes", REQUESTS[0])
                self.give(offer.json()["id"], f"{what} offer {number}")
                here = f"/v1/quotes/{offer.json()['id']}"
                tag = {"If-Match": offer.headers["ETag"]}
                offer = await add(f"{here}/issue", {"keep_prices": "as said"}, **tag)
                tag = {"If-Match": offer.headers["ETag"]}
                link = await add(f"{here}/links", {}, **tag)
                links.append((here, link.json()["path"]))
        (revoked, revoked_link), (_, kept_link) = links
        self.here |= {number}
        self.people.append(
            Person(
                customer=f"/v1/customers/{customer.json()['id']}",
                etag=customer.headers["ETag"],
                key=key["key"],
                key_id=key["id"],
                revoked=revoked,
                revoked_link=revoked_link,
                kept_link=kept_link,
            )
        )

    def back_up(self) -> None:
        """Be killed while backing up beside the service at work; then back up completely."""
        before = set(snapshots(self.copies).values()) if self.copies.exists() else set()
        self._kill_act("back up", self.folder, self.copies)
        self._act("back up", self.folder, self.copies)
        saved = Saved(deepcopy(self.writers), self.here)
        for file in set(snapshots(self.copies).values()) - before:
            self.saved[file] = saved
        assert set(self.saved) >= set(snapshots(self.copies).values())

    def _kill_act(self, act: str, *arguments: Path) -> bool:
        """Be killed in an act of a process of its own; return whether it ended before."""
        self.kills += 1
        took = self.victim.at_once(act, *arguments, within=self._whole[act])
        self._whole[act] = took or self._whole[act]
        self.hits[act] += not took
        return bool(took)

    def _act(self, act: str, *arguments: Path) -> None:
        self._whole[act] = self.victim.act(act, *arguments)

    async def close_person(self) -> None:
        """Be killed while erasing the last customer; erase it, and revoke its key and link."""
        person = self.people[-1]
        tag = {"If-Match": person.etag}

        async def erase(client: httpx.AsyncClient) -> httpx.Response:
            return await self.post(client, f"{person.customer}/erase", **tag)

        await self._kill_call("erase", erase)
        async with self.client() as client:
            answer = await erase(client)
            if answer.status_code != 200:
                # a start has finished what was begun
                assert answer.json()["code"] in ("act-refused", "record-changed"), answer.text
                now = (await client.get(person.customer)).json()
                assert now["erased_at"] is not None, now
            for path in (f"/v1/keys/{person.key_id}/revoke", f"{person.revoked}/links/revoke"):
                answer = await self.post(client, path)
                assert answer.status_code == 200, answer.text

    async def _kill_call(
        self, act: str, call: Callable[[httpx.AsyncClient], Awaitable[httpx.Response]]
    ) -> None:
        """Be killed during a call, and start again."""
        self.kills += 1
        async with self.client() as client:
            begun = time.monotonic()
            task = asyncio.ensure_future(call(client))
            within = self._whole.get(f"{act} call", 0.02)
            await asyncio.wait((task,), timeout=self.luck.uniform(0, 1) * within)
            self.service.kill()
            try:
                await task
            except httpx.TransportError:
                self.hits[act] += 1
            else:
                self._whole[f"{act} call"] = time.monotonic() - begun
        self.service.start()

    async def _until_nothing_is_left(self) -> None:
        """Wait for what a start of the service finishes; then nobody who was erased is left."""
        until = time.monotonic() + _PATIENCE_SECONDS
        while left := list(traces(self.folder)):
            assert time.monotonic() < until, left
            await asyncio.sleep(0.05)

    async def restore(self) -> None:
        """Lose the folder, and be killed while restoring a backup; then restore completely."""
        self.service.kill()
        lost = self.folder.with_name("lost")
        self.folder.replace(lost)
        files = list(snapshots(self.copies).values())
        chosen = files[-1] if self.luck.random() > _OLDER else self.luck.choice(files)
        given = chosen, self.folder, lost / LEDGER
        if not self._kill_act("restore", *given) and not (self.folder / FILE).exists():
            self._act("restore", *given)
        self.restores += 1
        left = list(traces(self.folder))
        assert left == [], left
        assert errors(self.folder) == []
        shutil.rmtree(lost)
        self.service.start()
        await self._go_back(self.saved[chosen])

    async def _go_back(self, saved: Saved) -> None:
        """Look at everything that the backup had; know from now on no more than that."""
        late = {writer.name: writer.sent for writer in self.writers}
        self.writers = deepcopy(saved.writers)
        async with self.client() as client:
            for writer in self.writers:
                writer.sent = late[writer.name]
                for quote in writer.quotes:
                    await self._learn(client, quote)
            answer = await client.get("/v1/events", params={"after": self.next})
            assert answer.status_code == 410, answer.text
            assert 'rel="next"' in answer.headers["Link"]
            refused = await self.post(client, "/v1/quotes", REQUESTS[0])
            assert refused.json()["code"] == "records-held", refused.text
            for number in saved.here:
                answer = await client.get(self.people[number].kept_link)
                assert answer.status_code == 503, answer.text
            self.seen.clear()
            self.next, self.last = "", 0
            await self.read_feed(client)
            for quote in (quote for writer in self.writers for quote in writer.quotes):
                await self.look(client, quote)
            await self.count(client)
        self.here = saved.here

    async def _learn(self, client: httpx.AsyncClient, quote: Quote) -> None:
        """Learn the new tag of a quote; the old one must not fit."""
        answer = await client.get(f"/v1/quotes/{quote.id}")
        assert answer.status_code == 200, (quote, answer.text)
        assert answer.headers["ETag"] != quote.etag
        quote.etag = answer.headers["ETag"]

    async def release(self) -> None:
        """Be killed while releasing; release, and look at what was closed and what was not."""
        if self.luck.random() < 0.5:
            self.service.kill()
            self._kill_act("release", self.folder)
            self.service.start()
        else:
            await self._kill_call("release", self.let_go)
        async with self.client() as client:
            now = (await client.get("/v1/release")).json()
            if now["is_held"]:
                now = (await self.let_go(client)).json()
            assert not now["is_held"]
            await self.read_feed(client)
            released = [one for one in self.events.values() if one["kind"] == "records.released"]
            assert sum(one["id"].split("_")[1] == now["epoch"] for one in released) == 1
            for number, person in enumerate(self.people):
                await self._look_at(client, person, is_here=number in self.here)

    async def _look_at(self, client: httpx.AsyncClient, person: Person, *, is_here: bool) -> None:
        """Look at what was given to somebody who was erased: it is closed for good."""
        bearer = {"Authorization": f"Bearer {person.key}"}
        answer = await client.get("/v1/shop", headers=bearer)
        assert answer.status_code == 401, answer.text
        answer = await client.get(person.revoked_link)
        assert answer.status_code in (404, 410), answer.text
        answer = await client.get(person.kept_link)
        assert answer.status_code in ((200,) if is_here else (404, 410)), answer.text

    async def read_feed(self, client: httpx.AsyncClient) -> None:
        """Read what is new in the feed: no gap but at a restore, no repeat, no id twice."""
        while True:
            answer = await client.get("/v1/events", params={"after": self.next, "limit": 200})
            assert answer.status_code == 200, answer.text
            told = answer.json()
            self.next = told["next"]
            if not told["items"]:
                return
            for event in told["items"]:
                self._read_event(event)

    def _read_event(self, event: dict[str, Any]) -> None:
        is_next = event["seq"] == self.last + 1
        assert is_next or event["kind"] == "records.restored", (self.last, event)
        # only an erasure changes an event, and only the id of its request
        lasting = {name: value for name, value in event.items() if name != "request_id"}
        assert self.events.setdefault(event["id"], lasting) == lasting
        assert self.places.setdefault(event["seq"], event["id"]) == event["id"]
        self.last = event["seq"]
        self.seen[event["subject"]] += 1

    async def let_go(self, client: httpx.AsyncClient) -> httpx.Response:
        """Release restored records."""
        return await self.post(client, "/v1/release", {"mail": "drop", "webhooks": "drop"})

    async def end(self) -> None:
        """Look at everything."""
        async with self.client() as client:
            await self.read_feed(client)
            for quote in (quote for writer in self.writers for quote in writer.quotes):
                await self.look(client, quote)
            await self.count(client)
        self.service.kill()
        assert errors(self.folder) == []
        assert list(traces(self.folder)) == []


def errors(folder: Path) -> list[str]:
    """Return what a doctor finds wrong."""
    return [str(one) for one in examine(folder) if one.severity is Severity.error]


def traces(folder: Path) -> Iterator[str]:
    """Yield every place in a data folder in which a customer's name stands, and every photograph:
    only customers who are to be erased have any.
    """
    word = re.compile(NAME.encode(), re.IGNORECASE)
    for path in sorted(folder.rglob("*")):
        try:
            data = path.read_bytes() if path.is_file() else b""
        except FileNotFoundError:
            continue
        if word.search(data):
            yield str(path.relative_to(folder))
        if path.is_file() and path.relative_to(folder).parts[0] == "photos":
            yield f"{path.relative_to(folder)}, a photograph of nobody"
    with closing(sqlite3.connect(f"{(folder / FILE).as_uri()}?mode=ro", uri=True)) as connection:
        for table, columns in (
            ("revisions", "request, answer, reckoning, shown"),
            ("answers", "body"),
            ("orders", "body"),
            ("mails", "body"),
        ):
            for row in connection.execute(f"SELECT {columns} FROM {table}"):
                if any(word.search(unpacked(body)) for body in row):
                    yield f"a row of {table}"


def unpacked(body: bytes) -> bytes:
    """Return a body as it was before it was compressed, if it was."""
    try:
        return zlib.decompress(body)
    except zlib.error:
        return body


async def live(place: Path, kills: int, seed: int = 1) -> Life:
    """Return a life after about so many kills, looked at to its end."""
    life = Life(place, seed)
    life.service.start()
    try:
        for _ in range(max(1, kills // LIFE)):
            await life.cycle()
        await life.end()
    finally:
        life.stop()
    return life


def told(life: Life) -> str:
    """Return what came of a life, in words."""
    hits = ", ".join(f"{act} {count}" for act, count in sorted(life.hits.items()))
    acts = life.kills * 4 // LIFE
    return (
        f"{life.kills} kills, {acts} of them in acts, of which were under way: {hits}; "
        f"{life.restores} restores; {len(life.people)} erased, nothing left; "
        f"{len(life.given)} ids and {len(life.events)} events, none given twice; "
        f"{life.again} calls under way sent again, nothing lost"
    )


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    with tempfile.TemporaryDirectory() as place:
        seed = random.randrange(10**6)
        print(f"seed {seed}", flush=True)
        print(told(asyncio.run(live(Path(place), kills, seed))))


if __name__ == "__main__":
    main()
