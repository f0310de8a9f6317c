"""Price books: files, revisions, going back, and what a kill leaves."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.prices.small import EUROS, lines

from kitwright.prices.books import (
    BookDamaged,
    FileNotReady,
    NoEarlierPrices,
    PricesChanged,
    UnknownFile,
)
from kitwright.prices.reading import read_prices
from kitwright.prices.record import FileNumber, FileState, PriceFile, Terms
from kitwright.prices.register import SqlitePriceBooks

AT = datetime(2027, 3, 1, 12, tzinfo=UTC)
KILLS = 50 if os.environ.get("KITWRIGHT_LONG") == "1" else 4


@pytest.fixture
def books(tmp_path: Path) -> Iterator[SqlitePriceBooks]:
    opened = SqlitePriceBooks(tmp_path / "data")
    yield opened
    opened.close()


def read(books: SqlitePriceBooks, text: str, folder: Path, terms: Terms = EUROS) -> PriceFile:
    """Read a file into the price books."""
    source = folder / "prices.csv"
    source.write_text(text, encoding="utf-8")
    file = books.add_file(terms.supplier, source.name, AT, "test")
    target = books.draft(file.number)
    outcome = read_prices(source, terms, target, lambda _: None)
    in_force = books.in_force().by_supplier.get(terms.supplier)
    against = None if in_force is None else in_force.file
    return books.keep(file.number, target, outcome, against=against)


def costs(books: SqlitePriceBooks) -> dict[str, int | None]:
    """Return the costs in force, by number."""
    in_force = books.in_force().by_supplier.get(EUROS.supplier)
    if in_force is None:
        return {}
    return {entry.number: entry.cost for entry in books.opened(in_force.file).everything()}


def test_errors_of_a_file_are_kept_after_newer_files(
    books: SqlitePriceBooks, tmp_path: Path
) -> None:
    refused = [read(books, lines([f"A;Seal;9,00;{word}"]), tmp_path) for word in ("x", "y")]
    newer = read(books, lines(["A;Seal;9,00;4,50"]), tmp_path)
    books.apply(newer.number, AT, "test")

    found = [books.errors(file.number, 0, 10) for file in refused]

    assert [[(error.line, error.value) for _, error in each] for each in found] == [
        [(2, "x")],
        [(2, "y")],
    ]


def test_file_changes_nothing_until_it_is_applied(books: SqlitePriceBooks, tmp_path: Path) -> None:
    file = read(books, lines(["A;Seal;9,00;4,50"]), tmp_path)

    assert file.state is FileState.read
    assert costs(books) == {}

    revision = books.apply(file.number, AT, "test")

    assert costs(books) == {"A": 4_500_000}
    assert (revision.before, revision.sha256) == (None, file.sha256)
    assert books.file(file.number).state is FileState.applied


def test_file_with_an_error_is_kept_with_its_errors_and_not_applied(
    books: SqlitePriceBooks, tmp_path: Path
) -> None:
    file = read(books, lines(["A;Seal;9,00;4,50", "B;Seal;9,00;x"]), tmp_path)

    with pytest.raises(FileNotReady):
        books.apply(file.number, AT, "test")
    assert [error.line for _, error in books.errors(file.number, 0, 10)] == [3]
    assert costs(books) == {}


def test_back_restores_the_prices_before_and_then_those_of_the_catalogue(
    books: SqlitePriceBooks, tmp_path: Path
) -> None:
    for price in ("4,50", "5,50"):
        file = read(books, lines([f"A;Seal;9,00;{price}"]), tmp_path)
        books.apply(file.number, AT, "test")

    assert books.back().revision == 1
    assert costs(books) == {"A": 4_500_000}
    assert books.back().revision is None
    assert costs(books) == {}
    with pytest.raises(NoEarlierPrices):
        books.back()


def test_file_applied_after_going_back_follows_the_prices_in_force(
    books: SqlitePriceBooks, tmp_path: Path
) -> None:
    for price in ("4,50", "5,50"):
        books.apply(read(books, lines([f"A;;9,00;{price}"]), tmp_path).number, AT, "test")
    books.back()

    revision = books.apply(read(books, lines(["A;;9,00;6,50"]), tmp_path).number, AT, "test")

    assert (revision.number, revision.before) == (3, 1)
    assert costs(books) == {"A": 6_500_000}
    assert books.back().revision == 1


def test_prices_of_other_suppliers_stay(books: SqlitePriceBooks, tmp_path: Path) -> None:
    other = Terms(supplier=type(EUROS.supplier)("FKRD"), currency="EUR")
    books.apply(read(books, lines(["A;;9,00;4,50"]), tmp_path).number, AT, "test")
    books.apply(read(books, lines(["B;;9,00;4,50"]), tmp_path, other).number, AT, "test")

    assert list(books.in_force().by_supplier) == ["EBHT", "FKRD"]
    assert list(books.back().by_supplier) == ["EBHT"]


def test_file_compared_with_prices_that_changed_is_not_applied(
    books: SqlitePriceBooks, tmp_path: Path
) -> None:
    books.apply(read(books, lines(["A;;9,00;4,50"]), tmp_path).number, AT, "test")
    file = read(books, lines(["A;;9,00;5,50"]), tmp_path)
    books.back()

    with pytest.raises(PricesChanged):
        books.apply(file.number, AT, "test")
    assert costs(books) == {}


def test_file_is_replaced_by_a_newer_one_of_its_supplier(
    books: SqlitePriceBooks, tmp_path: Path
) -> None:
    first = read(books, lines(["A;;9,00;4,50"]), tmp_path)
    second = read(books, lines(["A;;9,00;5,50"]), tmp_path)

    with pytest.raises(FileNotReady, match="newest"):
        books.apply(first.number, AT, "test")
    books.apply(second.number, AT, "test")
    assert costs(books) == {"A": 5_500_000}


def test_refused_file_replaces_none(books: SqlitePriceBooks, tmp_path: Path) -> None:
    good = read(books, lines(["A;;9,00;4,50"]), tmp_path)
    refused = read(books, lines(["A;;9,00;x"]), tmp_path)
    read(books, lines(["A;;9,00;y"]), tmp_path)

    assert books.file(refused.number).state is FileState.refused
    books.apply(good.number, AT, "test")
    assert costs(books) == {"A": 4_500_000}


def test_book_that_was_changed_is_not_applied(books: SqlitePriceBooks, tmp_path: Path) -> None:
    file = read(books, lines(["A;;9,00;4,50"]), tmp_path)
    with books.book(file.number).open("rb+") as opened:
        opened.seek(5_000)
        opened.write(b"x")

    with pytest.raises(BookDamaged):
        books.apply(file.number, AT, "test")
    assert books.in_force().revision is None


def test_books_of_old_revisions_are_deleted(books: SqlitePriceBooks, tmp_path: Path) -> None:
    for price in range(7):
        books.apply(read(books, lines([f"A;;9,00;4,{price}0"]), tmp_path).number, AT, "test")

    left = sorted(int(path.stem) for path in (tmp_path / "data" / "prices").glob("[0-9]*.db"))

    assert left == [4, 5, 6, 7]
    assert sorted(books.needed()) == left


def test_file_that_is_not_there_is_named(books: SqlitePriceBooks) -> None:
    with pytest.raises(UnknownFile, match="7"):
        books.apply(FileNumber(7), AT, "test")


def test_looking_at_no_prices_creates_nothing(books: SqlitePriceBooks, tmp_path: Path) -> None:
    assert books.in_force().revision is None
    assert books.find("A-1", 5) == ()
    assert books.revisions() == ()
    assert books.files(None, 5) == ()
    assert not (tmp_path / "data").exists()


APPLYING = """
import sys
from datetime import datetime, UTC
from pathlib import Path
from tests.prices.small import EUROS
from kitwright.prices.reading import read_prices
from kitwright.prices.register import SqlitePriceBooks
books = SqlitePriceBooks(Path(sys.argv[1]))
for source in sys.argv[2:] * 100:
    at = datetime.now(UTC)
    file = books.add_file(EUROS.supplier, source, at, "test")
    target = books.draft(file.number)
    print("added", flush=True)
    read = read_prices(Path(source), EUROS, target, lambda _: print("reading", flush=True))
    now = books.in_force().by_supplier.get(EUROS.supplier)
    print("built", flush=True)
    books.keep(file.number, target, read, against=None if now is None else now.file)
    print("kept", flush=True)
    books.apply(file.number, at, "test")
    print("applied", flush=True)
"""


IN_PLACE = """
from pathlib import Path
from kitwright.prices.register import SqlitePriceBooks
apart = SqlitePriceBooks.draft
def in_place(books, number):
    now = [*books.in_force().by_supplier.values()]
    if not now:
        return apart(books, number)
    books.book(now[0].file).unlink(missing_ok=True)
    return books.book(now[0].file)
SqlitePriceBooks.draft = in_place
"""
"""Makes the process below read a file into the book in force."""


def files_of(folder: Path) -> list[str]:
    """Return files of the same 3,000 numbers, each at one price."""
    sources = []
    for price in ("4,50", "5,50", "6,50"):
        source = folder / f"{price}.csv"
        source.write_text(lines(f"A-{index};Seal;9,00;{price}" for index in range(3_000)))
        sources.append(str(source))
    return sources


def kill_after(steps: int, seconds: float, data: Path, sources: list[str], first: str = "") -> None:
    """Kill a process that reads and applies files, some steps and seconds after its start."""
    process = subprocess.Popen(
        [sys.executable, "-c", first + APPLYING, str(data), *sources], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    for _ in range(steps):
        process.stdout.readline()
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()


def check_complete(books: SqlitePriceBooks) -> dict[str, int | None]:
    """Return the costs in force; they are all of one file, whose book is as it was built."""
    now = books.in_force()
    for revision in now.by_supplier.values():
        books.check(revision.file, revision.sha256)
    found = costs(books)
    assert len(found) in (0, 3_000)
    assert len(set(found.values())) <= 1
    return found


def test_kills_leave_complete_prices_and_a_file_that_can_be_read_again(tmp_path: Path) -> None:
    luck = random.Random(KILLS)
    sources = files_of(tmp_path)
    data, seen = tmp_path / "data", set[int]()
    for _ in range(KILLS):
        # a step of the first three files, and a little more
        kill_after(luck.randrange(1, 30), luck.uniform(0, 0.05), data, sources)
        with closing(SqlitePriceBooks(data)) as books:
            found = check_complete(books)
            seen.add(books.in_force().revision or 0)
            again = read(books, lines(["A;;9,00;7,50"]), tmp_path)
            books.apply(again.number, AT, "test")
            assert costs(books) == {"A": 7_500_000}
            books.back()
            assert costs(books) == found

    assert max(seen) > 0


def test_kills_see_a_file_that_is_read_into_the_prices_in_force(tmp_path: Path) -> None:
    data, sources = tmp_path / "data", files_of(tmp_path)
    with closing(SqlitePriceBooks(data)) as books:
        books.apply(read(books, Path(sources[0]).read_text(), tmp_path).number, AT, "test")
        check_complete(books)

    # the first number is added, and its rows are being read
    kill_after(1, 0.02, data, sources[1:], IN_PLACE)

    with closing(SqlitePriceBooks(data)) as books, pytest.raises(BookDamaged):
        check_complete(books)


def test_back_past_what_is_kept_says_so(books: SqlitePriceBooks, tmp_path: Path) -> None:
    for price in range(6):
        books.apply(read(books, lines([f"A;;9,00;4,{price}0"]), tmp_path).number, AT, "test")
    for _ in range(3):
        books.back()

    with pytest.raises(NoEarlierPrices, match="no longer kept"):
        books.back()
    assert costs(books) == {"A": 4_200_000}
