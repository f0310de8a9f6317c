"""Workbooks are read as the library reads them, within memory that hardly grows with them."""

import datetime
import io
import random
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from tests.prices.workbooks import write_workbook

from kitwright.catalogue.model import PriceForm
from kitwright.prices.cells import open_cells
from kitwright.prices.record import FileInvalid
from kitwright.prices.workbook import Workbook

VALUES: tuple[Any, ...] = (
    None,
    "Seal",
    "Dichtung, groß",
    " x\ny ",
    "",
    "_x0041_",
    7,
    1.25,
    True,
    datetime.datetime(2027, 3, 1, 12),  # noqa: DTZ001 - a cell has no time zone
    datetime.time(7, 30),
    CellRichText("a ", TextBlock(InlineFont(b=True), "bold"), " end"),
)


def test_rows_are_those_of_the_library() -> None:
    luck = random.Random(15)
    for _ in range(20):
        book = openpyxl.Workbook()
        sheet = book.active
        for line in sorted(luck.sample(range(1, 40), 12)):
            for column in luck.sample(range(1, 9), 4):
                sheet.cell(line, column, luck.choice(VALUES))
        file = io.BytesIO()
        book.save(file)
        read = openpyxl.load_workbook(file, data_only=True).active

        rows = {line: values for line, values in Workbook(file).rows("Sheet") if any(values)}

        expected = {
            line: list(values)
            for line, values in enumerate(read.iter_rows(values_only=True), start=1)
            if any(values)
        }
        width = max(map(len, expected.values()))
        padded = {line: one + [None] * (width - len(one)) for line, one in rows.items()}
        assert padded == expected


def test_reading_again_takes_the_texts_that_were_read(tmp_path: Path) -> None:
    source = write_workbook(tmp_path / "prices.xlsx", [["Part no", "Cost"], ["A", 1.5]])
    with source.open("rb") as opened:
        first = Workbook(opened)
        again = Workbook(opened, first.shared_strings)

        assert again.shared_strings is first.shared_strings
        assert list(again.rows("Prices")) == [(1, ["Part no", "Cost"]), (2, ["A", 1.5])]


@pytest.mark.parametrize("place", ["2", "-1", "99999999999999999999"])
def test_text_that_is_not_there_is_damage(tmp_path: Path, place: str) -> None:
    source = write_workbook(tmp_path / "prices.xlsx", [["Part no", "Cost"]])
    target = tmp_path / "changed.xlsx"
    with zipfile.ZipFile(source) as before, zipfile.ZipFile(target, "w") as after:
        for name in before.namelist():
            data = before.read(name)
            after.writestr(name, data.replace(b"<v>1</v>", f"<v>{place}</v>".encode()))

    with pytest.raises(FileInvalid, match="damaged") as raised:
        list(open_cells(target, PriceForm()).rows())
    assert raised.value.error.line == 1


def peak_of(source: Path) -> int:
    """Return the most bytes in use while the rows of a file are read."""
    tracemalloc.start()
    try:
        assert sum(1 for _ in open_cells(source, PriceForm()).rows()) > 1
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_grows_by_few_bytes_a_row(tmp_path: Path) -> None:
    def written(rows: int) -> Path:
        return write_workbook(
            tmp_path / f"{rows}.xlsx",
            ([f"A-{row:07d}", f"Seal of kind {row}, for engine {row}", 1.5] for row in range(rows)),
        )

    few, many = 4_000, 10_000
    # what is loaded and remembered once
    peak_of(written(few))

    # where each text ends is noted
    assert peak_of(written(many)) - peak_of(written(few)) < (many - few) * 100
