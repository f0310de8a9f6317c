"""Exports: all that is kept of a customer, sent while it is read."""

from __future__ import annotations

import asyncio
import json
import tracemalloc
from typing import Any

from tests.web.calls.conftest import Staff

from kitwright.keeping.record import Customer
from kitwright.web.calls.dossier import export_parts

ASKED: dict[str, Any] = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "diagnoses": [],
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}
QUOTES = 40


def kept_customer(staff: Staff) -> Customer:
    made = staff.done("/v1/customers", {"name": "A. Customer"}).json()["id"]
    for _ in range(QUOTES):
        staff.done("/v1/quotes", {**ASKED, "customer": made})
    customer = staff.counter.store.read(lambda records: records.customers.get(int(made[1:])))
    assert customer is not None
    return customer


def test_export_holds_few_quotes_in_memory_at_a_time(staff: Staff) -> None:
    customer = kept_customer(staff)
    sizes, whole = list[int](), bytearray()

    async def take() -> None:
        async for part in export_parts(staff.counter.desk, customer):
            sizes.append(len(part))

    async def keep() -> None:
        async for part in export_parts(staff.counter.desk, customer):
            whole.extend(part)

    asyncio.run(take())
    tracemalloc.start()
    asyncio.run(take())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    asyncio.run(keep())

    assert len(json.loads(whole)["quotes"]) == QUOTES
    assert len(sizes) > QUOTES
    assert peak < len(whole) / 4, (peak, len(whole))


def test_export_over_http_is_the_same_and_ends(staff: Staff) -> None:
    customer = kept_customer(staff)

    answer = staff.client.get(f"/v1/customers/C{customer.number}/export")

    assert answer.status_code == 200
    assert answer.headers["Content-Type"].startswith("application/json")
    told = answer.json()
    assert {one["quote"]["id"] for one in told["quotes"]} == {
        f"Q{number}" for number in range(1, QUOTES + 1)
    }
    kinds = [one["kind"] for one in told["events"]]
    assert kinds.count("quote.created") == QUOTES
    assert [one["seq"] for one in told["events"]] == sorted(one["seq"] for one in told["events"])


def test_export_of_a_customer_without_quotes_is_whole(staff: Staff) -> None:
    made = staff.done("/v1/customers", {"name": "B. Customer"}).json()["id"]

    told = staff.get(f"/v1/customers/{made}/export")

    assert (told["quotes"], told["messages"], told["machines"]) == ([], [], [])
    assert told["customer"]["name"] == "B. Customer"
    assert [one["kind"] for one in told["events"]] == ["customer.created"]
