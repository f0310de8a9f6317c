"""Covering: what the shop bears of a visit's lines, taken off as allowances before tax.

A line is borne as far as the covered jobs alone would have it, or the other jobs alone would not.
In all, at least the amount of the covered jobs alone is borne, even if another job takes their
place. So nobody pays more for a line than for the other jobs alone, nor more for all of them than
they add to the covered jobs if these are paid.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Final

from kitwright.catalogue.model import ChargeKind
from kitwright.money import Money, round_ratio, share
from kitwright.stages.price.line import LineKind, PricedLine
from kitwright.stages.why import Why

WARRANTY: Final = "warranty"
"""The code of an allowance for what the shop bears."""
_ONE: Final = Decimal(1)
Share = tuple[int, int]
"""A share of a line, top / bottom; the bottom is above zero."""


def shares_borne(
    lines: Sequence[PricedLine],
    own: Iterable[PricedLine],
    others: Iterable[PricedLine] | None,
) -> tuple[Share, ...]:
    """Return the share of each line that the shop bears.

    Args:
        lines: those of the visit.
        own: the lines of the covered jobs alone.
        others: the lines of the other jobs alone, None if parts are all that is added.
    """
    alone = tuple(own)
    borne = _common(lines, alone)
    if others is not None:
        for place, common in enumerate(_common(lines, others)):
            borne[place] = max(borne[place], lines[place].amount.minor - common)
    _fill(borne, lines, alone)
    return tuple(
        (off, line.amount.minor) if line.amount.minor > 0 else (-off, -line.amount.minor or 1)
        for off, line in zip(borne, lines, strict=True)
    )


def _common(lines: Sequence[PricedLine], others: Iterable[PricedLine]) -> list[int]:
    """Return how much of each line, in minor units, `others` have of the same line too."""
    left: dict[object, int] = defaultdict(int)
    for line in others:
        left[_key(line)] += line.amount.minor
    found = []
    for line in lines:
        amount, key = line.amount.minor, _key(line)
        common = max(0, min(amount, left[key])) if amount > 0 else min(0, max(amount, left[key]))
        left[key] -= common
        found.append(common)
    return found


def _fill(borne: list[int], lines: Sequence[PricedLine], own: Iterable[PricedLine]) -> None:
    """Add to what is borne what the lines of the covered jobs come to beyond it: first to charges
    of the same kind, then to any. Refundable deposits are left out.
    """
    missing: dict[ChargeKind, int] = defaultdict(int)
    for line in own:
        missing[line.tax_kind] += line.amount.minor
    for off, line in zip(borne, lines, strict=True):
        missing[line.tax_kind] -= off
    missing.pop(ChargeKind.core, None)
    kinds = missing.keys()
    for kind in kinds:
        missing[kind] -= _bear(borne, lines, missing[kind], {kind})
    _bear(borne, lines, sum(missing.values()), kinds)


def _bear(
    borne: list[int], lines: Sequence[PricedLine], amount: int, kinds: Collection[ChargeKind]
) -> int:
    """Bear an amount more, as far as lines of some kinds have it left; return how much that was."""
    left = [
        max(0, line.amount.minor - off) if line.tax_kind in kinds else 0
        for off, line in zip(borne, lines, strict=True)
    ]
    more = max(0, min(amount, sum(left)))
    if more:
        for place, off in enumerate(share(more, left)):
            borne[place] += off
    return more


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
