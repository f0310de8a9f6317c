"""Offers: reads a supplier's offers from a CSV file."""

from __future__ import annotations

import csv
import re
from datetime import date
from typing import Final

from kitwright.catalogue.decode import Table, decode, decode_row
from kitwright.catalogue.model import FileHead, Offer
from kitwright.catalogue.problems import Problem

COLUMNS: Final = (
    "item",
    "sku",
    "brand",
    "quality",
    "cost",
    "pack",
    "minimum",
    "multiple",
    "breaks",
    "stock",
    "lead_days",
    "freight",
)
"""In this order. An empty cell means the default of the offer's field."""

_WHOLE: Final = frozenset({"pack", "minimum", "multiple", "stock", "lead_days"})
_NUMBER: Final = re.compile(r"0|[1-9][0-9]{0,8}", re.ASCII)
_BREAK: Final = re.compile(r"([1-9][0-9]{0,8}):([0-9.]+)", re.ASCII)

_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)


def read_offers(
    file: str, text: str, problems: list[Problem]
) -> tuple[FileHead | None, tuple[Offer, ...]]:
    """Return what a CSV file states about itself, or None if that is wrong, and its valid offers.

    The first two rows are `as_of,2026-11-25` and `source,...`; the third names the columns. An
    empty cell means the offer's default; breaks are written `12:4.30;24:4.10` (packs:cost). Blank
    lines and empty cells at the end of a row are ignored. Errors are added to `problems`.
    """
    lines: list[tuple[int, list[str]]] = []
    reader = csv.reader(text.splitlines(keepends=True), strict=True)
    try:
        for cells in reader:
            while cells and not cells[-1]:
                cells.pop()
            if cells:
                lines.append((reader.line_num, cells))
    except csv.Error as error:
        problems.append(_problem(file, reader.line_num, "not-csv", str(error)))
        return None, ()
    head = decode(file, _head([cells for _, cells in lines[:2]]), FileHead, problems)
    if len(lines) < 3 or tuple(lines[2][1]) != COLUMNS:
        line = lines[2][0] if len(lines) > 2 else reader.line_num
        message = "the third row names the columns: " + ",".join(COLUMNS)
        problems.append(_problem(file, line, "wrong-columns", message))
        return None, ()
    offers: dict[str, Offer] = {}
    for line, cells in lines[3:]:
        offer = _offer(file, line, cells)
        if isinstance(offer, Problem):
            problems.append(offer)
        elif offer.sku in offers:
            message = f"{offer.sku!r} is listed twice"
            problems.append(_problem(file, line, "id-twice", message))
        else:
            offers[offer.sku] = offer
    return head, tuple(offers.values())


def _head(rows: list[list[str]]) -> Table:
    own = [cells for cells in rows if cells[0] in {"as_of", "source"}]
    head: Table = {cells[0]: ",".join(cells[1:]) for cells in own}
    if _DATE.fullmatch(head.get("as_of", "")):
        try:
            head["as_of"] = date.fromisoformat(head["as_of"])
        except ValueError:
            # No such day; as text, it is refused with its place.
            return head
    return head


def _offer(file: str, line: int, cells: list[str]) -> Offer | Problem:
    if len(cells) > len(COLUMNS):
        message = f"cells: {len(cells)}; expected one for each of {len(COLUMNS)} columns"
        return _problem(file, line, "wrong-columns", message)
    row: Table = {name: cell for name, cell in zip(COLUMNS, cells, strict=False) if cell}
    try:
        for name in sorted(_WHOLE & row.keys()):
            row[name] = _whole(name, row[name])
        if "breaks" in row:
            row["breaks"] = [_break(cell) for cell in row["breaks"].split(";")]
    except ValueError as error:
        return _problem(file, line, "wrong-cell", str(error))
    return decode_row(file, f"line {line}", row, Offer)


def _whole(name: str, cell: str) -> int:
    if not _NUMBER.fullmatch(cell):
        raise ValueError(f"{name}: {cell!r} is not a whole number")
    return int(cell)


def _break(cell: str) -> Table:
    match = _BREAK.fullmatch(cell)
    if match is None:
        raise ValueError(f"breaks: {cell!r} is not of the form packs:cost, such as 12:4.30")
    return {"packs": int(match[1]), "cost": match[2]}


def _problem(file: str, line: int, code: str, message: str) -> Problem:
    return Problem(file=file, record=f"line {line}", code=code, message=message)
