"""Adjustment: the lines after the counter's overrides, added lines and discounts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from msgspec import structs

from kitwright.catalogue.model import ChargeKind
from kitwright.errors import KitwrightError
from kitwright.money import Money, apportion, line_amount, round_ratio, share
from kitwright.stages.price.covering import Share, cover_lines
from kitwright.stages.price.line import (
    DIAGNOSTIC_CREDIT,
    DIAGNOSTIC_FEE,
    Computed,
    LineKind,
    PricedLine,
    price_line,
)
from kitwright.stages.request import (
    BelowZero,
    Discount,
    FreeLine,
    LineRef,
    PriceOverride,
    RequestFault,
    RequestRefused,
    Terms,
)
from kitwright.stages.why import Fact, Why

DISCOUNT = "discount"
_ONE: Final = Decimal(1)
_KIND: Final = LineKind.discount


class LineNotFound(RequestFault):
    """A change of a line that the quote does not have, or has more than once."""

    code = "line-not-found"

    def __init__(self, line: LineRef, found: Sequence[PricedLine], there: Sequence[str]) -> None:
        self.line = line
        self.found = len(found)
        wanted = " ".join(
            str(each)
            for each in (line.kind, line.code, line.cylinder, line.labour_class)
            if each is not None
        )
        more = "add kind, cylinder or labour_class to tell them apart"
        told = (
            f"{len(found)} lines match {wanted}: {more}" if found else f"no line matches {wanted}"
        )
        super().__init__(f"{told}; the quote has {', '.join(there)}")


class CreditOutOfRange(RequestFault):
    """A manual change that increases a credit or turns it into a charge."""

    code = "credit-out-of-range"

    def __init__(self, computed: Decimal) -> None:
        super().__init__(
            f"this credit can only be set between {computed} and 0; give anything more as a "
            "discount"
        )
        self.computed = computed


class DiscountTooLarge(RequestFault):
    """A discount of more than the amount that it reduces."""

    code = "discount-too-large"

    def __init__(self, asked: Money, most: Money) -> None:
        super().__init__(
            f"a discount of {asked.amount_text} is more than the amount it reduces, "
            f"{most.amount_text}"
        )
        self.asked = asked
        self.most = most


def adjust_lines(
    lines: Sequence[PricedLine],
    terms: Terms,
    currency: str,
    borne: Sequence[Share] = (),
) -> tuple[PricedLine, ...]:
    """Return the lines with overridden prices, added ones, allowances and discounts, in this order.

    Overrides come first, then added lines, then allowances for the share of each line that is
    `borne` by the shop, then discounts of lines, then discounts of the entire quote on the
    remaining amounts. A discount of the entire quote does not reduce refundable
    deposits. It is printed as one line for each charge kind that it reduces, so that it has their
    tax.

    Raises: RequestRefused, naming every change that fits no line or takes off too much.
    """
    faults: list[KitwrightError] = []
    changed = list(lines)
    for index, override in enumerate(terms.overrides):
        if isinstance(override, PriceOverride):
            _override(changed, override, index, faults)
    changed += [
        _free_line(free, number, currency) for number, free in enumerate(terms.free_lines, start=1)
    ]
    left = [line.amount.minor for line in changed]
    discounts = [*cover_lines(changed, left, borne, currency)]
    discounts += _line_discounts(changed, left, terms, currency, faults)
    _follow_fee(changed, left)
    discounts += _quote_discounts(changed, left, terms, currency, faults)
    if faults:
        raise RequestRefused(faults)
    return (*changed, *discounts)


def _follow_fee(lines: list[PricedLine], left: list[int]) -> None:
    """Limit the credit for the diagnosis to the amount still charged for it."""
    places = {line.code: place for place, line in enumerate(lines)}
    fee, credit = places.get(DIAGNOSTIC_FEE), places.get(DIAGNOSTIC_CREDIT)
    if fee is None or credit is None or -left[credit] <= left[fee]:
        return
    line = lines[credit]
    amount = Money(-left[fee], line.amount.currency)
    lines[credit] = structs.replace(
        line,
        unit_price=amount.amount,
        base_quantity=line.quantity,
        amount=amount,
        computed=line.computed or _computed(line),
        why=(*line.why, Why("credit-follows-fee")),
    )
    left[credit] = amount.minor


def _computed(line: PricedLine) -> Computed:
    return Computed(
        unit_price=line.unit_price, base_quantity=line.base_quantity, amount=line.amount
    )


def _find(
    lines: Sequence[PricedLine], wanted: LineRef, faults: list[KitwrightError], *path: str | int
) -> int | None:
    """Return the place of the one line that is meant. If there is not exactly one, add an error and
    return None.
    """
    places = [place for place, line in enumerate(lines) if _is_meant(line, wanted)]
    if len(places) == 1:
        return places[0]
    there = [line.code for line in lines]
    found = [lines[place] for place in places]
    faults.append(LineNotFound(wanted, found, tuple(dict.fromkeys(there))).at(*path))
    return None


def _is_meant(line: PricedLine, wanted: LineRef) -> bool:
    cylinder = None if line.operation is None else line.operation[1] or None
    return (
        line.code == wanted.code
        and (wanted.kind is None or line.kind.value == wanted.kind)
        and (wanted.cylinder is None or cylinder == wanted.cylinder)
        and (wanted.labour_class is None or line.labour_class == wanted.labour_class)
    )


def _override(
    lines: list[PricedLine], override: PriceOverride, index: int, faults: list[KitwrightError]
) -> None:
    place = _find(lines, override.line, faults, "overrides", index, "line")
    if place is None:
        return
    line = lines[place]
    is_credit = line.unit_price < 0
    if override.unit_price < 0 and not is_credit:
        faults.append(BelowZero("unit_price").at("overrides", index, "unit_price"))
        return
    if is_credit and not line.unit_price <= override.unit_price <= 0:
        fault = CreditOutOfRange(line.unit_price)
        faults.append(fault.at("overrides", index, "unit_price"))
        return
    computed = _computed(line)
    amount = line_amount(
        line.quantity, override.unit_price, line.base_quantity, currency=line.amount.currency
    )
    why = Why(
        "price-overridden",
        {"reason": override.reason, "by": override.by, "computed": computed.amount},
    )
    lines[place] = structs.replace(
        line,
        unit_price=override.unit_price,
        amount=amount,
        computed=line.computed or computed,
        why=(*line.why, why),
    )


def _free_line(free: FreeLine, number: int, currency: str) -> PricedLine:
    return price_line(
        LineKind.free,
        f"free-{number}",
        quantity=free.quantity,
        unit=free.unit,
        unit_price=free.unit_price,
        currency=currency,
        tax_kind=free.kind,
        why=(_why_free(free),),
        description=free.description,
    )


def _why_free(free: FreeLine) -> Why:
    if free.carried is None:
        return Why("free-line", {"reason": free.reason, "by": free.by})
    return Why("carried-over", {"day": free.carried.day})


def _line_discounts(
    lines: Sequence[PricedLine],
    left: list[int],
    terms: Terms,
    currency: str,
    faults: list[KitwrightError],
) -> Iterator[PricedLine]:
    """Yield the discounts of lines, in the order of the request; subtract them from `left`."""
    for index, discount in enumerate(terms.discounts):
        if discount.line is None:
            continue
        place = _find(lines, discount.line, faults, "discounts", index, "line")
        if place is None:
            continue
        off = _off(
            discount, left[place], currency, index, faults, is_most=terms.covered is not None
        )
        left[place] -= off
        line = lines[place]
        why = _why(discount, line.code)
        reduced = ((place, off),) if off else ()
        yield _discount_line(Money(-off, currency), line.tax_kind, why, reduced)


def _quote_discounts(
    lines: Sequence[PricedLine],
    left: list[int],
    terms: Terms,
    currency: str,
    faults: list[KitwrightError],
) -> Iterator[PricedLine]:
    """Yield the discounts of the entire quote, one line for each charge kind that they reduce."""
    of_quote = [each for each in enumerate(terms.discounts) if each[1].line is None]
    if not of_quote:
        return
    by_kind: dict[ChargeKind, list[int]] = {}
    core = ChargeKind.core
    for place, line in enumerate(lines):
        if line.tax_kind is not core:
            by_kind.setdefault(line.tax_kind, []).append(place)
    for index, discount in of_quote:
        sums = {kind: sum([left[place] for place in places]) for kind, places in by_kind.items()}
        # a kind whose total is a credit has nothing to reduce
        kinds = [kind for kind, amount in sums.items() if amount > 0]
        whole = sum(sums[kind] for kind in kinds)
        off = _off(discount, whole, currency, index, faults, is_most=terms.covered is not None)
        parts = share(off, [sums[kind] for kind in kinds]) if kinds else ()
        why = _why(discount, None)
        for kind, part in zip(kinds, parts, strict=True):
            if not part:
                continue
            places = by_kind[kind]
            each: tuple[int, ...] = (part,)
            if len(places) > 1:
                each = apportion(part, [part * left[place] for place in places], sums[kind])
            reduced = [(place, taken) for place, taken in zip(places, each, strict=True) if taken]
            for place, taken in reduced:
                left[place] -= taken
            yield _discount_line(Money(-part, currency), kind, why, tuple(reduced))


def _off(
    discount: Discount,
    whole: int,
    currency: str,
    index: int,
    faults: list[KitwrightError],
    *,
    is_most: bool,
) -> int:
    """Return the reduction of an amount by a discount, both in minor units. If it is too much, add
    an error and return zero; if `is_most`, return the amount.
    """
    if discount.percent is not None:
        top, bottom = discount.percent.as_integer_ratio()
        return max(0, round_ratio(whole * top, bottom * 100))
    off = Money.of(discount.amount or Decimal(0), currency)
    if is_most:
        return min(off.minor, max(0, whole))
    if off.minor > whole:
        fault = DiscountTooLarge(off, Money(whole, currency))
        faults.append(fault.at("discounts", index, "amount"))
        return 0
    return off.minor


def _why(discount: Discount, code: str | None) -> tuple[Why, ...]:
    how = "discount" if discount.percent is None else "percent"
    what = "quote" if code is None else "line"
    facts: dict[str, Fact] = {"reason": discount.reason, "by": discount.by, "code": code}
    return (Why(f"{how}-of-{what}", {**facts, "percent": discount.percent}),)


def _discount_line(
    amount: Money, kind: ChargeKind, why: tuple[Why, ...], reduces: tuple[tuple[int, int], ...]
) -> PricedLine:
    return PricedLine(
        kind=_KIND,
        code=DISCOUNT,
        quantity=_ONE,
        unit="piece",
        unit_price=amount.amount,
        base_quantity=_ONE,
        # one piece at its price: no rounding is needed
        amount=amount,
        tax_kind=kind,
        why=why,
        reduces=reduces,
    )
