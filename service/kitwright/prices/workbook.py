"""Workbook: the rows of a workbook (XLSX) in a stream, within little memory.

openpyxl knows the format, but keeps all texts of a workbook and a trace of each row in memory: here
the texts are in a temporary file, and no row leaves a trace.
"""

from __future__ import annotations

import tempfile
import warnings
import weakref
from array import array
from collections.abc import Iterator, Sequence
from functools import lru_cache, partial
from typing import Any, BinaryIO, Final

from openpyxl.packaging.manifest import Manifest
from openpyxl.reader.excel import ExcelReader
from openpyxl.styles.stylesheet import apply_stylesheet
from openpyxl.worksheet._reader import DATA_TAG, ROW_TAG, WorkSheetParser
from openpyxl.xml.constants import SHARED_STRINGS, SHEET_MAIN_NS
from openpyxl.xml.functions import iterparse

from kitwright.prices.record import FileInvalid

_TEXT: Final = f"{{{SHEET_MAIN_NS}}}si"
_PLAIN: Final = f"{{{SHEET_MAIN_NS}}}t"
_RUN: Final = f"{{{SHEET_MAIN_NS}}}r"
_ESCAPE: Final = "x005F_"
"""What the format puts before a text that looks like an escaped character."""
_REMEMBERED: Final = 4_096
_LARGEST_TEXTS: Final = 1024**3


class Texts:
    """The texts that the cells of a workbook share, in a temporary file.

    `add` all of them before the first is looked up.
    """

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - it is as long there as this is
        weakref.finalize(self, self._file.close)
        self._ends = array("Q", (0,))
        self._look_up = lru_cache(_REMEMBERED)(partial(_slice, self._file, self._ends))

    def add(self, text: str) -> None:
        """Add the next text. Raises: FileInvalid, if they are too large."""
        end = self._ends[-1] + self._file.write(text.encode("utf-8", "surrogatepass"))
        if end > _LARGEST_TEXTS:
            raise FileInvalid("the workbook is too large: save it as CSV")
        self._ends.append(end)

    def __getitem__(self, place: int) -> str:
        """Return the text at a place. Raises: IndexError."""
        if place < 0:
            raise IndexError(place)
        return self._look_up(place)


def _slice(file: BinaryIO, ends: Sequence[int], place: int) -> str:
    start, end = ends[place], ends[place + 1]
    file.seek(start)
    return file.read(end - start).decode("utf-8", "surrogatepass")


class Workbook(ExcelReader):  # type: ignore[misc] # the library has no types
    """A workbook, open for reading.

    Args:
        file: to read from, as long as rows are wanted.
        texts: those of an earlier reading of the same file, None to read them.

    Raises: whatever the library does of a damaged file.
    """

    def __init__(self, file: BinaryIO, texts: Texts | None = None) -> None:
        super().__init__(file, read_only=True, data_only=True)
        self.package: Manifest
        self.shared_strings = texts
        with warnings.catch_warnings():
            # of styles and other things that no price needs
            warnings.simplefilter("ignore")
            self.read_manifest()
            if texts is None:
                self.read_strings()
            self.read_workbook()
            apply_stylesheet(self.archive, self.wb)
        self.sheets: dict[str, str] = {
            sheet.name: relation.target
            for sheet, relation in self.parser.find_sheets()
            if relation.target in self.valid_files and "chartsheet" not in relation.Type
        }
        """The path of each sheet within the workbook, by name."""

    def read_strings(self) -> None:
        """Read the texts that cells share."""
        self.shared_strings = Texts()
        part = self.package.find(SHARED_STRINGS)
        if part is None:
            return
        with self.archive.open(part.PartName[1:]) as source:
            for text in _each(source, _TEXT):
                self.shared_strings.add(_content(text))

    def rows(self, sheet: str) -> Iterator[tuple[int, list[object]]]:
        """Yield each row of a sheet that the workbook has: its line and the values of its cells."""
        with self.archive.open(self.sheets[sheet]) as source, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            parser = WorkSheetParser(
                source,
                self.shared_strings,
                data_only=True,
                epoch=self.wb.epoch,
                date_formats=self.wb._date_formats,
                timedelta_formats=self.wb._timedelta_formats,
            )
            for row in _each(source, ROW_TAG, until=DATA_TAG):
                line, cells = parser.parse_row(row)
                parser.row_dimensions.clear()
                values: list[object] = [None] * max((one["column"] for one in cells), default=0)
                for one in cells:
                    values[one["column"] - 1] = one["value"]
                yield line, values


def _each(source: BinaryIO, tag: str, until: str = "") -> Iterator[Any]:
    """Yield the complete elements of a tag, as far as the end of the element `until`. Each is
    removed from its parent when the next is asked for.
    """
    above = list[Any]()
    for event, element in iterparse(source, events=("start", "end")):
        if event == "start":
            above.append(element)
            continue
        above.pop()
        if element.tag == tag:
            yield element
            above[-1].remove(element)
        elif element.tag == until:
            return


def _content(text: Any) -> str:
    """Return a text without its formats and without how it is spoken."""
    parts = [text.findtext(_PLAIN)]
    parts += [run.findtext(_PLAIN) for run in text.iterfind(_RUN)]
    return "".join(part or "" for part in parts).replace(_ESCAPE, "")
