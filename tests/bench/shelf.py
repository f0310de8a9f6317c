"""What the shelf's ledger costs a preview, in processor time of one process.

    python -m tests.bench.shelf [ITEMS]

Prints, for a shelf of so many items (5,000 where no number is given): a warm preview with the
stock of the shop's file and with that of the ledger; a preview after a move of an item that it
needs, after a move of another item, and one that was never asked. Ratios of one run count.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
from tests.desks import open_counter

from kitwright.app import make_service
from kitwright.catalogue.model import ItemId, Quality
from kitwright.keeping.ledger import UNIT, Holding, MoveKind, Owner
from kitwright.keeping.record import Hand, Stamp
from kitwright.keeping.shelf import Entry, enter
from kitwright.keeping.store import Records
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import PreviewIn
from kitwright.workshop import Workshop

NEEDED, OTHER = "V68-G-110", "H27-G-102"
ASKED = {
    "family": "TB-V68",
    "serial": 3120416,
    "chassis": "SK-ZT52",
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}


def spent(work: Callable[[], object], times: int) -> float:
    """Return the microseconds of processor time of one run."""
    start = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - start) / times * 1e6


def main() -> None:
    items = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000
    service = make_service(Settings(catalog=built_in_catalog(), shop="hire-yard"))
    body = msgspec.convert(ASKED, PreviewIn)
    with tempfile.TemporaryDirectory() as folder, open_counter(service, Path(folder)) as counter:
        desk, store = counter.desk, counter.store
        now = counter.clock()
        stamp = Stamp(at=now, today=now.date(), hand=Hand.service, by="bench")

        def receive(item: str) -> Callable[[Records], object]:
            holding = Holding(
                item=ItemId(item), quality=Quality.maker, brand=None, bin="B1", owner=Owner.shop
            )
            entry = Entry(holding=holding, kind=MoveKind.receive, amount=UNIT, reason="bench")
            return lambda records: enter(records, stamp, entry, "USD")

        def fill(records: Records) -> None:
            for number in range(items):
                receive(f"X-{number}")(records)

        store.write_now(fill)
        opening = time.process_time()
        desk.stock()
        print(f"reading {items} items for the first time: {time.process_time() - opening:.3f} s")
        service.quote(body, desk.stock())
        plain = spent(lambda: service.quote(body), 400)
        warm = spent(lambda: service.quote(body, desk.stock()), 400)
        print(f"warm: {plain:.0f} µs, with the ledger {warm:.0f} µs, {warm / plain:.2f} times")

        def after(item: str) -> float:
            took = 0.0
            for _ in range(20):
                store.write_now(receive(item))
                took += spent(lambda: service.quote(body, desk.stock()), 1)
            return took / 20

        needed, other = after(NEEDED), after(OTHER)
        cold = Workshop(service.workshop.catalogue, service.workshop.shop)
        fresh = Service(cold, lambda: now.date())
        unseen = spent(lambda: fresh.quote(body, desk.stock()), 1)
        print(f"after a move of a needed item {needed:.0f} µs, of another {other:.0f} µs")
        print(f"with nothing remembered {unseen:.0f} µs")


if __name__ == "__main__":
    main()
