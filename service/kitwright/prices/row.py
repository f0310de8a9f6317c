"""Row: turns the cells of a row into an entry of the price book, or into the errors in it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any, Final

from kitwright.catalogue.model import Availability, PriceColumn
from kitwright.money import Money
from kitwright.prices.amount import AmountReader, CellError, check_formula, decimal_of, read_count
from kitwright.prices.cells import DateCell, Line
from kitwright.prices.form import Form
from kitwright.prices.record import SCALE, Entry, RowError, Terms
from kitwright.prices.words import AVAILABILITY, folded
from kitwright.units import exact

_LONGEST_NUMBER: Final = 64
_LONGEST_TEXT: Final = 1_000
_LONGEST_VALUE: Final = 80
_KNOWN: Final = 4_096
"""Values of a column that are remembered."""
_LOST: Final = "�"
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_EXPONENT: Final = re.compile(r"\d[.,]\d+E\+\d+", re.IGNORECASE)
_BREAK: Final = re.compile(r"(\d{1,9})\s*[:=x×@]\s*(.+)")
_LEAD: Final = re.compile(r"(?:\d{1,3}\s*(?:-|–|to|bis|à|a)\s*)?(\d{1,3})\s*([^\W\d]*)\.?")
_DAYS: Final = {
    "": 1, "d": 1, "day": 1, "days": 1, "tag": 1, "tage": 1, "tagen": 1, "at": 1, "wt": 1, "j": 1,
    "jour": 1, "jours": 1, "w": 5, "wk": 5, "week": 5, "weeks": 5, "woche": 5, "wochen": 5,
    "sem": 5, "semaine": 5, "semaines": 5, "month": 21, "months": 21, "monat": 21, "monate": 21,
    "mois": 21,
}  # fmt: skip
"""Unit of a lead time -> working days."""
_AT_ONCE: Final = frozenset(map(folded, ("24 h", "24h", "immediately", "sofort", "immédiat")))
_LONGEST_LEAD: Final = 730

Reader = Callable[[str], Any]


class RowReader:
    """Reads the rows of one price file of a supplier."""

    def __init__(self, form: Form, terms: Terms) -> None:
        self._form = form
        self._currency = terms.currency
        self._amounts = AmountReader(terms.currency, form.decimal)
        self._words = AVAILABILITY | {
            folded(word): meaning for word, meaning in terms.form.availability.items()
        }
        self._is_number = PriceColumn.number in form.places
        readers: dict[PriceColumn, Reader] = {
            PriceColumn.number: read_number,
            PriceColumn.maker: _remembered(read_text),
            PriceColumn.maker_number: read_number,
            PriceColumn.description: read_text,
            PriceColumn.list_price: self._amounts.read,
            PriceColumn.cost: self._amounts.read,
            PriceColumn.cost_each: self._amounts.read,
            PriceColumn.per: _remembered(lambda cell: read_count(cell, 1)),
            PriceColumn.pack: _remembered(lambda cell: read_count(cell, 1)),
            PriceColumn.minimum: _remembered(lambda cell: read_count(cell, 1)),
            PriceColumn.multiple: _remembered(lambda cell: read_count(cell, 1)),
            PriceColumn.breaks: self._read_breaks,
            PriceColumn.availability: _remembered(self._read_availability),
            PriceColumn.stock: _remembered(lambda cell: read_count(cell, 0)),
            PriceColumn.lead_days: _remembered(read_lead_days),
            PriceColumn.core: self._amounts.read,
            PriceColumn.superseded_by: read_number,
            PriceColumn.replaces: read_number,
        }
        self._columns = [(at, column.value, readers[column]) for column, at in form.places.items()]
        self._width = len(form.headings)
        percent = terms.default_cost_percent
        self._share = None if percent is None else exact(percent) / 100

    def read(self, line: Line) -> Entry | list[RowError]:
        """Return the entry of a row, or all errors in it."""
        cells = line.cells
        if len(cells) == self._width:
            # nearly every row has all cells, and no error
            try:
                return self._entry(
                    line, {name: read(cells[at]) for at, name, read in self._columns if cells[at]}
                )
            except CellError:
                return self._read_each(line)
        return self._read_each(line)

    def _read_each(self, line: Line) -> Entry | list[RowError]:
        """Return the entry of a row, or all errors in it; each cell is read by itself."""
        cells, count = line.cells, len(line.cells)
        errors: list[RowError] = []
        values: dict[str, Any] = {}
        for at, name, reader in self._columns:
            if at < count and (cell := cells[at]):
                try:
                    values[name] = reader(cell)
                except CellError as error:
                    errors.append(self._error(line, at, error))
        if count > self._width and any(cells[self._width :]):
            errors.append(self._beyond(line))
        if not errors:
            try:
                return self._entry(line, values)
            except _ColumnError as error:
                where = self._form.places.get(error.column)
                errors.append(self._error(line, where, error))
        return errors

    def _error(self, line: Line, at: int | None, error: CellError) -> RowError:
        is_there = at is not None and at < len(line.cells)
        return RowError(
            line=line.number,
            column=self._form.headings[at] if at is not None else "",
            value=line.cells[at][:_LONGEST_VALUE] if at is not None and is_there else "",
            code=error.code,
            reason=str(error),
        )

    def _beyond(self, line: Line) -> RowError:
        rest = next(cell for cell in line.cells[self._width :] if cell)
        return RowError(
            line=line.number,
            column="",
            value=rest[:_LONGEST_VALUE],
            code="too-many-cells",
            reason=f"cells: {len(line.cells)}; the row of headings has {self._width}",
        )

    def _entry(self, line: Line, values: dict[str, Any]) -> Entry:
        per = values.pop("per", None)
        each = values.pop("cost_each", None)
        number = values.get("number") or values.get("maker_number")
        if number is None:
            column = PriceColumn.number if self._is_number else PriceColumn.maker_number
            raise _ColumnError(column, "number-missing", "the part number is missing")
        values["number"] = number
        if not self._is_number:
            values.pop("maker_number")
        pack = values.get("pack", 1)
        has_cost = "cost" in values
        if has_cost and per is not None:
            values["cost"] = _per_pack(values["cost"], pack, per, PriceColumn.cost)
        elif not has_cost and (each is not None or self._is_each_given(line)):
            values["cost"] = _per_pack(each, pack, per or 1, PriceColumn.cost_each)
        elif not has_cost:
            values["cost"] = self._default_cost(values, pack)
        stock = values.get("availability")
        if type(stock) is int:
            values["availability"] = Availability.unknown
            values.setdefault("stock", stock)
        if "breaks" in values or self._form.breaks:
            values["breaks"] = self._breaks(line, values)
        if values.get("superseded_by") == number:
            del values["superseded_by"]
        return Entry(line=line.number, **values)

    def _is_each_given(self, line: Line) -> bool:
        """Return whether the cell of the price of one item is not empty: it says "on request"."""
        at = self._form.places.get(PriceColumn.cost_each)
        return at is not None and at < len(line.cells) and bool(line.cells[at])

    def _default_cost(self, values: dict[str, Any], pack: int) -> int | None:
        """Return the cost by the supplier's rule if a row has none.

        Raises: _ColumnError.
        """
        listed = values.get("list_price")
        is_superseded = values.get("superseded_by") is not None
        is_gone = values.get("availability") is Availability.discontinued
        if self._share is None or listed is None:
            if is_superseded or is_gone:
                return None
            column = PriceColumn.cost
            if column not in self._form.places:
                column = next(
                    each
                    for each in (PriceColumn.cost_each, PriceColumn.list_price)
                    if each in self._form.places
                )
            raise _ColumnError(column, "price-missing", "the price is missing")
        one = Money.of(exact(decimal_of(listed)) * self._share, self._currency).amount
        return int(one * SCALE) * pack

    def _read_availability(self, cell: str) -> Availability | int:
        """Return the meaning of a word, or a number in stock."""
        meaning = self._words.get(folded(cell))
        if meaning is not None:
            return meaning
        try:
            return read_count(cell, 0)
        except CellError:
            reason = (
                "an unknown word for availability: give its meaning in the supplier's file "
                "(price_file.availability)"
            )
            raise CellError("availability-unknown", reason) from None

    def _read_breaks(self, cell: str) -> tuple[tuple[int, int], ...]:
        found = []
        for each in re.split(r"[;|]", cell):
            match = _BREAK.fullmatch(each.strip())
            cost = None if match is None else self._amounts.read(match[2].strip())
            if match is None or cost is None:
                raise CellError("breaks-invalid", "not packs:price, such as 10:4.30;50:4.10")
            found.append((int(match[1]), cost))
        return tuple(found)

    def _breaks(self, line: Line, values: dict[str, Any]) -> tuple[tuple[int, int], ...]:
        """Return the price breaks of a row: those of one cell and those of pairs of columns.

        A break at one pack, or at the price before it, says nothing and is left out.

        Raises: _ColumnError.
        """
        given = list(values.get("breaks", ()))
        given += self._break_pairs(line)
        cost = values["cost"]
        if not given or cost is None:
            return ()
        least = [(packs, price) for packs, price in given if packs > 1 and price != cost]
        prices = [cost, *(price for _, price in least)]
        if any(a[0] >= b[0] for a, b in pairwise(least)) or any(
            a <= b for a, b in pairwise(prices)
        ):
            reason = "price breaks must ascend in packs and fall in price"
            raise _ColumnError(PriceColumn.breaks, "breaks-invalid", reason)
        return tuple(least)

    def _break_pairs(self, line: Line) -> Iterator[tuple[int, int]]:
        cells = line.cells
        for at_packs, at_price in self._form.breaks:
            if at_packs < len(cells) and at_price < len(cells) and cells[at_price]:
                try:
                    packs, price = (
                        read_count(cells[at_packs], 0),
                        self._amounts.read(cells[at_price]),
                    )
                except CellError as error:
                    raise _ColumnError(PriceColumn.breaks, error.code, str(error)) from None
                if packs and price is not None:
                    yield packs, price


class _ColumnError(CellError):
    """An error of a row that belongs to a column."""

    def __init__(self, column: PriceColumn, code: str, reason: str) -> None:
        super().__init__(code, reason)
        self.column = column


def _per_pack(price: int | None, pack: int, per: int, column: PriceColumn) -> int | None:
    """Return the cost of a pack by the price of some items."""
    if price is None:
        return None
    cost = Fraction(price * pack, per)
    if cost.denominator != 1:
        raise _ColumnError(column, "too-exact", f"{pack} of {per} items have no exact price")
    return cost.numerator


def read_text(cell: str) -> str:
    """Return a text. Raises: CellError."""
    if cell.isprintable() and len(cell) <= _LONGEST_TEXT and "  " not in cell and _LOST not in cell:
        # nearly every text
        return cell
    if len(cell) > _LONGEST_TEXT:
        raise CellError("too-long", f"longer than {_LONGEST_TEXT} characters")
    if _LOST in cell:
        raise CellError("not-text", "bytes that are no letters in the file's encoding")
    return " ".join(cell.split()) if _CONTROL.search(cell) is None else _control()


def _control() -> str:
    raise CellError("control-character", "a control character")


def read_number(cell: str) -> str:
    """Return a part number. Raises: CellError."""
    if (
        type(cell) is str
        and cell.isascii()
        and cell.replace("-", "").isalnum()
        and len(cell) <= _LONGEST_NUMBER
    ):
        # nearly every number
        return cell
    if len(cell) > _LONGEST_NUMBER:
        raise CellError("too-long", f"longer than {_LONGEST_NUMBER} characters")
    if isinstance(cell, DateCell):
        raise CellError("date", "a date: the spreadsheet took a part number for it")
    if _EXPONENT.fullmatch(cell):
        raise CellError("exponent", "not a part number: the spreadsheet has shortened it")
    check_formula(cell)
    found = read_text(cell)
    if not any(map(str.isalnum, found)):
        raise CellError("number-invalid", "a part number has letters or digits")
    return found


def read_lead_days(cell: str) -> int:
    """Return a lead time in working days; of "3-5 days", the longer. Raises: CellError."""
    if folded(cell) in _AT_ONCE:
        return 1
    match = _LEAD.fullmatch(cell.casefold().strip())
    days = None if match is None else _DAYS.get(match[2])
    if match is None or days is None:
        raise CellError("lead-time-invalid", "not a lead time, such as 3, 3 days or 2 weeks")
    found = int(match[1]) * days
    if found > _LONGEST_LEAD:
        raise CellError("too-large", f"more than {_LONGEST_LEAD} working days")
    return found


class _Known(dict[str, Any]):
    """The values of the cells of a column that were read; most repeat."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def __missing__(self, cell: str) -> Any:
        if len(self) >= _KNOWN:
            self.clear()
        value = self[cell] = self._reader(cell)
        return value


def _remembered(reader: Reader) -> Reader:
    """Return a reader that remembers the values of the cells that it reads most often."""
    return _Known(reader).__getitem__
