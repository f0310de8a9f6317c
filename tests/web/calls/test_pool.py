"""Kinds of slow work don't wait for each other, and a full queue says when to come again."""

import asyncio
from collections.abc import Iterator
from pathlib import Path
from threading import Event

import pytest
from tests.desks import Counter, client_of, open_counter
from tests.web.calls.shop import LEAKING_VALVE, add, once, png, problem

from kitwright.app import make_app
from kitwright.web.calls.pool import Pool
from kitwright.web.calls.service import Service
from kitwright.web.edge.problems import Refusal


def test_pool_refuses_more_than_fits_and_takes_more_later() -> None:
    pool, free = Pool("letters", threads=1, most=2), Event()

    async def work() -> list[object]:
        waiting = [asyncio.create_task(pool.run(free.wait)) for _ in range(2)]
        await asyncio.sleep(0)
        with pytest.raises(Refusal, match="too many letters") as refused:
            await pool.run(free.wait)
        assert refused.value.headers == {"Retry-After": "2"}
        free.set()
        return [*await asyncio.gather(*waiting), await pool.run(lambda number: number, 7)]

    assert asyncio.run(work()) == [True, True, 7]


def test_pool_counts_what_nobody_waits_for_any_longer() -> None:
    pool, free = Pool("letters", threads=1, most=1), Event()

    async def work() -> None:
        left = asyncio.create_task(pool.run(free.wait))
        await asyncio.sleep(0)
        left.cancel()
        with pytest.raises(Refusal):
            await pool.run(free.wait)
        free.set()

    asyncio.run(work())


@pytest.fixture
def counter(service: Service, tmp_path: Path) -> Iterator[Counter]:
    with open_counter(service, tmp_path) as opened:
        yield opened


def test_photo_does_not_wait_for_documents(counter: Counter) -> None:
    counter.desk.documents = Pool("documents", threads=1, most=0)
    with client_of(make_app(counter.desk), counter.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        path = f"/v1/quotes/{quote}/sheet"
        sheet = client.get(path, headers={"Accept": "application/pdf"})
        problem(sheet, 503, "too-busy")
        assert sheet.headers["Retry-After"] == "2"
        catalogue = counter.desk.service.workshop.catalogue
        layout = catalogue.layouts[catalogue.families["QM-H27"].layout]  # type: ignore[index]
        step = layout.component[0].id
        headers = {**once(), "Content-Type": "image/png"}
        photos = f"/v1/quotes/{quote}/photos?subject=step&code={step}"
        assert client.post(photos, content=png(), headers=headers).status_code == 201

        counter.desk.documents = Pool("documents", threads=1, most=1)
        assert client.get(path).status_code == 200
