"""How fast quotes are kept and found.

    python -m tests.bench.keeping create [REQUESTS]
    python -m tests.bench.keeping find [QUOTES]

`create` drives `POST /v1/quotes` of the real service, and in the same run a bare Litestar handler
that does one durable insert of the same size for each request, with one load generator. `find`
keeps a thousand quotes, then many, and compares the 99th percentile of list, search and get.
Machines are noisy: only the ratios of one run mean anything.
"""

from __future__ import annotations

import asyncio
import random
import statistics
import sys
import tempfile
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path

from tests.bench.load import drive, post, request
from tests.bench.preview import SERVE, Started, driven, once, started
from tests.bench.requests import distinct_requests

from kitwright.keeping.life import keep_quote
from kitwright.keeping.people import add_customer
from kitwright.keeping.record import Customer, Hand, Revision, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.store.engine import SqliteStore

BARE = """
import sqlite3, sys
from litestar import Litestar, Request, Response, post
BODY = b"[" + b"0," * (int(sys.argv[1]) // 2 - 1) + b"0]"
store = sqlite3.connect(sys.argv[2] + "/bare.db", isolation_level=None)
store.execute("PRAGMA journal_mode = WAL")
store.execute("PRAGMA synchronous = FULL")
store.execute("CREATE TABLE quotes (number INTEGER PRIMARY KEY, answer BLOB NOT NULL) STRICT")
@post("/v1/quotes", status_code=201)
async def bare(request: Request) -> Response[bytes]:
    await request.body()
    store.execute("INSERT INTO quotes (answer) VALUES (?)", (BODY,))
    return Response(BODY, media_type="application/json", status_code=201)
app = Litestar([bare], openapi_config=None, logging_config=None)
import asyncio, socket, uvicorn
listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
listener.bind(("127.0.0.1", 0))
listener.listen(2048)
print("listening on http://127.0.0.1:%d" % listener.getsockname()[1], flush=True)
config = uvicorn.Config(app, log_level="warning", access_log=False)
asyncio.run(uvicorn.Server(config).serve(sockets=[listener]))
"""


def creates(server: Started, bodies: list[bytes], turn: int) -> list[bytes]:
    """Return the calls that keep a quote for each body, all with keys of their own."""
    return [
        post(
            "/v1/quotes",
            body,
            Authorization=f"Bearer {server.key}",
            Idempotency_Key=f'"{turn}-{index}"',
        )
        for index, body in enumerate(bodies)
    ]


def create(count: int) -> None:
    """Compare keeping a quote with one durable insert."""
    bodies = distinct_requests(count)
    with tempfile.TemporaryDirectory() as folder:
        with started([*SERVE, "--log", "faults", "--data", f"{folder}/data"]) as server:
            size = int(statistics.mean(once(server.port, server.key, body)[0] for body in bodies))
            bare = [sys.executable, "-c", BARE, str(size), folder]
            with started(bare) as other:
                ratios = []
                for turn in range(3):
                    plain = driven(
                        f"bare insert, turn {turn + 1}", other.port, creates(other, bodies, turn)
                    )
                    kept = driven(
                        f"quotes kept, turn {turn + 1}", server.port, creates(server, bodies, turn)
                    )
                    ratios.append(kept / plain)
        print(f"answers of {size / 1024:.0f} KiB on average; {count} distinct requests a turn")
        print(f"ratio kept to bare: {statistics.median(ratios):.2f} (of {len(ratios)} turns)")


NAMES = ("Marlow", "Ostend", "Pettigrew", "Quarles", "Rusk", "Sandoval", "Tewkes", "Umber")


def fill(folder: Path, count: int, luck: random.Random) -> None:
    """Keep so many more quotes, of one customer in ten."""
    store = SqliteStore.open(folder)
    begun = datetime(2027, 3, 1, 12, tzinfo=UTC)
    answer = b'{"filler": "' + luck.randbytes(700).hex().encode() + b'"}'

    def some(records: Records, first: int) -> None:
        customer = None
        for index in range(first, min(first + 1000, count)):
            at = begun + timedelta(minutes=index)
            stamp = Stamp(at=at, today=at.date(), hand=Hand.key, by="bench")
            if index % 10 == 0:
                name = f"{luck.choice(NAMES)} {luck.choice(NAMES)} {index}"
                customer = add_customer(records, stamp, _customer(name, at)).number
            revision = Revision(
                made_at=at,
                request=f'{{"family": "TB-V68", "serial": {1_000_000 + index}}}'.encode(),
                answer=answer,
                reckoning=b"",
                catalogue_revision="0" * 64,
                tax_state="known",
                is_provisional=False,
                net=Money(10_000 + index, "USD"),
                gross=Money(10_725 + index, "USD"),
                valid_until=date(2030, 1, 1),
                customer=customer,
                machine=None,
            )
            keep_quote(records, stamp, revision)

    for first in range(0, count, 1000):
        store.write_now(partial(some, first=first))
    store.close()


def _customer(name: str, at: datetime) -> Customer:
    return Customer(
        number=0,
        version=1,
        name=name,
        email=None,
        telephone=None,
        address=None,
        language=None,
        certificate_number=None,
        certificate_until=None,
        note=None,
        made_at=at,
        erased_at=None,
    )


def reads(server: Started, kept: int, luck: random.Random) -> dict[str, list[bytes]]:
    """Return calls that list, search and get, by what they are called."""
    key = f"Bearer {server.key}"

    def many(path: str) -> list[bytes]:
        paths = (path.format(luck.randrange(1, kept)) for _ in range(500))
        return [request("GET", one, Authorization=key) for one in paths]

    return {
        "list": many("/v1/quotes?limit=50"),
        "list, a state": many("/v1/quotes?limit=50&state=draft"),
        "list, none of a state": many("/v1/quotes?limit=50&state=done"),
        "list, a customer": many("/v1/quotes?customer=C7"),
        "list, days": many("/v1/quotes?limit=50&from=2027-03-01&to=2027-03-01"),
        "search, a name": many("/v1/quotes?limit=50&q=pett"),
        "search, two names": many("/v1/quotes?limit=50&q=pett+rusk"),
        "search, a serial": many("/v1/quotes?limit=50&q=1000{:03}"),
        "search, nothing": many("/v1/quotes?limit=50&q=zzz"),
        "get": many("/v1/quotes/Q{}"),
    }


def find(count: int) -> None:
    """Compare reading among many with reading among a thousand."""
    late: dict[str, list[float]] = {}
    for kept in (1000, count):
        with tempfile.TemporaryDirectory() as folder:
            luck = random.Random(1)
            fill(Path(folder), kept, luck)
            with started([*SERVE, "--log", "faults", "--data", folder]) as server:
                for name, calls in reads(server, kept, luck).items():
                    best = []
                    for _ in range(3):
                        _, seconds = asyncio.run(drive(server.port, calls))
                        best.append(seconds[int(len(seconds) * 0.99)] * 1e3)
                    late.setdefault(name, []).append(min(best))
    print(f"p99 in ms, best of three runs of 500{1000:>26}{count:>10}{'ratio':>8}")
    for name, (few, many) in late.items():
        print(f"{name:<48}{few:>14.2f}{many:>10.2f}{many / few:>8.2f}")


def main() -> None:
    what = sys.argv[1] if len(sys.argv) > 1 else "create"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else {"create": 2000}.get(what, 50_000)
    {"create": create, "find": find}[what](count)


if __name__ == "__main__":
    main()
