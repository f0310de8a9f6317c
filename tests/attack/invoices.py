"""Invoices and credit notes of a shop that is killed while it makes them, again and again."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import time
import traceback
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

from tests.documents.billing import SELLING, WORDS, a_customer
from tests.store.small import STAMP, a_quote

from kitwright.keeping.accounts import keep_statement
from kitwright.keeping.bill_parties import Asked
from kitwright.keeping.crediting import credit
from kitwright.keeping.invoicing import make_invoice
from kitwright.keeping.record import KeptBill, QuoteState
from kitwright.keeping.release import release, report
from kitwright.keeping.store import Records
from kitwright.quote import Statement
from kitwright.store.backup import back_up
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.restore import restore
from kitwright.web.calls.erasure import redact

CLERKS: Final = 4
"""How many make invoices at the same time."""
_LONGEST: Final = 0.15
"""Seconds after the first invoice until the shop is killed, at most."""
_EVERY: Final = 10**6


def killed(folder: Path, statement: Statement, chance: random.Random) -> list[str]:
    """Let a shop make invoices and credit notes until it is killed; return what it acknowledged:
    numbers with their SHA-256.
    """
    out, into = os.pipe()
    shop = os.fork()
    if not shop:
        os.close(out)
        try:
            asyncio.run(_work(folder, statement, into))
        except BaseException:  # noqa: BLE001 - what a process ends of is told
            traceback.print_exc()
        finally:
            os._exit(1)
    os.close(into)
    with os.fdopen(out, "rb") as told:
        first = told.readline()
        time.sleep(chance.uniform(0, _LONGEST))
        os.kill(shop, signal.SIGKILL)
        os.waitpid(shop, 0)
        # a line that is not whole was not acknowledged
        lines = (first + told.read()).split(b"\n")[:-1]
    assert first, "the shop failed before it made an invoice"
    return [line.decode() for line in lines]


async def _work(folder: Path, statement: Statement, into: int) -> None:
    store = SqliteStore.open(folder)

    def make(records: Records) -> KeptBill:
        quote = records.quotes.add(
            a_quote(
                number=0,
                state=QuoteState.done,
                agreed=1,
                net=statement.net.money,
                gross=statement.gross.money,
            )
        )
        keep_statement(records, STAMP, quote, statement, None)
        customer = records.customers.add(a_customer())
        asked = Asked(customer=customer)
        return make_invoice(records, STAMP, quote, SELLING, asked, WORDS)[1]

    async def clerk() -> None:
        while True:
            made = await store.write(make)
            os.write(into, f"{made.name} {made.sha256}\n".encode())

            def give_back(records: Records, made: KeptBill = made) -> KeptBill:
                quote = records.quotes.get(made.quote)
                assert quote is not None
                return credit(records, STAMP, quote, made, reason="Wrong", places=())[1]

            note = await store.write(give_back)
            os.write(into, f"{note.name} {note.sha256}\n".encode())

    await asyncio.gather(*(clerk() for _ in range(CLERKS)))


def kept(folder: Path) -> list[str]:
    """Return the numbers that a folder has, with their SHA-256."""
    with closing(SqliteStore.open(folder)) as store:
        bills = store.read(lambda records: records.bills.find(None, _EVERY))
    return [f"{one.name} {one.sha256}" for one in bills]


def gaps(numbers: list[str]) -> Iterator[str]:
    """Yield every series whose places are not 1, 2, 3 and so on."""
    series: dict[str, list[int]] = {}
    for number in numbers:
        name, _, place = number.partition(" ")[0].rpartition("-")
        series.setdefault(name, []).append(int(place))
    for name, places in series.items():
        if sorted(places) != list(range(1, len(places) + 1)):
            yield name


def saved(folder: Path, copy: Path) -> Path:
    """Back a folder up."""
    back_up(folder, copy)
    return copy


def restored(copy: Path, folder: Path) -> tuple[str, ...]:
    """Restore a backup into a folder, and release it; return the last numbers that it knew."""
    restore(copy, folder, redact=redact)
    assert (folder / FILE).is_file()
    with closing(SqliteStore.open(folder)) as store:
        last = store.read(report).last_numbers
        store.write_now(
            lambda records: release(
                records, STAMP, mail=None, webhooks=None, is_confirmed=True, last_numbers=last
            )
        )
    return last
