"""How long looking ahead holds the event loop: the processor time between two of its turns.

    python -m tests.bench.hold

Each request is made twice: with nothing remembered of it, and again. Unused objects are looked for
as in a running service.
"""

import asyncio
import gc
import tempfile
import time
from collections.abc import Awaitable, Callable
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
from tests.desks import open_counter

from kitwright.app import make_app
from kitwright.catalogue.load import load_catalogue
from kitwright.serving import calm_garbage, settle_garbage
from kitwright.settings import built_in_catalog
from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop

REPAIR = {
    "family": "QM-H27",
    "chassis": "PW-G5",
    "diagnoses": [{"code": "RINGS-BORE", "cylinder": 1}],
}
COURSES = ["least", "recommended", "thorough", "replace"]
STATES = [
    {"rust": rust, "debris": debris, "previous_work": worked}
    for rust in ("none", "light", "heavy")
    for debris in ("none", "light", "heavy")
    for worked in (False, True)
]
UNITS = [
    {"serial": 2140000 + place, "plate": {"Asset": str(place)}, "condition": STATES[place % 18]}
    for place in range(100)
]
OTHER = {"family": "TB-S50", "serial": 2000000, "jobs": [{"job": "J-BREATHER"}]}
PREVIEW = "/v1/quotes/preview"
Asking = Callable[[httpx.AsyncClient], Awaitable[tuple[str, dict[str, Any]]]]
"""Returns the path and the body to ask for, once what they need is there."""
ASKED: dict[str, tuple[str, dict[str, Any]]] = {
    "one machine": (PREVIEW, {**REPAIR, "contingencies": True}),
    "one, with courses": (PREVIEW, {**REPAIR, "contingencies": True, "courses": COURSES}),
    "100 alike": (PREVIEW, {**REPAIR, "contingencies": True, "machines": 100}),
    "100 units": ("/v1/quotes", {**REPAIR, "units": UNITS}),
    "100 units, with courses": ("/v1/quotes", {**REPAIR, "units": UNITS, "courses": COURSES}),
}
OFFER = {**REPAIR, "courses": COURSES}
TICKS = {
    "revision": 1,
    "course": "recommended",
    "extras": [{"job": "J-VALVE-LAP", "cylinder": 1}, {"job": "J-BREATHER"}],
}
TICKED = "a customer's ticks"


def holds_of(folder: Path, path: str, body: dict[str, Any]) -> tuple[list[float], list[float]]:
    """Return the seconds of processor time between every two turns of the event loop, for a request
    with nothing remembered of it, and for the same once more.
    """
    return _holds(folder, lambda _: _same(path, body))


def holds_of_ticks(folder: Path) -> tuple[list[float], list[float]]:
    """Return the same for pricing what a customer chooses of an offer with courses."""
    return _holds(folder, _offered)


async def _same(path: str, body: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    return path, body


async def _offered(client: httpx.AsyncClient) -> tuple[str, dict[str, Any]]:
    made = await client.post("/v1/quotes", json=OFFER, headers={"Idempotency-Key": '"made"'})
    head = {"Idempotency-Key": '"issued"', "If-Match": made.headers["ETag"]}
    issued = await client.post(f"/v1/quotes/{made.json()['id']}/issue", json={}, headers=head)
    assert issued.is_success, issued.text
    return f"/v1/quotes/{made.json()['id']}/choice", TICKS


def _holds(folder: Path, asked: Asking) -> tuple[list[float], list[float]]:
    catalogue = load_catalogue(built_in_catalog())
    shop = next(shop for shop in catalogue.shops.values() if shop.id == "hire-yard")
    service = Service(Workshop(catalogue, shop), lambda: date(2027, 3, 1))
    with open_counter(service, folder) as counter:
        app: Any = make_app(counter.desk)
        transport = httpx.ASGITransport(app)
        key = {"Authorization": f"Bearer {counter.key}"}

        async def ask() -> tuple[list[float], list[float]]:
            client = httpx.AsyncClient(transport=transport, base_url="http://shop", headers=key)
            async with client:
                # what the first request of all loads
                await client.post(PREVIEW, json={**OTHER, "contingencies": True})
                path, body = await asked(client)
                first, second = [await _timed(client, path, body, turn) for turn in range(2)]
                return first, second

        before = gc.get_threshold()
        settle_garbage()
        calm_garbage()
        try:
            return asyncio.run(ask())
        finally:
            gc.set_threshold(*before)
            gc.unfreeze()


async def _timed(
    client: httpx.AsyncClient, path: str, body: dict[str, Any], turn: int
) -> list[float]:
    turns: list[float] = []

    async def watch() -> None:
        while True:
            await asyncio.sleep(0.0005)
            turns.append(time.process_time())

    watching = asyncio.create_task(watch())
    await asyncio.sleep(0.01)
    turns[:] = [time.process_time()]
    answer = await client.post(path, json=body, headers={"Idempotency-Key": f'"turn-{turn}"'})
    # the last one may be what the answer was made in
    turns.append(time.process_time())
    watching.cancel()
    assert answer.is_success, answer.text
    return [after - before for before, after in pairwise(turns)]


def main() -> None:
    print(f"{'milliseconds of processor time':32}{'first':>8}{'held':>8}{'again':>8}{'held':>8}")
    for name in (*ASKED, TICKED):
        with tempfile.TemporaryDirectory() as place:
            data = Path(place) / "data"
            turns = holds_of(data, *ASKED[name]) if name in ASKED else holds_of_ticks(data)
        told = "".join(f"{1000 * sum(turn):8.0f}{1000 * max(turn):8.1f}" for turn in turns)
        print(f"{name:32}{told}")


if __name__ == "__main__":
    main()
