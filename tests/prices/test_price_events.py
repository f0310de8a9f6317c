"""The feed tells each change of the prices once, however late, to whoever reads it meanwhile."""

import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
from tests.desks import Live, run_live
from tests.prices.test_books import AT, read
from tests.prices.test_offers import HEAD
from tests.prices.test_pricing import within

from kitwright.examination import read_sound
from kitwright.prices.record import terms_of
from kitwright.prices.register import SqlitePriceBooks
from kitwright.settings import built_in_catalog

READERS = 3
CHANGES = 4


def change(folder: Path, cost: str) -> int:
    """Put prices in force as the command does, beside the service; return their revision."""
    supplier = read_sound(built_in_catalog()).suppliers["ALDQ"]  # type: ignore[index]
    with closing(SqlitePriceBooks(folder)) as books:
        text = f"{HEAD}AQ-1,V68-G-103,Tarnbeck,30.00,{cost},1,,\n"
        file = read(books, text, folder, terms_of(supplier))
        return int(books.apply(file.number, AT, "test").number)


@contextmanager
def client_of(live: Live, key: str = "") -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {key or live.key}"}
    with httpx.Client(base_url=live.address, headers=headers, timeout=60) as client:
        yield client


def prices_of(events: list[dict[str, Any]]) -> list[tuple[str, int, int]]:
    return [
        (one["kind"], one["facts"]["before"], one["facts"]["revision"])
        for one in events
        if one["kind"].startswith("prices.")
    ]


def all_events(client: httpx.Client) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = client.get("/v1/events?limit=1000").json()["items"]
    return items


def test_event_that_nobody_lived_to_add_comes_once_at_the_next_start(tmp_path: Path) -> None:
    # the process that applied them ended before it could tell
    revision = change(tmp_path, "11.50")
    with run_live(tmp_path) as live, client_of(live) as client:
        within(client, lambda: prices_of(all_events(client)) != [])
        assert prices_of(all_events(client)) == [("prices.applied", 0, revision)]
        key = live.key

    # nor when they were undone
    with closing(SqlitePriceBooks(tmp_path)) as books:
        books.back()
    with run_live(tmp_path) as live, client_of(live, key) as client:
        within(client, lambda: len(prices_of(all_events(client))) == 2)
        assert prices_of(all_events(client)) == [
            ("prices.applied", 0, revision),
            ("prices.undone", revision, 0),
        ]


def test_readers_of_the_feed_miss_no_late_event_and_see_none_twice(tmp_path: Path) -> None:
    seen: list[list[dict[str, Any]]] = [[] for _ in range(READERS)]
    done = threading.Event()

    def follow(live: Live, events: list[dict[str, Any]]) -> None:
        """Read on from where the feed ended, in small pages, until all is changed and read."""
        after = ""
        with client_of(live) as client:
            while True:
                was_done = done.is_set()
                page = client.get(f"/v1/events?after={after}&limit=2").json()
                events.extend(page["items"])
                after = page["next"]
                if was_done and not page["items"]:
                    return

    with run_live(tmp_path) as live, client_of(live) as client:
        readers = [threading.Thread(target=follow, args=(live, events)) for events in seen]
        for reader in readers:
            reader.start()
        try:
            revisions = [0]
            for number in range(CHANGES):
                # other events come in between
                body = {"name": f"Key {number}", "scopes": ["read"]}
                headers = {"Idempotency-Key": f'"{number}"'}
                client.post("/v1/keys", json=body, headers=headers).raise_for_status()
                revisions.append(change(tmp_path, f"11.{number}0"))
                within(client, lambda: len(prices_of(all_events(client))) == len(revisions) - 1)
        finally:
            done.set()
            for reader in readers:
                reader.join()
        whole = all_events(client)

    steps = pairwise(revisions)
    assert prices_of(whole) == [("prices.applied", *step) for step in steps]
    assert [one["seq"] for one in whole] == list(range(1, len(whole) + 1))
    for events in seen:
        assert events == whole
