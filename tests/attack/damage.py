"""Damage to a data folder's database, and what of it is served, refused or noticed.

`python -m tests.attack.damage [FLIPS]` flips single bits one after the other, zeroes pages and cuts
the file, each time in a copy. It prints how each change ended and the share that was noticed.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from tests.store.make_version import ASKED, fill, plain
from tests.store.small import NOON, STAMP, a_customer, an_answer, figures

from kitwright.keeping.life import keep_quote
from kitwright.keeping.offer import issue
from kitwright.keeping.store import Records, StoreError
from kitwright.store.doctor import Severity, examine
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.sqlite import sqlite3

PAGE: Final = 4096
QUOTES: Final = 30


class End(StrEnum):
    """How a change ended: nothing differs; the store or an answer was refused; a pump set a record
    aside; or a changed answer was served, which must never happen.
    """

    same = "same"
    refused = "refused"
    set_aside = "set aside"
    served = "served"


def a_shop(folder: Path) -> bytes:
    """Make a shop with everything in it; return its database."""
    with closing(SqliteStore.open(folder)) as store:
        store.write_now(fill)

        def more(records: Records) -> None:
            for number in range(QUOTES):
                customer = records.customers.add(a_customer(f"Ada {number}")).number
                asked = figures(customer=customer, serial=1000 + number)
                issue(records, STAMP, keep_quote(records, STAMP, asked))
                records.answers.add(an_answer(f"n{number}", body=os.urandom(300)), NOON)

        store.write_now(more)
    with closing(sqlite3.connect(str(folder / FILE), isolation_level=None)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return (folder / FILE).read_bytes()


def answers(store: SqliteStore) -> dict[str, Any]:
    """Return every answer of a store, None for a refused one."""
    found: dict[str, Any] = {}
    for name, ask in ASKED.items():
        try:
            found[name] = plain(store.read(ask))
        except StoreError:
            found[name] = None
    return found


SKIPPING: Final = frozenset({"mail due", "mail soonest", "waiting", "soonest"})
"""Questions of the pumps, which go on without damaged records."""


def ended(folder: Path, sound: dict[str, Any]) -> End:
    """Return how a changed database ends, opened and asked everything."""
    try:
        store = SqliteStore.open(folder)
    except StoreError:
        return End.refused
    with closing(store):
        found = answers(store)
        is_reported = bool(store.damage.records)
    differing = {name for name in sound if found[name] != sound[name]}
    if not differing:
        return End.same
    if any(found[name] is not None for name in differing - SKIPPING):
        return End.served
    if differing <= SKIPPING:
        return End.set_aside if is_reported else End.served
    return End.refused


def findings(folder: Path) -> frozenset[str]:
    """Return what the doctor finds wrong."""
    return frozenset(
        str(finding)
        for finding in examine(folder, now=NOON)
        if finding.severity is Severity.error and finding.code != "missing-photo"
    )


def flips(data: bytes, count: int, luck: random.Random) -> Iterator[tuple[str, bytes]]:
    """Yield databases with a single bit changed, by where."""
    for _ in range(count):
        at, bit = luck.randrange(len(data)), luck.randrange(8)
        changed = bytearray(data)
        changed[at] ^= 1 << bit
        yield f"bit {bit} of byte {at}", bytes(changed)


def zeroed(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield databases with one page of zeros, by where."""
    for start in range(0, len(data), PAGE):
        yield f"page at {start}", data[:start] + bytes(PAGE) + data[start + PAGE :]


def cut(data: bytes, luck: random.Random) -> Iterator[tuple[str, bytes]]:
    """Yield databases cut off: to nothing, within a page, and at the end of pages."""
    for size in (0, 1, 50, *(luck.randrange(len(data)) for _ in range(4))):
        yield f"cut to {size}", data[:size]
    for size in range(PAGE, len(data), PAGE * 7):
        yield f"cut to {size}", data[:size]


def attack(
    folder: Path,
    sound: dict[str, Any],
    known: frozenset[str],
    changed: Iterator[tuple[str, bytes]],
) -> tuple[Counter[str], list[str]]:
    """Return how often each end came and was noticed, and where a changed answer was served.

    `known` is what the doctor finds in the shop as it was.
    """
    ends, faults = Counter[str](), list[str]()
    for where, data in changed:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            (Path(place) / FILE).write_bytes(data)
            noticed = not findings(Path(place)) <= known
            end = ended(Path(place), sound)
        ends[end.value] += 1
        ends["noticed"] += noticed or end is not End.same
        if end is End.served:
            faults.append(where)
    return ends, faults


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    luck = random.Random(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = a_shop(folder / "shop")
        with closing(SqliteStore.open(folder / "shop")) as store:
            sound = answers(store)
        known = findings(folder / "shop")
        for title, changed in (
            (f"{count} single bits", flips(data, count, luck)),
            ("zeroed pages", zeroed(data)),
            ("cut files", cut(data, luck)),
        ):
            ends, faults = attack(folder, sound, known, changed)
            total = sum(ends.values()) - ends["noticed"]
            print(f"{title}: {dict(ends)}; noticed {ends['noticed'] / total:.0%}")
            for where in faults:
                print(f"  served: {where}")


if __name__ == "__main__":
    main()
