"""Cells: the rows of a price file, from CSV of any kind or from a workbook (XLSX), in a stream."""

from __future__ import annotations

import codecs
import csv
import io
import re
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time
from decimal import Decimal
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

from kitwright.catalogue.model import PriceForm
from kitwright.prices.record import FileInvalid

if TYPE_CHECKING:
    from kitwright.prices.workbook import Texts

_PIECE: Final = 1024 * 1024
_SAMPLE: Final = 256 * 1024
_DELIMITERS: Final = (";", ",", "\t", "|")
_LOOKED_AT: Final = 200
"""Rows by which a delimiter is judged."""
_LARGEST_UNPACKED: Final = 4 * 1024**3
_MOST_ROWS: Final = 1_048_576
"""The rows that spreadsheet programs keep of a sheet."""
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SEP: Final = re.compile(r"\s*sep=(.)\s*", re.IGNORECASE)
_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ZIP: Final = b"PK\x03\x04"


class NumberCell(str):
    """The text of a number of a sheet, with a decimal point whatever the texts of the sheet use."""

    __slots__ = ()


class DateCell(str):
    """The text of a date of a sheet: often a part number that was taken for a date."""

    __slots__ = ()


class Line(NamedTuple):
    """A row of a file: its line, from 1, and its cells, without spaces around them."""

    number: int
    cells: list[str]


class Cells:
    """The rows of a file, which can be read more than once.

    `delimiter` is None for a workbook. `read` and `total` tell the progress of the reading: bytes
    of a CSV file, rows of a workbook.
    """

    delimiter: str | None = None
    read = 0
    total = 1

    def rows(self) -> Iterator[Line]:
        """Yield the rows that are not empty. Raises: FileInvalid."""
        raise NotImplementedError


def open_cells(file: Path, form: PriceForm) -> Cells:
    """Return the rows of a file, as CSV or as a workbook by its content.

    Raises: FileInvalid, OSError.
    """
    with file.open("rb") as opened:
        start = opened.read(len(_OLD_WORKBOOK))
    if not start:
        raise FileInvalid("the file is empty")
    if start.startswith(_ZIP):
        return SheetCells(file, form)
    if start == _OLD_WORKBOOK:
        raise FileInvalid("an old or protected workbook: save it as XLSX or CSV, without password")
    return CsvCells(file, form)


class _Counted(io.RawIOBase):
    """A file that counts the bytes read from it."""

    def __init__(self, file: BinaryIO, cells: Cells) -> None:
        self._file = file
        self._cells = cells

    def readable(self) -> bool:
        """Return that it can be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Read the next bytes."""
        piece = self._file.read(len(buffer))
        buffer[: len(piece)] = piece
        self._cells.read += len(piece)
        return len(piece)


class CsvCells(Cells):
    """The rows of a CSV file; its encoding and its delimiter are found out if they are not given.

    Bytes that the encoding does not have become U+FFFD, which no cell may contain.
    """

    def __init__(self, file: Path, form: PriceForm) -> None:
        self._file = file
        self.total = max(1, file.stat().st_size)
        self.encoding = form.encoding or _encoding(file)
        sample = self._sample()
        marked = _SEP.fullmatch(sample.split("\n", 1)[0])
        self.delimiter = form.delimiter or (marked[1] if marked else _delimiter(sample))

    def _sample(self) -> str:
        with self._file.open("rb") as opened:
            raw = opened.read(_SAMPLE)
        try:
            decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        except LookupError:
            raise FileInvalid(f"there is no encoding {self.encoding!r}") from None
        # whatever Python calls a codec but isn't an encoding of text fails here
        try:
            text = decoder.decode(raw)
        except (UnicodeError, ValueError) as error:
            raise FileInvalid(f"not text in {self.encoding}: {error}") from None
        return text.replace("\r\n", "\n").replace("\r", "\n")

    def rows(self) -> Iterator[Line]:
        """Yield the rows that are not empty. Raises: FileInvalid."""
        self.read = 0
        with self._file.open("rb") as opened:
            buffered = io.BufferedReader(_Counted(opened, self), _PIECE)
            text = io.TextIOWrapper(buffered, self.encoding, errors="replace", newline="")
            reader = csv.reader(text, delimiter=self.delimiter or ",")
            before = 0
            try:
                for cells in reader:
                    number, before = before + 1, reader.line_num
                    if before != number:
                        self._check_lines(number, cells)
                    found = list(map(str.strip, cells))
                    if any(found) and not (number == 1 and _is_sep_row(found)):
                        yield Line(number, found)
            except csv.Error as error:
                raise _unclosed(before + 1, str(error)) from None
            except UnicodeError as error:
                raise FileInvalid(f"not text in {self.encoding}: {error}") from None

    def _check_lines(self, number: int, cells: list[str]) -> None:
        """Raise if a cell over several lines holds what looks like other rows."""
        delimiter = self.delimiter or ","
        for cell in cells:
            rest = cell.partition("\n")[2]
            if rest.count(delimiter) >= 2:
                raise _unclosed(number, "rows follow within one cell")


def _is_sep_row(cells: list[str]) -> bool:
    """Return whether a row only tells the delimiter."""
    return cells[0].casefold() == "sep=" and not any(cells[1:])


def _unclosed(line: int, told: str) -> FileInvalid:
    if "NUL" in told:
        return FileInvalid("the file has NUL bytes: it is not text", line=line)
    reason = f"a quotation mark that is opened here is not closed ({told})"
    return FileInvalid(reason, line=line)


def _encoding(file: Path) -> str:
    """Return the encoding of a file: of its byte order mark; else UTF-8 if all of it is that, else
    the encoding that spreadsheets in western Europe and America write.
    """
    decoder = codecs.getincrementaldecoder("utf-8")()
    with file.open("rb") as opened:
        piece = opened.read(_PIECE)
        for mark, name in _BOMS:
            if piece.startswith(mark):
                return name
        zeros = piece[:1000].count(0)
        if zeros * 4 > len(piece[:1000]):
            return "utf-16-be" if piece[0] == 0 else "utf-16-le"
        try:
            while piece:
                decoder.decode(piece)
                piece = opened.read(_PIECE)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "cp1252"
    return "utf-8"


def _delimiter(sample: str) -> str:
    """Return the delimiter that cuts a sample into the most columns, most evenly."""
    lines = sample.split("\n")
    if len(sample) >= _SAMPLE // 4 and len(lines) > 1:
        # the last line may be cut off
        lines.pop()
    best, most = ",", (0, 0)
    for delimiter in _DELIMITERS:
        try:
            rows = list(csv.reader(lines[:_LOOKED_AT], delimiter=delimiter))
        except csv.Error:
            continue
        widths = [len(row) for row in rows if any(cell.strip() for cell in row)]
        if not widths:
            continue
        usual = max(set(widths), key=lambda width: (widths.count(width), width))
        if usual > 1:
            score = (widths.count(usual) * 10 // len(widths), usual)
            best, most = max((best, most), (delimiter, score), key=lambda pair: pair[1])
    return best


class SheetCells(Cells):
    """The rows of a sheet of a workbook: of the named one, else of the first."""

    def __init__(self, file: Path, form: PriceForm) -> None:
        self._file = file
        self._sheet = form.sheet
        self._texts: Texts | None = None
        try:
            with zipfile.ZipFile(file) as packed:
                size = sum(member.file_size for member in packed.infolist())
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
            raise FileInvalid(f"not a complete workbook: {error}") from None
        if size > _LARGEST_UNPACKED:
            raise FileInvalid("the workbook is too large: save it as CSV")

    def rows(self) -> Iterator[Line]:
        """Yield the rows that are not empty. Raises: FileInvalid."""
        # loaded only for a workbook: the library takes time and memory
        from kitwright.prices.workbook import Workbook

        self.read = 0
        with self._file.open("rb") as opened:
            try:
                book = Workbook(opened, self._texts)
                self._texts = book.shared_strings
                for number, values in book.rows(self._chosen([*book.sheets])):
                    _check_length(number)
                    self.read = number
                    self.total = max(self.total, number + 1)
                    cells = [_cell_text(value) for value in values]
                    if any(cells):
                        yield Line(number, cells)
            except FileInvalid:
                raise
            except MemoryError:
                raise FileInvalid("the workbook is too large: save it as CSV") from None
            except Exception as error:  # noqa: BLE001 - the library fails in many ways
                told = (str(error) or type(error).__name__)[:200]
                raise FileInvalid(f"the workbook is damaged: {told}", line=self.read + 1) from None

    def _chosen(self, names: list[str]) -> str:
        if not names:
            raise FileInvalid("the workbook has no sheet")
        if self._sheet is None:
            return names[0]
        if self._sheet not in names:
            known = ", ".join(map(repr, names))
            raise FileInvalid(f"the workbook has no sheet {self._sheet!r}; it has {known}")
        return self._sheet


def _check_length(line: int) -> None:
    if line > _MOST_ROWS:
        raise FileInvalid(f"a sheet has at most {_MOST_ROWS} rows: save it as CSV", line=line)


def _cell_text(value: object) -> str:
    """Return the value of a cell as text."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return NumberCell(value)
    if isinstance(value, float):
        # with the 15 digits that a sheet keeps
        return NumberCell(f"{Decimal(f'{value:.15g}'):f}") if isfinite(value) else "#NUM!"
    if isinstance(value, datetime | date | time):
        return DateCell(value.isoformat())
    return str(value).strip()
