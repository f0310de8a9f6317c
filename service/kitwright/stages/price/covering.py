"""Covering: what the shop bears of a visit's lines, taken off as allowances before tax.

A line is borne as far as the visit without the jobs that are covered would not have it. So nobody
pays more for a line than with that visit, nor more than the line comes to here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Final

from kitwright.catalogue.model import ChargeKind
from kitwright.money import Money, round_ratio
from kitwright.stages.price.line import LineKind, PricedLine
from kitwright.stages.why import Why

WARRANTY: Final = "warranty"
"""The code of an allowance for what the shop bears."""
_ONE: Final = Decimal(1)
Share = tuple[int, int]
"""A share of a line, top / bottom; the bottom is above zero."""


def shares_beyond(
    lines: Sequence[PricedLine], others: Iterable[PricedLine] | None
) -> tuple[Share, ...]:
    """Return which share of each line goes beyond what `others` have of the same line.

    `others` None: there is no other visit, and every line is borne entirely. Credits are borne only
    then.
    """
    if others is None:
        return ((1, 1),) * len(lines)
    left: dict[object, int] = defaultdict(int)
    for line in others:
        left[_key(line)] += line.amount.minor
    found = []
    for line in lines:
        amount, key = line.amount.minor, _key(line)
        paid = min(amount, left[key]) if amount > 0 else amount
        left[key] -= paid
        found.append((amount - paid, amount) if amount > 0 else (0, 1))
    return tuple(found)


def shares_within(lines: Sequence[PricedLine], own: Iterable[PricedLine]) -> tuple[Share, ...]:
    """Return which share of each line the lines of the covered jobs alone, `own`, come to."""
    return tuple(
        (bottom - top, bottom) if line.amount.minor > 0 else (1, 1)
        for line, (top, bottom) in zip(lines, shares_beyond(lines, own), strict=True)
    )


def _key(line: PricedLine) -> object:
    return line.kind, line.code, line.operation, line.labour_class


def cover_lines(
    lines: Sequence[PricedLine], left: list[int], shares: Sequence[Share], currency: str
) -> Iterator[PricedLine]:
    """Yield the allowances for what is borne, one for each charge kind.

    Args:
        lines: those that `shares` are of, then others, which are not borne.
        left: what is left of each line, in minor units; what is borne is subtracted.
        shares: the share of each line that the shop bears.
        currency: of the lines.
    """
    by_kind: dict[ChargeKind, list[tuple[int, int]]] = {}
    for place, (top, bottom) in enumerate(shares):
        off = round_ratio(left[place] * top, bottom)
        if off:
            left[place] -= off
            by_kind.setdefault(lines[place].tax_kind, []).append((place, off))
    for kind, reduced in by_kind.items():
        whole = sum(off for _, off in reduced)
        if whole:
            yield _allowance(Money(-whole, currency), kind, tuple(reduced))


def _allowance(amount: Money, kind: ChargeKind, reduces: tuple[tuple[int, int], ...]) -> PricedLine:
    return PricedLine(
        kind=LineKind.discount,
        code=WARRANTY,
        quantity=_ONE,
        unit="piece",
        unit_price=amount.amount,
        base_quantity=_ONE,
        # one piece at its price: no rounding is needed
        amount=amount,
        tax_kind=kind,
        why=(Why("borne-by-shop"),),
        reduces=reduces,
    )
