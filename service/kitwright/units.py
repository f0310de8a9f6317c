"""Exact decimals as people write them, and the units of quantities."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Final

from kitwright.errors import KitwrightError

_PLAIN_DECIMAL: Final = re.compile(r"-?(?:0|[1-9][0-9]{0,14})(?:\.[0-9]{1,12})?", re.ASCII)

REC20: Final[dict[str, str]] = {
    "piece": "C62",
    "set": "SET",
    "L": "LTR",
    "ml": "MLT",
    "g": "GRM",
    "can": "C62",
    "pad": "C62",
    "sheet": "C62",
    "minute": "MIN",
    "hour": "HUR",
    "km": "KMT",
}
"""Unit words of the catalogue -> codes of UN/ECE Recommendation 20; units that are only counted are
C62, "one".
"""


class PressureUnit(StrEnum):
    """The unit that a pressure gauge shows."""

    psi = "psi"
    kpa = "kPa"
    bar = "bar"


_KPA_IN: Final[dict[PressureUnit, Fraction]] = {
    # pound-force per square inch, both exact by definition
    PressureUnit.psi: Fraction("4.4482216152605") / Fraction("0.00064516") / 1000,
    PressureUnit.kpa: Fraction(1),
    PressureUnit.bar: Fraction(100),
}


def mixed(amount: Fraction) -> tuple[int, str | None]:
    """Return an amount, at least zero, as a whole number and a proper fraction, None if it is zero.

    >>> mixed(Fraction(7, 5))
    (1, '2/5')
    """
    whole, rest = divmod(amount, 1)
    return int(whole), str(rest) if rest else None


def unmixed(whole: int, fraction: str | None) -> Fraction:
    """Return the amount of a whole number and a fraction.

    >>> unmixed(1, "2/5")
    Fraction(7, 5)
    """
    return whole + Fraction(fraction or 0)


class NotAFigure(KitwrightError):
    """A text that is not a plain decimal number, although it should be."""

    code = "not-a-figure"

    def __init__(self, text: object) -> None:
        super().__init__(f'{text!r} is not a decimal number written as a string, such as "12.50"')
        self.text = text


class Figure(Decimal):
    """An exact decimal number that was written as a string: digits, at most one point, no exponent.

    `Decimal` itself takes "NaN", "1e400", " 1", "1_000" and the digits of other scripts; files
    and requests may not. At most 15 digits before the point and 12 after.
    """

    __slots__ = ()


def read_figure(text: object) -> Figure:
    """Return the decimal number that a string contains.

    >>> read_figure("12.50")
    Decimal('12.50')

    Raises: NotAFigure, for anything except a string of that plain form.
    """
    if type(text) is not str or not _PLAIN_DECIMAL.fullmatch(text):
        raise NotAFigure(text)
    return Figure(text)


def exact(value: Decimal | int) -> Fraction:
    """Return the same number as a fraction, so that no operation rounds it."""
    return Fraction(value)


_WHOLE: Final = tuple(map(Fraction, range(33)))


def ratio(top: int, bottom: int) -> Fraction:
    """Return top / bottom as a fraction; small whole numbers, the most frequent, are cached."""
    if bottom == 1 and 0 <= top < len(_WHOLE):
        return _WHOLE[top]
    return Fraction(top, bottom)


def decimal_text(value: Decimal | Fraction, most_places: int = 6) -> str:
    """Return a number as a plain decimal string without needless zeros.

    A fraction that needs more than `most_places` places (a third of a minute, say) is rounded to
    them, half up. The result is for display, not for further computation.

    >>> decimal_text(Decimal("12.500")), decimal_text(Fraction(1, 3), 3)
    ('12.5', '0.333')
    """
    if isinstance(value, Decimal):
        text = str(value)
        if text.isdecimal():
            return text
        # only very small and very large numbers are written with an exponent
        whole, _, places = (f"{value:f}" if "E" in text else text).partition(".")
        if len(places) <= most_places:
            # the everyday case: nothing to round
            places = places.rstrip("0")
            if places:
                return f"{whole}.{places}"
            return "0" if value == 0 else whole
    top, bottom = value.as_integer_ratio()
    if bottom == 1:
        return str(top)
    scale: int = 10**most_places
    scaled = (abs(top) * scale * 2 + bottom) // (bottom * 2)
    units, rest = divmod(scaled, scale)
    sign = "-" if top < 0 and scaled else ""
    places = f"{rest:0{most_places}d}".rstrip("0") if most_places else ""
    return f"{sign}{units}.{places}" if places else f"{sign}{units}"


def in_psi(value: Decimal | Fraction, unit: PressureUnit) -> Fraction:
    """Return a pressure in pounds per square inch, exactly."""
    return Fraction(value) * _KPA_IN[unit] / _KPA_IN[PressureUnit.psi]


def rounded(number: float, places: int = 4) -> Decimal:
    """Return a binary number as a decimal, rounded half up to a number of places; used for
    probabilities from the solver.
    """
    return Decimal(number).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def percent_text(value: Fraction) -> str:
    """Return a percentage with two decimal places, rounded half up; for display only.

    >>> percent_text(Fraction(5, 9) * 10)
    '5.56'
    """
    hundredths = (abs(value) * 200 + 1) // 2
    sign = "-" if value < 0 and hundredths else ""
    return f"{sign}{hundredths // 100}.{hundredths % 100:02d}"
