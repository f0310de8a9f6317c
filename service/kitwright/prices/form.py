"""Form: which column of a price file is where, and how its amounts are written."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import islice
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import DecimalSign, PriceColumn
from kitwright.prices.amount import find_decimal_sign
from kitwright.prices.cells import Cells, Line, NumberCell
from kitwright.prices.record import FileInvalid, Terms
from kitwright.prices.words import break_of, column_of, folded

_HEAD_WITHIN: Final = 30
"""The row of headings is among the first rows that are not empty."""
_JUDGED: Final = 3_000
"""Rows by which the decimal sign is judged."""
_PRICES: Final = (PriceColumn.cost, PriceColumn.cost_each, PriceColumn.list_price)
_AMOUNTS: Final = (*_PRICES, PriceColumn.core)


class Form(Struct, frozen=True, kw_only=True):
    """The form of one price file.

    `head` is the line of the headings, `headings` are all of them. `places` has the index of each
    column, `breaks` the indexes of the packs and the price of each price break.
    """

    head: int
    headings: tuple[str, ...]
    places: Mapping[PriceColumn, int]
    breaks: tuple[tuple[int, int], ...]
    decimal: DecimalSign | None


def find_form(cells: Cells, terms: Terms) -> Form:
    """Return the form of a price file of a supplier. Raises: FileInvalid."""
    given = terms.form
    rows = islice(cells.rows(), _JUDGED)
    seen: list[Line] = []
    for line in rows:
        if len(seen) == _HEAD_WITHIN:
            break
        seen.append(line)
        places = _places(line.cells, given.columns)
        if _is_head(places, terms):
            breaks = _breaks(line.cells)
            of_amounts = [places[each] for each in _AMOUNTS if each in places]
            of_amounts += [price for _, price in breaks]
            amounts = [
                row.cells[at]
                for row in rows
                for at in of_amounts
                if at < len(row.cells) and not isinstance(row.cells[at], NumberCell)
            ]
            return Form(
                head=line.number,
                headings=tuple(line.cells),
                places=places,
                breaks=breaks,
                decimal=given.decimal or _decimal(amounts, cells.delimiter),
            )
    raise _headless(seen, terms)


def _is_head(places: Mapping[PriceColumn, int], terms: Terms) -> bool:
    has_number = PriceColumn.number in places or PriceColumn.maker_number in places
    is_priced = PriceColumn.cost in places or PriceColumn.cost_each in places
    if PriceColumn.list_price in places and terms.default_cost_percent is not None:
        is_priced = True
    return has_number and is_priced


def _places(cells: list[str], given: Mapping[PriceColumn, str]) -> dict[PriceColumn, int]:
    """Return the index of each column; the first that has a heading counts."""
    places: dict[PriceColumn, int] = {}
    names = [folded(cell) for cell in cells]
    for column, heading in given.items():
        if folded(heading) in names:
            places[column] = names.index(folded(heading))
    taken = set(places.values())
    for at, cell in enumerate(cells):
        column_found = column_of(cell) if cell else None
        if at not in taken and column_found is not None and column_found not in given:
            places.setdefault(column_found, at)
    return places


def _breaks(cells: list[str]) -> tuple[tuple[int, int], ...]:
    found: dict[int, dict[bool, int]] = {}
    for at, cell in enumerate(cells):
        one = break_of(cell)
        if one is not None:
            found.setdefault(one[0], {}).setdefault(one[1], at)
    return tuple((both[False], both[True]) for _, both in sorted(found.items()) if len(both) == 2)


def _decimal(amounts: list[str], delimiter: str | None) -> DecimalSign | None:
    """Return the decimal sign of some amounts, None if it is not known and must not be guessed."""
    found, is_undecided = find_decimal_sign(amounts)
    if found is not None or is_undecided:
        return found
    # they are whole numbers so far; the delimiter tells what a later one will use
    return {",": DecimalSign.point, ";": DecimalSign.comma}.get(delimiter or "")


def _headless(seen: list[Line], terms: Terms) -> FileInvalid:
    best = max(seen, key=lambda line: len(_places(line.cells, terms.form.columns)), default=None)
    if best is None:
        return FileInvalid("the file has no rows")
    found = _places(best.cells, terms.form.columns)
    missing = [
        told
        for told, is_there in (
            ("a part number", {PriceColumn.number, PriceColumn.maker_number} & found.keys()),
            ("a price", found.keys() & {PriceColumn.cost, PriceColumn.cost_each}),
        )
        if not is_there
    ]
    needed = " and ".join(missing) or "a row of headings"
    shown = ", ".join(repr(cell[:40]) for cell in best.cells[:20] if cell)
    reason = (
        f"no column for {needed} is recognised among {shown}: give the headings in the file of "
        f"supplier {terms.supplier} (price_file.columns)"
    )
    return FileInvalid(reason, line=best.number)
