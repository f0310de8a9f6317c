"""Reading: reads a price file of a supplier into a book, completely or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import PriceColumn
from kitwright.prices.book import BookWriter
from kitwright.prices.cells import Cells, open_cells
from kitwright.prices.form import find_form
from kitwright.prices.record import Entry, FileInvalid, RowError, Terms
from kitwright.prices.row import RowReader

_TOLD_EVERY: Final = 5_000
_SHARE_OF_ROWS: Final = 0.7
"""The rows take this share of the time, indexes the rest."""


class Progress(Struct, frozen=True, kw_only=True):
    """How far the reading of a file is: `share` of all work from 0 to 1, and the rows so far."""

    share: float
    rows: int
    errors: int


class Read(Struct, frozen=True, kw_only=True):
    """The outcome of reading: numbers, errors, and the SHA-256 of the book."""

    rows: int
    errors: int
    sha256: str


def read_prices(source: Path, terms: Terms, target: Path, told: Callable[[Progress], None]) -> Read:
    """Read a price file into a new book, and return the outcome.

    The book holds the entries if there is no error, else the errors.

    Raises: OSError, and the database's errors.
    """
    writer = BookWriter(target)
    try:
        try:
            cells = open_cells(source, terms.form)
            _read_rows(cells, terms, writer, told)
        except FileInvalid as error:
            writer.add_errors([error.error])
        steps = iter((0.75, 0.8, 0.85, 0.9, 0.98))
        sha256 = writer.finish(
            lambda: told(Progress(share=next(steps, 0.99), rows=writer.rows, errors=writer.errors))
        )
    except BaseException:
        writer.give_up()
        raise
    return Read(rows=writer.rows, errors=writer.errors, sha256=sha256)


def _read_rows(
    cells: Cells, terms: Terms, writer: BookWriter, told: Callable[[Progress], None]
) -> None:
    form = find_form(cells, terms)
    reader = RowReader(form, terms)
    column = next(c for c in (PriceColumn.number, PriceColumn.maker_number) if c in form.places)
    writer.number_heading = form.headings[form.places[column]]
    count = 0
    for line in cells.rows():
        if line.number <= form.head:
            continue
        found = reader.read(line)
        if isinstance(found, Entry):
            writer.add(found)
        else:
            writer.add_errors(found)
        count += 1
        if count % _TOLD_EVERY == 0:
            share = _SHARE_OF_ROWS * min(1, cells.read / cells.total)
            told(Progress(share=share, rows=count, errors=writer.errors))
    if count == 0:
        raise FileInvalid("the file has no rows after its headings", line=form.head)


def failed(target: Path, reason: str) -> Read:
    """Return the outcome of a file that could not be read for a reason outside it; its book holds
    only that.
    """
    target.unlink(missing_ok=True)
    writer = BookWriter(target)
    writer.add_errors([RowError(line=1, column="", value="", code="reading-failed", reason=reason)])
    return Read(rows=0, errors=1, sha256=writer.finish())
