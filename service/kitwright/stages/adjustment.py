"""Adjustment: the lines after the counter's overrides, free lines and discounts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from msgspec import structs

from kitwright.catalogue.model import ChargeKind
from kitwright.errors import KitwrightError
from kitwright.money import Money, line_amount, share, total
from kitwright.stages.line import Computed, LineKind, PricedLine, price_line
from kitwright.stages.refusal import BelowZero, RequestFault, RequestRefused
from kitwright.stages.terms import Discount, FreeLine, LineRef, PriceOverride, Terms
from kitwright.stages.why import Fact, Why
from kitwright.units import exact

DISCOUNT = "discount"


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
        told = f"{len(found)} lines are {wanted}: {more}" if found else f"no line is {wanted}"
        super().__init__(f"{told}; the quote has {', '.join(there)}")


class DiscountTooLarge(RequestFault):
    """A discount of more than what it reduces."""

    code = "discount-too-large"

    def __init__(self, asked: Money, most: Money) -> None:
        super().__init__(
            f"a discount of {asked.amount_text} is more than the {most.amount_text} it reduces"
        )
        self.asked = asked
        self.most = most


def adjust_lines(
    lines: Sequence[PricedLine], terms: Terms, currency: str
) -> tuple[PricedLine, ...]:
    """Return the lines with overridden prices, free lines and discounts, in this order.

    Overrides come first, then free lines, then discounts of lines, then those of the whole quote on
    what is left. A discount of the whole quote leaves refundable deposits alone, and is printed
    once for every charge kind that it reduces, so that it follows their tax.

    Raises: RequestRefused, naming every change that fits no line or takes too much.
    """
    faults: list[KitwrightError] = []
    changed = list(lines)
    for index, override in enumerate(terms.overrides):
        if isinstance(override, PriceOverride):
            _override(changed, override, index, faults)
    changed += [
        _free_line(free, number, currency) for number, free in enumerate(terms.free_lines, start=1)
    ]
    discounts = [*_discounts(changed, terms, currency, faults)]
    if faults:
        raise RequestRefused(faults)
    return (*changed, *discounts)


def _find(
    lines: Sequence[PricedLine], wanted: LineRef, faults: list[KitwrightError], *path: str | int
) -> int | None:
    """Return the place of the one line that is meant; None, with a fault, where there is not
    one.
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
    if override.unit_price < 0 <= line.unit_price:
        faults.append(BelowZero("unit_price").at("overrides", index, "unit_price"))
        return
    computed = Computed(unit_price=line.unit_price, amount=line.amount)
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
        why=(Why("free-line", {"reason": free.reason, "by": free.by}),),
        description=free.description,
    )


def _discounts(
    lines: Sequence[PricedLine], terms: Terms, currency: str, faults: list[KitwrightError]
) -> Iterator[PricedLine]:
    """Yield the discounts: those of lines, in the order of the request, then those of the quote."""
    left = [line.amount for line in lines]
    for index, discount in enumerate(terms.discounts):
        if discount.line is None:
            continue
        place = _find(lines, discount.line, faults, "discounts", index, "line")
        if place is None:
            continue
        off = _off(discount, left[place], index, faults)
        left[place] -= off
        yield _discount_line(discount, off, lines[place].tax_kind, lines[place].code)
    by_kind: dict[ChargeKind, Money] = {}
    for line, amount in zip(lines, left, strict=True):
        if line.tax_kind is not ChargeKind.core:
            by_kind[line.tax_kind] = by_kind.get(line.tax_kind, Money(0, currency)) + amount
    for index, discount in enumerate(terms.discounts):
        if discount.line is None:
            # a kind that comes to a credit has nothing to reduce
            kinds = [kind for kind, amount in by_kind.items() if amount.minor > 0]
            whole = total((by_kind[kind] for kind in kinds), currency)
            off = _off(discount, whole, index, faults)
            parts = share(off.minor, [by_kind[kind].minor for kind in kinds]) if kinds else ()
            for kind, part in zip(kinds, parts, strict=True):
                by_kind[kind] -= Money(part, currency)
                if part:
                    yield _discount_line(discount, Money(part, currency), kind, None)


def _off(discount: Discount, whole: Money, index: int, faults: list[KitwrightError]) -> Money:
    """Return what a discount takes off an amount; nothing, with a fault, where that is too much."""
    if discount.percent is not None:
        off = Money.of(exact(whole.amount) * exact(discount.percent) / 100, whole.currency)
        return off if off.minor > 0 else Money(0, whole.currency)
    off = Money.of(discount.amount or Decimal(0), whole.currency)
    if off > whole:
        faults.append(DiscountTooLarge(off, whole).at("discounts", index, "amount"))
        return Money(0, whole.currency)
    return off


def _discount_line(
    discount: Discount, off: Money, kind: ChargeKind, code: str | None
) -> PricedLine:
    how = "discount" if discount.percent is None else "percent"
    what = "quote" if code is None else "line"
    facts: dict[str, Fact] = {"reason": discount.reason, "by": discount.by, "code": code}
    why = Why(f"{how}-of-{what}", {**facts, "percent": discount.percent})
    return price_line(
        LineKind.discount,
        DISCOUNT,
        quantity=1,
        unit="piece",
        unit_price=-off.amount,
        currency=off.currency,
        tax_kind=kind,
        why=(why,),
    )
