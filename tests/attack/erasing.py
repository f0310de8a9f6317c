"""An erasure that is killed again and again: `python -m tests.attack.erasing [KILLS]`.

Prints how many erasures were killed and what was left of whom. `... FOLDER --finish` is the process
that is killed: it begins or goes on erasing the first customer of a data folder.
"""

from __future__ import annotations

import asyncio
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from threading import Lock
from types import SimpleNamespace
from typing import Any, Final

from msgspec import structs
from tests.store.make_version import CASE
from tests.store.pictures import a_png
from tests.store.small import (
    NOON,
    STAMP,
    a_customer,
    a_machine,
    a_mail,
    a_photo,
    an_answer,
    figures,
)

from kitwright.keeping.erasing import begin_erasure
from kitwright.keeping.life import keep_quote
from kitwright.keeping.offer import decline, issue
from kitwright.keeping.record import Erasure
from kitwright.keeping.retaining import Terms
from kitwright.keeping.store import Records
from kitwright.outbound.mail import FolderMailer, Outgoing
from kitwright.quote import for_customer
from kitwright.store.engine import SqliteStore
from kitwright.store.files import PhotoFiles, write_whole
from kitwright.web.calls.disposal import erase, finish_everything
from kitwright.web.edge.gate import Gate

REPOSITORY: Final = Path(__file__).resolve().parents[2]
NAME: Final = "Quillfeather"
"""A word that nothing but the customer's records and files holds."""
WORDS: Final = (NAME, NAME.lower(), "quillfeather@example.org", "Samphire")


def a_busy_customer(folder: Path, quotes: int) -> None:
    """Make a data folder with a customer, so many whole quotes, photographs and letters."""
    answer = (REPOSITORY / "tests" / "cases" / f"{CASE}.answer.json").read_bytes()
    files = PhotoFiles(folder)
    email = "quillfeather@example.org"

    def work(records: Records) -> None:
        customer = records.customers.add(a_customer(f"Ada {NAME}", email=email)).number
        machine = records.machines.add(a_machine("Samphire", customer=customer, serial=5)).number
        for number in range(quotes):
            asked = structs.replace(
                figures(customer=customer, machine=machine, serial=5), answer=answer
            )
            quote = issue(records, STAMP, keep_quote(records, STAMP, asked), for_customer)
            decline(records, STAMP, quote, 1, f"{NAME} says no")
            picture = a_png(number + 1) + NAME.encode()
            records.photos.add(a_photo(quote.number, sha256=files.put(picture)))
            body = f"Dear {NAME}".encode()
            message_id = f"<{number}@shop.example>"
            mail = a_mail(quote.number, to=email, message_id=message_id, body=body)
            records.mails.add(mail)
            asyncio.run(
                FolderMailer(folder / "mail", write_whole).send(
                    Outgoing(number=1, message_id=message_id, to=email, body=body, attempt=1)
                )
            )
            records.answers.add(an_answer(f"n{number}", body=body * 50), NOON)

    with closing(SqliteStore.open(folder)) as store:
        store.write_now(work)


def a_desk(store: SqliteStore, folder: Path) -> Any:
    """Return as much of a desk as erasing needs."""
    return SimpleNamespace(
        store=store,
        files=PhotoFiles(folder),
        forget_mail=FolderMailer(folder / "mail", write_whole).forget,
        file_lock=Lock(),
        arriving=Counter[str](),
        erase_lock=asyncio.Lock(),
        gate=Gate(store.read(lambda records: records.generations.current())),
        stamp=lambda *_: STAMP,
        retention=Terms(),
    )


async def erase_first(desk: Any) -> None:
    """Erase the first customer, or go on erasing."""

    def begin(records: Records) -> Erasure:
        customer = records.customers.get(1)
        assert customer is not None
        return begin_erasure(records, STAMP, customer)

    if await finish_everything(desk):
        customer = desk.store.read(lambda records: records.customers.get(1))
        if customer.erased_at is None:
            await erase(desk, begin)


def traces(folder: Path) -> Iterator[str]:
    """Yield every file that still holds a word of the customer, or should be gone."""
    for path in sorted(one for one in folder.rglob("*") if one.is_file()):
        data = path.read_bytes()
        if any(word.encode() in data for word in WORDS):
            yield str(path.relative_to(folder))
        elif path.parent != folder:
            yield f"{path.relative_to(folder)}, a file of nobody"


def killed(folder: Path, seconds: float) -> bool:
    """Erase in another process and kill it after a time; return whether it was still at it."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.attack.erasing", str(folder), "--finish"],
        stdout=subprocess.PIPE,
        text=True,
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY / "service")},
    )
    with process:
        assert process.stdout is not None
        assert process.stdout.readline() == "begun\n"
        time.sleep(seconds)
        process.send_signal(signal.SIGKILL)
        return process.wait() == -signal.SIGKILL


def finish(folder: Path) -> None:
    """Open a data folder and finish what is to be erased, as a start of the service does."""
    with closing(SqliteStore.open(folder)) as store:
        asyncio.run(erase_first(a_desk(store, folder)))


def rounds(folder: Path, kills: int, quotes: int, luck: random.Random) -> tuple[int, list[str]]:
    """Kill so many erasures; return how many were under way, and what was left of the erased."""
    a_busy_customer(folder / "before", quotes)
    hits, left = 0, list[str]()
    for number in range(kills):
        place = folder / str(number)
        shutil.copytree(folder / "before", place)
        # one in three is killed a second time
        for _ in range(1 + (number % 3 == 0)):
            hits += killed(place, luck.uniform(0, 0.03 * quotes))
        finish(place)
        left += [f"kill {number}: {trace}" for trace in traces(place)]
        shutil.rmtree(place)
    return hits, left


def main() -> None:
    if sys.argv[-1] == "--finish":
        folder = Path(sys.argv[1])
        with closing(SqliteStore.open(folder)) as store:
            desk = a_desk(store, folder)
            print("begun", flush=True)
            asyncio.run(erase_first(desk))
        return
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with tempfile.TemporaryDirectory() as place:
        hits, left = rounds(Path(place), kills, 25, random.Random(1))
    print(f"{kills} erasures killed, {hits} kills while at it; left: {left or 'nothing'}")


if __name__ == "__main__":
    main()
