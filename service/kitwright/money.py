"""Money in whole minor units: exact, one currency at a time, rounded by one function.

No value here is a `float`, and none passes through a `decimal` context, because its precision could
round without notice. Selling prices, totals and shares of minutes all use `round_ratio` and
`apportion`.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from math import lcm
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Exact = Fraction | Decimal | int
"""A number whose arithmetic here is exact."""

_TWO_DIGITS: Final = """
    AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV BRL BSD BTN BWP BYN BZD CAD CDF
    CHE CHF CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD
    GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL
    MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR
    PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP
    TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST XAD XCD XCG YER ZAR ZMW ZWG
"""
_ZERO_DIGITS: Final = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"
_THREE_DIGITS: Final = "BHD IQD JOD KWD LYD OMR TND"
_FOUR_DIGITS: Final = "CLF UYW"

_DIGITS: Final[dict[str, int]] = {
    code: places
    for places, codes in (
        (0, _ZERO_DIGITS),
        (2, _TWO_DIGITS),
        (3, _THREE_DIGITS),
        (4, _FOUR_DIGITS),
    )
    for code in codes.split()
}
"""ISO 4217 list one as of 1 January 2026. Left out: the codes without a minor unit (metals, bond
market units, XDR, XSU, XUA, XTS, XXX), which no shop is paid in."""


class MoneyError(KitwrightError):
    """An amount that cannot be made or computed with."""

    code = "money-error"


class UnknownCurrency(MoneyError):
    """A code that is not a current currency of ISO 4217 with a minor unit."""

    code = "unknown-currency"

    def __init__(self, currency: str) -> None:
        super().__init__(f"{currency!r} is not a current ISO 4217 currency code")
        self.currency = currency


class MixedCurrencies(MoneyError):
    """Amounts of different currencies were added, subtracted or compared."""

    code = "mixed-currencies"

    def __init__(self, first: str, second: str) -> None:
        super().__init__(f"{first} and {second} cannot be combined")
        self.first = first
        self.second = second


class WeightsInvalid(MoneyError):
    """Weights that nothing can be shared by: one is negative, or there are none."""

    code = "weights-invalid"

    def __init__(self, whole: int, weights: Sequence[Fraction | int]) -> None:
        super().__init__(
            f"{whole} cannot be shared by {len(weights)} weights: "
            "at least one is needed, and none may be negative"
        )
        self.whole = whole
        self.weights = tuple(weights)


class SharesInvalid(MoneyError):
    """Exact shares whose sum is not the number to be shared."""

    code = "shares-invalid"

    def __init__(self, whole: int, exact: Fraction) -> None:
        super().__init__(f"shares of {exact} in all are not the parts of {whole}")
        self.whole = whole
        self.exact = exact


class BaseQuantityInvalid(MoneyError):
    """A base quantity of a unit price that is not above zero."""

    code = "base-quantity-invalid"

    def __init__(self, base_quantity: Exact) -> None:
        super().__init__(f"a price for a quantity of {base_quantity} has no meaning")
        self.base_quantity = base_quantity


class CashIncrementInvalid(MoneyError):
    """A cash increment that is not a positive whole number of minor units."""

    code = "cash-increment-invalid"

    def __init__(self, increment: Decimal, currency: str) -> None:
        super().__init__(
            f"{increment} {currency} is not a positive whole number of the smallest unit"
        )
        self.increment = increment
        self.currency = currency


class RoundMode(StrEnum):
    """The rule by which an amount between two minor units is rounded.

    A negative amount is rounded like the positive one, with the sign changed, so that a credit
    cancels its charge exactly. So `half_up` rounds a half away from zero, and `down` rounds towards
    zero.
    """

    half_up = "half_up"
    half_even = "half_even"
    down = "down"


# the way to a member through its class takes a third of a rounding
_HALF_UP: Final = RoundMode.half_up


def digits(currency: str) -> int:
    """Return the number of decimal digits of a currency's minor unit: 0, 2, 3 or 4.

    Source: ISO 4217, not CLDR, whose digits are for display only.

    Raises: UnknownCurrency.
    """
    try:
        return _DIGITS[currency]
    except KeyError:
        raise UnknownCurrency(currency) from None


def round_minor(value: Exact, mode: RoundMode = RoundMode.half_up) -> int:
    """Return a value rounded to a whole number by a mode.

    Negative values are rounded like positive ones, with the sign changed:

    >>> round_minor(Decimal("2.5")), round_minor(Decimal("-2.5"))
    (3, -3)
    >>> round_minor(Decimal("2.5"), RoundMode.half_even)
    2
    """
    top, bottom = value.as_integer_ratio()
    return round_ratio(top, bottom, mode)


def round_ratio(top: int, bottom: int, mode: RoundMode = RoundMode.half_up) -> int:
    """Return top / bottom rounded to a whole number; `bottom` has to be above zero.

    All rounding of money is done here: for `round_minor`, `Money.of`, lines, taxes and cash totals.
    """
    whole, rest = divmod(abs(top), bottom)
    if mode is _HALF_UP:
        is_up = 2 * rest >= bottom
    elif mode is RoundMode.half_even:
        is_up = 2 * rest > bottom or (2 * rest == bottom and whole % 2 == 1)
    else:
        is_up = False
    size = whole + is_up
    return -size if top < 0 else size


class Money(Struct, frozen=True, gc=False):
    """An amount of one currency, in whole minor units (cents; yen; thousandths of a dinar).

    Amounts of two currencies are never equal, and adding or comparing them raises MixedCurrencies.

    Raises: UnknownCurrency, if ISO 4217 lists no minor unit for the code.
    """

    minor: int
    currency: str

    def __post_init__(self) -> None:
        """Refuse a currency whose minor unit is not known."""
        if self.currency not in _DIGITS:
            raise UnknownCurrency(self.currency)

    @classmethod
    def of(cls, amount: Exact, currency: str, mode: RoundMode = RoundMode.half_up) -> Money:
        """Return an amount in major units (dollars), rounded once to the minor unit.

        >>> Money.of(Decimal("2.675"), "USD")
        Money(minor=268, currency='USD')
        >>> Money.of(Decimal("2.675"), "JPY").amount_text
        '3'

        Raises: UnknownCurrency.
        """
        top, bottom = amount.as_integer_ratio()
        scale: int = 10 ** digits(currency)
        return cls(round_ratio(top * scale, bottom, mode), currency)

    @property
    def amount(self) -> Decimal:
        """The amount in major units, exact, with all digits of the currency."""
        return Decimal(self.amount_text)

    @property
    def amount_text(self) -> str:
        """The amount in major units as a plain string with all digits of the currency: "129.50"."""
        places = _DIGITS[self.currency]
        if not places:
            return str(self.minor)
        whole, rest = divmod(abs(self.minor), 10**places)
        sign = "-" if self.minor < 0 else ""
        return f"{sign}{whole}.{rest:0{places}d}"

    def __add__(self, other: Money) -> Money:
        """Return the sum."""
        return Money(self.minor + self._same(other), self.currency)

    def __sub__(self, other: Money) -> Money:
        """Return the difference."""
        return Money(self.minor - self._same(other), self.currency)

    def __neg__(self) -> Money:
        """Return the amount with the opposite sign."""
        return Money(-self.minor, self.currency)

    def __lt__(self, other: Money) -> bool:
        """Return whether this amount is less than another of the same currency."""
        return self.minor < self._same(other)

    def __le__(self, other: Money) -> bool:
        """Return whether this amount is at most another of the same currency."""
        return self.minor <= self._same(other)

    def __gt__(self, other: Money) -> bool:
        """Return whether this amount is greater than another of the same currency."""
        return self.minor > self._same(other)

    def __ge__(self, other: Money) -> bool:
        """Return whether this amount is at least another of the same currency."""
        return self.minor >= self._same(other)

    def _same(self, other: Money) -> int:
        if other.currency != self.currency:
            raise MixedCurrencies(self.currency, other.currency)
        return other.minor


def total(moneys: Iterable[Money], currency: str) -> Money:
    """Return the sum of amounts of one currency; zero in that currency if there are none.

    Raises: MixedCurrencies, UnknownCurrency.
    """
    minor = 0
    for money in moneys:
        if money.currency != currency:
            raise MixedCurrencies(currency, money.currency)
        minor += money.minor
    return Money(minor, currency)


def share(whole: int, weights: Sequence[Fraction | int]) -> tuple[int, ...]:
    """Return a whole number split by weights into whole parts, in order; their sum is the number.

    The method is the largest remainder. Each part is its exact share rounded down; the rest goes,
    one by one, to the largest remainders, and in a tie to the earlier part. A negative number is
    split like the positive one, with the signs changed. If all weights are zero, they count as
    equal. Used for minutes as well as minor units.

    Args:
        whole: the number to split, of either sign.
        weights: zero or above, in any unit. A part of weight zero gets zero, unless all are zero.

    >>> share(100, [1, 1, 1])
    (34, 33, 33)

    Raises: WeightsInvalid, if a weight is negative, or if there are no weights.
    """
    if not weights:
        if whole:
            raise WeightsInvalid(whole, weights)
        return ()
    if min(weights) < 0:
        raise WeightsInvalid(whole, weights)
    scale = lcm(*(weight.denominator for weight in weights))
    scaled = [weight.numerator * (scale // weight.denominator) for weight in weights]
    weight_sum = sum(scaled)
    if not weight_sum:
        scaled, weight_sum = [1] * len(weights), len(weights)
    return apportion(whole, [whole * weight for weight in scaled], weight_sum)


def apportion(whole: int, tops: Sequence[int], bottom: int) -> tuple[int, ...]:
    """Return whole parts whose sum is a whole number, each less than one from its exact share.

    This is the largest remainder for shares of either sign, such as charges and credits of one
    document. Each part is its share rounded down; the rest goes, one by one, to the largest
    remainders, and in a tie to the earlier part. A share that is a whole number, including zero,
    keeps its value. If the signs of all shares change, so do the signs of all parts.

    Args:
        whole: the sum of the parts; it differs from the sum of the shares by less than one.
        tops: the shares' numerators.
        bottom: their common denominator, above zero.

    >>> apportion(7, [30, 31, 9], 10)  # exact shares 3.0, 3.1 and 0.9
    (3, 3, 1)

    Raises: SharesInvalid, if the shares' sum differs from `whole` by one or more.
    """
    if abs(sum(tops) - whole * bottom) >= bottom:
        raise SharesInvalid(whole, Fraction(sum(tops), bottom))
    is_mirrored = whole < 0 or (whole == 0 and next((top for top in tops if top), 0) < 0)
    if is_mirrored:
        tops = [-top for top in tops]
    parts = [top // bottom for top in tops]
    left = abs(whole) - sum(parts)
    if left:
        rests = [top % bottom for top in tops]
        # sorted() is stable, also in reverse, so in a tie the earlier part comes first
        for index in sorted(range(len(parts)), key=rests.__getitem__, reverse=True)[:left]:
            parts[index] += 1
    return tuple([-part for part in parts]) if is_mirrored else tuple(parts)


def line_amount(
    quantity: Exact,
    unit_price: Exact,
    base_quantity: Exact = 1,
    allowances: Exact = 0,
    *,
    currency: str,
) -> Money:
    """Return the printed amount of a line: quantity x unit price / base quantity - allowances.

    Rounded once, half up. Source: EN 16931 and Peppol BIS Billing 3.0, rule R120.

    Args:
        quantity: in the unit of the line; negative on a return.
        unit_price: the price of `base_quantity`, in major units, with any number of digits.
        base_quantity: above zero.
        allowances: the amount taken off the line, in major units; negative for a charge.
        currency: of the price, the allowances and the result.

    Raises: BaseQuantityInvalid, UnknownCurrency.
    """
    base_top, base_bottom = base_quantity.as_integer_ratio()
    if base_top <= 0:
        raise BaseQuantityInvalid(base_quantity)
    # whole numbers instead of Fraction, as this runs for every line of every quote
    quantity_top, quantity_bottom = quantity.as_integer_ratio()
    price_top, price_bottom = unit_price.as_integer_ratio()
    top = quantity_top * price_top * base_bottom
    bottom = quantity_bottom * price_bottom * base_top
    scale: int = 10 ** digits(currency)
    if allowances:
        off_top, off_bottom = allowances.as_integer_ratio()
        top, bottom = top * off_bottom - off_top * bottom, bottom * off_bottom
    return Money(round_ratio(scale * top, bottom), currency)


def cash_round(money: Money, increment: Decimal) -> Money:
    """Return the amount to pay in cash: the nearest multiple of an increment, half up.

    It applies to a total after tax, never to lines; the difference is printed as cash rounding.

    Args:
        money: the total.
        increment: the smallest coin in major units, such as 0.05.

    >>> cash_round(Money.of(Decimal("12.38"), "CAD"), Decimal("0.05")).amount_text
    '12.40'

    Raises: CashIncrementInvalid, if the increment is not a positive whole number of minor units.
    """
    top, bottom = increment.as_integer_ratio()
    scale: int = 10 ** digits(money.currency)
    coin, rest = divmod(top * scale, bottom)
    if coin <= 0 or rest:
        raise CashIncrementInvalid(increment, money.currency)
    return Money(round_ratio(money.minor, coin) * coin, money.currency)
