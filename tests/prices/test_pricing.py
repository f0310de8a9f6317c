"""A running service reads price files in the background, and takes over what is applied."""

import asyncio
import json
import os
import time
from collections.abc import AsyncIterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.desks import run_live
from tests.prices.test_books import AT, read
from tests.prices.test_offers import HEAD

from kitwright.catalogue.model import Catalogue, SupplierId
from kitwright.examination import read_sound
from kitwright.prices.record import FileState, terms_of
from kitwright.prices.register import SqlitePriceBooks
from kitwright.pricing import Pricing, SupplierUnknown
from kitwright.settings import built_in_catalog
from kitwright.store.engine import SqliteStore

GONE = 2**22 + 1
"""The number of no process."""
ROW = "AQ-1,V68-G-103,Tarnbeck,30.00,11.50,1,,\n"
PREVIEW = {
    "family": "TB-V68",
    "chassis": "loose",
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_sound(built_in_catalog())


async def pieces(*texts: str) -> AsyncIterator[bytes]:
    for text in texts:
        yield text.encode()


def opened(data: Path, catalogue: Catalogue, store: SqliteStore) -> Pricing:
    return Pricing(
        lambda: SqlitePriceBooks(data), store, catalogue, lambda: datetime.now(UTC), None
    )


async def settled(pricing: Pricing, number: Any) -> FileState:
    """Run until a file has been read, and return its state."""
    stop = asyncio.Event()
    task = asyncio.create_task(pricing.run(stop))
    try:
        async with asyncio.timeout(120):
            while pricing.books.file(number).state is FileState.received:
                await asyncio.sleep(0.05)
    finally:
        stop.set()
        await task
    return pricing.books.file(number).state


def test_received_file_is_read_compared_and_applied(tmp_path: Path, catalogue: Catalogue) -> None:
    async def work() -> None:
        file = await pricing.receive("ALDQ", "a.csv", "key", pieces(HEAD, ROW))
        assert await settled(pricing, file.number) is FileState.read
        difference = json.loads(pricing.books.file(file.number).difference or "")
        assert difference["new"]["count"] + difference["dearer"]["count"] == 1
        first = await pricing.apply(file.number, "key")
        again = await pricing.apply(file.number, "key")
        assert first == again
        assert (await pricing.back(first.number)).revision is None
        assert (await pricing.back(first.number)).revision is None

    with closing(SqliteStore.open(tmp_path)) as store:
        pricing = opened(tmp_path, catalogue, store)
        with closing(pricing):
            asyncio.run(work())
    assert not list((tmp_path / "prices").glob("*.received"))


def test_file_that_does_not_arrive_completely_leaves_nothing(
    tmp_path: Path, catalogue: Catalogue
) -> None:
    async def broken() -> AsyncIterator[bytes]:
        yield b"Part no"
        raise ConnectionError

    async def work() -> None:
        with pytest.raises(ConnectionError):
            await pricing.receive("ALDQ", "a.csv", "key", broken())
        with pytest.raises(SupplierUnknown, match="EBHT"):
            await pricing.receive("NONE", "a.csv", "key", pieces("x"))

    with closing(SqliteStore.open(tmp_path)) as store:
        pricing = opened(tmp_path, catalogue, store)
        with closing(pricing):
            asyncio.run(work())
            assert pricing.books.files(None, 5) == ()
    assert [path.name for path in (tmp_path / "prices").iterdir()] == ["prices.db"]


def test_file_whose_reading_was_interrupted_is_read_after_the_next_start(
    tmp_path: Path, catalogue: Catalogue
) -> None:
    with closing(SqliteStore.open(tmp_path)) as store:
        with closing(opened(tmp_path, catalogue, store)) as pricing:
            file = asyncio.run(pricing.receive("ALDQ", "a.csv", "key", pieces(HEAD, ROW)))
        with closing(opened(tmp_path, catalogue, store)) as pricing:
            assert asyncio.run(settled(pricing, file.number)) is FileState.read


def costs(client: httpx.Client) -> set[str]:
    answer = client.post("/v1/quotes/preview", json=PREVIEW)
    assert answer.status_code == 200, answer.text
    orders = answer.json()["orders"]
    return {line["unit_cost"] for order in orders for line in order["lines"]}


def test_start_deletes_what_a_killed_process_left(tmp_path: Path, catalogue: Catalogue) -> None:
    async def work() -> None:
        now = datetime.now(UTC)
        ages = {name: now - timedelta(hours=hours) for name, hours in (("old", 2), ("new", 0))}
        half, lost, fresh = (
            pricing.books.add_file(SupplierId("ALDQ"), "a.csv", ages[age], "key").number
            for age in ("new", "old", "new")
        )
        pricing.books.arriving(half).write_text(HEAD)
        folder = tmp_path / "prices"
        (folder / f".{lost}.{GONE}.building").touch()
        (folder / f".{fresh}.{os.getpid()}.building").touch()
        whole = await pricing.receive("ALDQ", "a.csv", "key", pieces(HEAD, ROW))
        assert await settled(pricing, whole.number) is FileState.read

        left = {path.name for path in folder.iterdir()}
        assert not {name for name in left if name.endswith(".part")}
        assert {name for name in left if "building" in name} == {f".{fresh}.{os.getpid()}.building"}
        # whoever added the last may still be reading it
        assert [file.number for file in pricing.books.received()] == [fresh]

    with closing(SqliteStore.open(tmp_path)) as store:
        pricing = opened(tmp_path, catalogue, store)
        with closing(pricing):
            asyncio.run(work())


def test_running_service_takes_over_prices_that_the_command_applied(
    tmp_path: Path, catalogue: Catalogue
) -> None:
    rows = "".join(
        f"AQ-{item},{item},,,0.07,1,,\n"
        for item, part in catalogue.parts.items()
        if part.maker == "Tarnbeck"
    )
    with run_live(tmp_path) as live:
        headers = {"Authorization": f"Bearer {live.key}"}
        with httpx.Client(base_url=live.address, headers=headers, timeout=60) as client:
            before = costs(client)
            with closing(SqlitePriceBooks(tmp_path)) as books:
                terms = terms_of(catalogue.suppliers["ALDQ"])  # type: ignore[index]
                books.apply(read(books, HEAD + rows, tmp_path, terms).number, AT, "test")
                within(client, lambda: "0.07" in costs(client))
                revision = client.get("/health/ready").json()["catalogue_revision"]
                books.back()
                within(client, lambda: costs(client) == before)
            assert client.get("/health/ready").json()["catalogue_revision"] != revision


def within(client: httpx.Client, claim: Any) -> None:
    """Wait until a claim holds, at most a minute."""
    ends = time.monotonic() + 60
    while not claim():
        assert time.monotonic() < ends
        assert client.get("/health/ready").status_code == 200
        time.sleep(0.1)
