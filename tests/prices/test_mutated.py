"""Files that were changed at random are read or refused, never half applied, whatever they hold.

    KITWRIGHT_LONG=1 python -m pytest tests/prices/test_mutated.py

changes 5,000 files instead of 300.
"""

import io
import os
import random
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from tests.prices.small import EUROS

from kitwright.prices.reading import read_prices
from kitwright.prices.record import FileState
from kitwright.prices.register import SqlitePriceBooks

FILES = 5_000 if os.environ.get("KITWRIGHT_LONG") == "1" else 300
AT = datetime(2027, 3, 1, tzinfo=UTC)
Rows = list[list[str]]
Mutate = Callable[[Rows, random.Random], None]


def good_rows(luck: random.Random) -> Rows:
    """Return a valid file as rows."""
    rows = [["Artikel-Nr.", "Bezeichnung", "Listenpreis", "EK", "VE", "Verfügbarkeit"]]
    for index in range(luck.randrange(1, 40)):
        cost = luck.randrange(1, 200_000)
        rows.append(
            [
                f"A-{index:04d}",
                luck.choice(["Dichtung", 'Rohr 1/2"', "Öl, 1 l", "Größe; M8", ""]),
                f"{cost * 2 / 100:.2f}".replace(".", ","),
                f"{cost / 100:.2f}".replace(".", ","),
                luck.choice(["1", "10", ""]),
                luck.choice(["ja", "nein", "lieferbar", "12", ""]),
            ]
        )
    return rows


def change_cell(
    change: Callable[[str, random.Random], str],
) -> Callable[[Rows, random.Random], None]:
    """Return the mutation of one cell."""

    def mutate(rows: Rows, luck: random.Random) -> None:
        row = luck.choice(rows)
        if row:
            at = luck.randrange(len(row))
            row[at] = change(row[at], luck)

    return mutate


def double(rows: Rows, luck: random.Random) -> None:
    rows.insert(luck.randrange(1, len(rows) + 1), list(luck.choice(rows)))


def cut_row(rows: Rows, luck: random.Random) -> None:
    row = luck.choice(rows)
    del row[luck.randrange(len(row) + 1) :]


def drop_column(rows: Rows, luck: random.Random) -> None:
    at = luck.randrange(6)
    for row in rows:
        del row[at : at + 1]


def lengthen(rows: Rows, luck: random.Random) -> None:
    luck.choice(rows).append(luck.choice(["", "x", "1,00"]))


def blank(rows: Rows, luck: random.Random) -> None:
    rows.insert(luck.randrange(len(rows) + 1), luck.choice([[], ["", ""], ["Seite 1"]]))


def no_head(rows: Rows, _: random.Random) -> None:
    del rows[0]


STRANGE = ["-", "#NV", "1,2E+05", "1.234", "1.234,5", "٣", "²", "1'234.50", "1e999", "NaN"]
ON_ROWS: list[Mutate] = [
    double,
    cut_row,
    drop_column,
    lengthen,
    blank,
    no_head,
    change_cell(lambda cell, luck: cell + luck.choice(["  ", "\t", "\u00a0", "\u200b"])),
    change_cell(lambda cell, luck: luck.choice(["€ ", "$", "£", "EUR ", "CHF", "kr"]) + cell),
    change_cell(lambda cell, luck: cell + luck.choice([" €", " EUR", "$", " %", ",-"])),
    change_cell(lambda cell, _: cell.replace(",", ".")),
    change_cell(lambda _, luck: luck.choice(STRANGE)),
    change_cell(lambda cell, luck: cell[: luck.randrange(len(cell) + 1)] + '"' + cell),
    change_cell(lambda cell, luck: cell + "\n" * luck.randrange(1, 3) + cell),
    change_cell(lambda cell, luck: cell + luck.choice(["\x00", "\x1a", "\ufffd", "😀", "\ud7ff"])),
    change_cell(lambda cell, luck: cell * luck.choice([40, 3_000, 40_000])),
    change_cell(lambda *_: ""),
]
ENCODINGS = [
    "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "mac-roman",
    "cp437", "utf-32", "utf-7",
]  # fmt: skip


def as_csv(rows: Rows, luck: random.Random) -> bytes:
    """Return rows as CSV, not always quoted as they should be."""
    delimiter = luck.choice(";;;,\t|")
    is_quoted = luck.random() < 0.8

    def quoted(cell: str) -> str:
        needs = is_quoted and any(sign in cell for sign in (delimiter, '"', "\n"))
        return '"' + cell.replace('"', '""') + '"' if needs else cell

    end = luck.choice(["\r\n", "\n", "\r"])
    text = end.join(delimiter.join(map(quoted, row)) for row in rows) + end
    return text.encode(luck.choice(ENCODINGS), errors="replace")


def as_workbook(rows: Rows, _: random.Random) -> bytes:
    """Return rows as a workbook, with numbers as numbers."""
    book = openpyxl.Workbook()
    for row in rows:
        cells: list[object] = []
        for cell in row:
            plain = "".join(sign for sign in cell if sign.isprintable())[:30_000]
            try:
                cells.append(float(plain.replace(",", ".")))
            except ValueError:
                cells.append(f"'{plain}" if plain.startswith("=") else plain)
        book.active.append(cells)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def mutated(seed: int) -> bytes:
    """Return a file that was changed at random."""
    luck = random.Random(seed)
    rows = good_rows(luck)
    for _ in range(luck.choice([0, 1, 1, 2, 3])):
        if rows:
            luck.choice(ON_ROWS)(rows, luck)
    raw = (as_workbook if luck.random() < 0.2 else as_csv)(rows, luck)
    if luck.random() < 0.25:
        raw = raw[: luck.randrange(len(raw) + 1)]
    if luck.random() < 0.25 and raw:
        changed = bytearray(raw)
        for _ in range(luck.randrange(1, 6)):
            changed[luck.randrange(len(changed))] = luck.randrange(256)
        raw = bytes(changed)
    return raw


@pytest.mark.parametrize("part", range(5))
def test_changed_file_is_read_or_refused_with_its_errors(part: int, tmp_path: Path) -> None:
    outcomes: Counter[FileState] = Counter()
    source = tmp_path / "file"
    books = SqlitePriceBooks(tmp_path / "data")
    in_force = None
    for seed in range(part * FILES // 5, (part + 1) * FILES // 5):
        source.write_bytes(mutated(seed))
        file = books.add_file(EUROS.supplier, f"{seed}.csv", AT, "test")
        target = books.draft(file.number)
        read = read_prices(source, EUROS, target, lambda _: None)
        before = books.in_force().by_supplier.get(EUROS.supplier)
        kept = books.keep(
            file.number, target, read, against=None if before is None else before.file
        )
        outcomes[kept.state] += 1
        if kept.state is FileState.refused:
            errors = [error for _, error in books.errors(file.number, 0, 1_000_000)]
            assert len(errors) == kept.errors > 0, seed
            assert all(error.line > 0 and error.reason and error.code for error in errors), seed
            whole = {"price-file-invalid", "too-many-cells"}
            assert all(error.column or error.code in whole for error in errors), (seed, errors)
        else:
            in_force = books.apply(file.number, AT, "test").file
            rows = list(books.opened(in_force).everything())
            assert len(rows) == kept.rows > 0, seed
        now = books.in_force().by_supplier.get(EUROS.supplier)
        assert (None if now is None else now.file) == in_force, seed
    books.close()

    assert outcomes[FileState.read] > FILES // 50
    assert outcomes[FileState.refused] > FILES // 50
