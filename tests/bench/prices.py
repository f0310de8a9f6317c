"""The price book at a million rows: reading, memory, look-up and the start of the service.

    python -m tests.bench.prices 1000000

Reading is compared with the shortest code over the same SQLite that does the same parse and insert
in the same run: csv, the same columns of the same table, the same indexes and words. Both run in
processes of their own, whose processor time and peak memory are taken. Only the ratios mean
anything.
"""

import csv
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import httpx
from tests.desks import run_live
from tests.prices.workbooks import write_workbook

from kitwright.catalogue.model import SupplierId
from kitwright.prices.book import INDEXES, INSERT, WORDS, create_tables
from kitwright.prices.number import number_key
from kitwright.prices.reading import read_prices
from kitwright.prices.record import SCALE, Terms
from kitwright.prices.register import SqlitePriceBooks
from kitwright.store.sqlite import sqlite3

TERMS = Terms(supplier=SupplierId("ALDQ"), currency="USD")
AT = datetime(2027, 3, 1, tzinfo=UTC)
WORDS_OF_PARTS = [
    "gasket",
    "valve",
    "seal",
    "ring",
    "filter",
    "cover",
    "bolt",
    "carburettor",
    "spring",
    "rod",
    "blade",
    "belt",
    "pulley",
    "starter",
    "rope",
    "plug",
    "cap",
    "hose",
    "tank",
    "switch",
    "clutch",
    "cable",
    "bearing",
    "piston",
    "pump",
    "lever",
    "bracket",
    "spacer",
    "washer",
    "screw",
]
HEAD = [
    "Part no", "Brand", "OEM number", "Description", "List price", "Net price", "Pack", "MOQ",
    "Qty in stock", "Lead time", "Superseded by",
]  # fmt: skip


def write_file(target: Path, rows: int) -> Path:
    """Write a price file of some rows, the same each time."""
    luck = random.Random(1)
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(HEAD)
        for index in range(rows):
            cost = luck.randrange(100, 90_000)
            words = " ".join(luck.choices(WORDS_OF_PARTS, k=3))
            maker = luck.randrange(10**9)
            listed, price = cost * 3 // 200, f"{cost // 100}.{cost % 100:02d}"
            text = f"{words} {index % 997}"
            pack = luck.choice((1, 1, 1, 5, 10))
            row = [f"AQ-{index:07d}", "Tarnbeck", f"T{maker:09d}", text]
            row.append(f"{listed}.{index % 100:02d}")
            writer.writerow([*row, price, pack, 1, luck.randrange(50), luck.randrange(9), ""])
    return target


def as_workbook(source: Path) -> Path:
    """Write a price file again as a workbook, with its amounts and counts as numbers."""

    def rows() -> Iterator[Iterator[str | float]]:
        with source.open(newline="", encoding="utf-8") as file:
            reader = csv.reader(file)
            yield iter(next(reader))
            for row in reader:
                numbers = (float(cell) for cell in row[4:10])
                yield iter([*row[:4], *numbers])

    return write_workbook(source.with_suffix(".xlsx"), rows())


def raw_rows(source: Path) -> Iterator[tuple[object, ...]]:
    """Yield the rows of a file by the shortest code that parses the same."""

    def amount(cell: str) -> int:
        whole, _, parts = cell.partition(".")
        return int(whole) * SCALE + int(parts.ljust(6, "0"))

    with source.open(newline="", encoding="utf-8") as file:
        reader = csv.reader(file)
        next(reader)
        for row in reader:
            number, maker, maker_number, text, listed, cost, pack, least, stock, days, after = row
            yield (
                reader.line_num, number, number_key(number), maker, maker_number,
                number_key(maker_number), text, amount(listed), amount(cost), int(pack),
                int(least), 1, None, "unknown", int(stock), int(days), None, after, "", None,
            )  # fmt: skip


def read_raw(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(str(target), isolation_level=None)) as connection:
        for setting in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -32768"):
            connection.execute(f"PRAGMA {setting}")
        create_tables(connection)
        connection.execute("BEGIN")
        connection.executemany(INSERT, raw_rows(source))
        for statement in (*INDEXES, *WORDS):
            connection.execute(statement)
        connection.execute("COMMIT")


def apart(how: str, source: Path, target: Path) -> tuple[float, float, int]:
    """Read in a process of its own; return seconds of processor and wall, and its peak KiB."""
    target.unlink(missing_ok=True)
    command = [sys.executable, "-m", "tests.bench.prices", how, str(source), str(target)]
    begun = time.perf_counter()
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return float(said[0]), time.perf_counter() - begun, int(said[1])


def do_apart(how: str, source: Path, target: Path) -> None:
    before = time.process_time()
    if how == "raw":
        read_raw(source, target)
    else:
        assert read_prices(source, TERMS, target, lambda _: None).errors == 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(time.process_time() - before, peak)


def applied(data: Path, source: Path) -> None:
    """Read and apply a file in a data folder."""
    with closing(SqlitePriceBooks(data)) as books:
        file = books.add_file(TERMS.supplier, source.name, AT, "bench")
        target = books.draft(file.number)
        books.keep(file.number, target, read_prices(source, TERMS, target, lambda _: None))
        books.apply(file.number, AT, "bench")


def lookups(rows: int, count: int) -> Iterator[str]:
    """Yield what people type: numbers in several ways, makers' numbers, starts, and words."""
    luck = random.Random(2)
    for _ in range(count):
        index = luck.randrange(rows)
        yield luck.choice(
            (
                f"AQ-{index:07d}",
                f"aq {index:07d}",
                f"aq{index // 10:06d}",
                " ".join(luck.choices(WORDS_OF_PARTS, k=2)),
                luck.choice(WORDS_OF_PARTS),
                f"{luck.choice(WORDS_OF_PARTS)} {luck.randrange(997)}",
                "nothing like it",
            )
        )


def time_lookups(data: Path, rows: int, count: int = 4_000) -> tuple[float, float]:
    """Return the median and the 99th percentile of look-ups, in milliseconds of processor time."""
    taken = []
    with closing(SqlitePriceBooks(data)) as books:
        for text in (*lookups(rows, 500), *lookups(rows, count)):
            begun = time.thread_time()
            books.find(text, 20)
            taken.append((time.thread_time() - begun) * 1000)
    ordered = sorted(taken[500:])
    return statistics.median(ordered), ordered[len(ordered) * 99 // 100]


def time_start(data: Path) -> float:
    """Return the seconds until the service listens, the least of three."""
    found = []
    for _ in range(3):
        begun = time.perf_counter()
        with run_live(data):
            found.append(time.perf_counter() - begun)
    return min(found)


def time_previews(data: Path, source: Path) -> tuple[float, float]:
    """Return the 99th percentiles of previews, in milliseconds: idle, and while a file is read."""
    asked = {"family": "TB-V68", "chassis": "loose"}
    jobs = ("J-HEAD-GASKET", "J-LASH")

    def timed(client: httpx.Client, index: int) -> float:
        job = {"job": jobs[index % 2], "cylinder": 1 + index // 2 % 2}
        # another serial number each time, so that some work is never the same
        body = {**asked, "serial": 3_000_000 + index, "jobs": [job]}
        begun = time.perf_counter()
        assert client.post("/v1/quotes/preview", json=body).status_code == 200
        return (time.perf_counter() - begun) * 1000

    with (
        run_live(data) as live,
        httpx.Client(
            base_url=live.address, headers={"Authorization": f"Bearer {live.key}"}, timeout=600
        ) as client,
    ):
        idle = sorted(timed(client, index) for index in range(600))
        with source.open("rb") as file:
            path = "/v1/price-files?supplier=ALDQ"
            sent = client.post(path, content=file, headers={"Content-Type": "text/csv"})
        where, busy, index = sent.headers["Location"], list[float](), 600
        while client.get(where).json()["state"] == "received":
            busy += (timed(client, index + more) for more in range(20))
            index += 20
        busy.sort()
        return idle[len(idle) * 99 // 100], busy[len(busy) * 99 // 100]


def main() -> None:
    if len(sys.argv) == 4:
        do_apart(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
        return
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = write_file(folder / "many.csv", rows)
        ratios = []
        for _ in range(2):
            raw, raw_wall, _ = apart("raw", source, folder / "raw.db")
            ours, wall, peak = apart("ours", source, folder / "ours.db")
            ratios.append(ours / raw)
            print(
                f"reading {rows} rows: {ours:.1f} s of processor ({wall:.1f} s); raw sqlite3 "
                f"{raw:.1f} s ({raw_wall:.1f} s); ratio {ours / raw:.2f}; "
                f"peak {peak / 1024:.0f} MiB"
            )
        # of a process of its own, which has not the memory that this one needs to write it
        with ProcessPoolExecutor(1) as writer:
            book = writer.submit(as_workbook, source).result()
        cpu, wall, peak = apart("ours", book, folder / "ours.db")
        print(f"as a workbook: {cpu:.1f} s of processor ({wall:.1f} s); peak {peak / 1024:.0f} MiB")
        tails = {}
        for count in (1_000, 10_000, rows):
            data = folder / f"data-{count}"
            data.mkdir(exist_ok=True)
            applied(data, source if count == rows else write_file(folder / "few.csv", count))
            median, tails[count] = time_lookups(data, count)
            print(f"look-up among {count}: median {median:.3f} ms, p99 {tails[count]:.3f} ms")
        print(f"p99 at {rows} / at 1000: {tails[rows] / tails[1_000]:.2f}")
        few, many = (time_start(folder / f"data-{count}") for count in (10_000, rows))
        print(f"start with 10000 rows: {few:.2f} s; with {rows}: {many:.2f} s")
        # reading yields to the service, so that a million rows would take very long here
        some = min(rows, 100_000)
        idle, busy = time_previews(folder / "data-1000", write_file(folder / "some.csv", some))
        print(f"preview p99: idle {idle:.1f} ms; while {some} rows are read {busy:.1f} ms")


if __name__ == "__main__":
    main()
