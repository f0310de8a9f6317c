"""Amount: amounts and counts as people and spreadsheets write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from kitwright.catalogue.model import DecimalSign
from kitwright.errors import KitwrightError
from kitwright.prices.cells import DateCell, NumberCell
from kitwright.prices.record import SCALE
from kitwright.prices.words import ON_REQUEST

MOST: Final = 10_000_000
"""No price is above this; an amount above it is a part number in the wrong column."""
_MOST_COUNT: Final = 1_000_000
_PLACES: Final = 6
_POWERS: Final[tuple[int, ...]] = tuple(10 ** (_PLACES - places) for places in range(_PLACES + 1))
_SHORT: Final = 8
"""Fewer digits than this are certainly not above `MOST`."""

_SPACES: Final = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_CURRENCIES: Final = {
    "$": ("USD", "CAD", "AUD", "NZD"),
    "US$": ("USD",),
    "£": ("GBP",),
    "€": ("EUR",),
    "EURO": ("EUR",),
    "KR": ("SEK", "NOK", "DKK"),
    "FR": ("CHF",),
    "SFR": ("CHF",),
    "ZŁ": ("PLN",),
    "KČ": ("CZK",),
}
"""Signs of currencies -> the currencies that use them; besides, each code of ISO 4217 is one."""
_MONEY: Final = re.compile(r"([^\d\s.,'’+-]*)([+-]?[\d.,'’]*\d[.,]?-{0,2})([^\d\s.,'’+-]*\.?)")
_NUMBERS: Final = {
    DecimalSign.point: re.compile(
        r"(?P<whole>\d{1,3}(?:,\d{3})+|\d{1,3}(?:['’]\d{3})+|\d+)?(?:\.(?P<parts>\d*))?", re.ASCII
    ),
    DecimalSign.comma: re.compile(
        r"(?P<whole>\d{1,3}(?:\.\d{3})+|\d{1,3}(?:['’]\d{3})+|\d+)?(?:,(?P<parts>\d*))?", re.ASCII
    ),
}
_SIGNS: Final = {DecimalSign.point: ".", DecimalSign.comma: ","}
_DECISIVE: Final = (
    # what can be read in one way only: other than three digits after the only sign, or both signs
    (re.compile(r"\d+\.(?:\d{1,2}|\d{4,})|\d{1,3}(?:,\d{3})+\.\d*|0\.\d+"), DecimalSign.point),
    (re.compile(r"\d+,(?:\d{1,2}|\d{4,})|\d{1,3}(?:\.\d{3})+,\d*|0,\d+"), DecimalSign.comma),
    (re.compile(r"\d{1,3}(?:,\d{3}){2,}"), DecimalSign.point),
    (re.compile(r"\d{1,3}(?:\.\d{3}){2,}"), DecimalSign.comma),
)
_UNDECIDED: Final = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
_COUNT: Final = re.compile(r"[<>~]?\s*(\d{1,9})(?:[.,]0*)?\s*\+?(?:\s*[^\W\d]{1,12}\.?)?", re.ASCII)
_FORMULA: Final = re.compile(r"#[A-ZÄÖÜ/0]+[!?]|#N/A|#NV|#####*")
_EXPONENT: Final = re.compile(r"[\d.,]+E[+-]?\d+", re.IGNORECASE)


class CellError(KitwrightError):
    """A cell that can't be read; the message is the reason."""

    code = "cell-invalid"

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(reason)
        self.code = code


def check_formula(cell: str) -> None:
    """Raise if a cell shows the error of a formula. Raises: CellError."""
    if cell.startswith("#") and _FORMULA.fullmatch(cell):
        raise CellError("formula-error", "the spreadsheet shows an error here")


def find_decimal_sign(cells: Iterable[str]) -> tuple[DecimalSign | None, bool]:
    """Return the decimal sign that some amounts use, None if they use none or both alike, and
    whether an amount among them can be read in two ways.
    """
    counted = {DecimalSign.point: 0, DecimalSign.comma: 0}
    is_undecided = False
    for cell in cells:
        match = _MONEY.fullmatch(_SPACES.sub("", cell))
        if match is None:
            continue
        number = match[2].lstrip("+-").rstrip("-")
        is_undecided = is_undecided or _UNDECIDED.fullmatch(number) is not None
        for pattern, sign in _DECISIVE:
            if pattern.fullmatch(number):
                counted[sign] += 1
                break
    point, comma = counted.values()
    if point == comma:
        return None, is_undecided
    return (DecimalSign.point if point > comma else DecimalSign.comma), is_undecided


class AmountReader:
    """Reads amounts in one currency, written with one decimal sign.

    `decimal` None means that no amount has parts of a unit, as far as the file was looked at.
    """

    def __init__(self, currency: str, decimal: DecimalSign | None) -> None:
        self._currency = currency
        self._decimal = decimal
        self._sign = _SIGNS[decimal or DecimalSign.point]
        self._number = _NUMBERS[decimal or DecimalSign.point]

    def read(self, cell: str) -> int | None:
        """Return an amount in millionths, None for a word such as "on request".

        Raises: CellError.
        """
        # nearly all amounts are digits with a decimal sign
        whole, sign, parts = cell.partition(self._sign)
        digits = whole + parts
        if digits.isdigit() and cell.isascii() and len(whole) < _SHORT and len(parts) <= _PLACES:
            if parts:
                if self._decimal is not None and whole:
                    return int(digits) * _POWERS[len(parts)]
            elif not sign:
                return int(digits) * SCALE
        return self._read(cell)

    def _read(self, cell: str) -> int | None:
        if isinstance(cell, NumberCell):
            return _of_sheet(cell)
        if isinstance(cell, DateCell):
            raise CellError("date", "a date: the spreadsheet took an amount for it")
        if cell.casefold() in ON_REQUEST:
            return None
        check_formula(cell)
        if _EXPONENT.fullmatch(cell):
            raise CellError("exponent", "not an amount: the spreadsheet has shortened a number")
        match = _MONEY.fullmatch(_SPACES.sub("", cell))
        if match is None:
            raise CellError("not-an-amount", "not an amount of money")
        before, number, after = match.groups()
        for name in (before, after):
            self._check_currency(name)
        number = number.removesuffix("--").removesuffix("-") if number[0] != "-" else number
        if number.startswith("-"):
            raise CellError("negative", "an amount below zero")
        number = number.removeprefix("+")
        if self._decimal is None and _UNDECIDED.fullmatch(number):
            raise _undecided(cell)
        found = self._number.fullmatch(number)
        if found is None:
            raise CellError("other-decimal-sign", self._other_sign())
        return _scaled((found["whole"] or "0").translate(_GROUPING), found["parts"] or "")

    def _other_sign(self) -> str:
        if self._decimal is None:
            return "not an amount of money"
        return f"the amounts of this file have a decimal {self._decimal.value}"

    def _check_currency(self, name: str) -> None:
        folded = name.upper().rstrip(".")
        if not folded:
            return
        known = _CURRENCIES.get(folded)
        if known is None and re.fullmatch("[A-Z]{3}", folded):
            known = (folded,)
        if known is None:
            raise CellError("not-an-amount", f"not an amount of money: {name!r} is not a currency")
        if self._currency not in known:
            reason = f"an amount in {known[0]}; the supplier sells in {self._currency}"
            raise CellError("other-currency", reason)


def _of_sheet(cell: str) -> int:
    whole, _, parts = cell.partition(".")
    if whole.startswith("-"):
        raise CellError("negative", "an amount below zero")
    # a sheet computes with binary numbers: what is beyond a millionth is their noise
    return _scaled(whole, parts[:_PLACES])


_GROUPING: Final = str.maketrans("", "", ".,'’")


def _undecided(cell: str) -> CellError:
    reason = (
        f"{cell} can be read in two ways: give the supplier's decimal sign (price_file.decimal)"
    )
    return CellError("decimal-sign-unknown", reason)


def _scaled(whole: str, parts: str) -> int:
    if len(parts) > _PLACES:
        if parts[_PLACES:].strip("0"):
            raise CellError("too-exact", f"an amount has at most {_PLACES} decimal places")
        parts = parts[:_PLACES]
    if len(whole) > 12:
        raise CellError("too-large", f"an amount above {MOST}")
    amount = int(whole) * SCALE + (int(parts) * 10 ** (_PLACES - len(parts)) if parts else 0)
    if amount > MOST * SCALE:
        raise CellError("too-large", f"an amount above {MOST}")
    return amount


def read_count(cell: str, least: int) -> int:
    """Return a whole number that may have a unit after it, such as `10 pcs`, `>50` or `25+`.

    Raises: CellError.
    """
    match = _COUNT.fullmatch(_SPACES.sub(" ", cell).strip())
    if match is None:
        raise CellError("not-a-count", "not a whole number")
    number = int(match[1])
    if number < least:
        raise CellError("too-small", f"at least {least}")
    if number > _MOST_COUNT:
        raise CellError("too-large", f"at most {_MOST_COUNT}")
    return number


def amount_text(amount: int) -> str:
    """Return an amount in millionths as a decimal number.

    >>> amount_text(12_500_000), amount_text(12_345)
    ('12.50', '0.012345')
    """
    whole, parts = divmod(amount, SCALE)
    return f"{whole}.{f'{parts:06d}'.rstrip('0').ljust(2, '0')}"


def decimal_of(amount: int) -> Decimal:
    """Return an amount in millionths as an exact decimal number."""
    return Decimal(amount_text(amount))
