"""Clocked: the minutes of a quote's clock, allotted to the lines of labour that they belong to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from kitwright.money import share
from kitwright.stages.billing.used import AgreedLine, Clocked, is_timed
from kitwright.units import exact

Planned = Mapping[str, Mapping[str, Fraction]]
"""Group of steps -> labour class -> the exact minutes that the work plan has for it."""


class Timed(Struct, frozen=True, kw_only=True):
    """Whole minutes that were clocked on a group of steps, or on one step of it, whose labour class
    is then given.
    """

    group: str
    labour_class: str | None
    minutes: int


def allot_clocked(
    lines: Sequence[AgreedLine], planned: Planned, timed: Iterable[Timed]
) -> tuple[Clocked, ...]:
    """Return the clocked minutes of every line of labour by the minute; nothing if none were
    clocked, or if there is no such line.

    Minutes on a step belong to its labour class. Those on a group belong to the classes of its
    steps, in proportion to the planned minutes. Where these name no class that is billed, they
    belong to all classes, in proportion to the minutes agreed. The minutes of a class are divided
    among its lines in the same proportion. Whole minutes come back, and none gets lost: together
    they are those that were clocked.
    """
    agreed = _agreed(lines)
    total = 0
    minutes = dict.fromkeys(agreed, Fraction(0))
    for one in timed:
        total += one.minutes
        weights = _weights(one, planned, agreed)
        whole = sum(weights.values(), Fraction(0))
        for name, weight in weights.items():
            minutes[name] += one.minutes * weight / whole
    if not total or not agreed:
        return ()
    parts = [
        (place, minutes[name] * quantity / sum(places.values()))
        for name, places in agreed.items()
        for place, quantity in places.items()
    ]
    shares = share(total, [part for _, part in parts])
    return tuple(
        sorted(
            (
                Clocked(line=place, minutes=Decimal(each))
                for (place, _), each in zip(parts, shares, strict=True)
            ),
            key=lambda one: one.line,
        )
    )


def _agreed(lines: Sequence[AgreedLine]) -> dict[str, dict[int, Fraction]]:
    """Return the minutes agreed by labour class, and by the places of its lines."""
    agreed: dict[str, dict[int, Fraction]] = {}
    for place, line in enumerate(lines, start=1):
        if is_timed(line) and line.quantity > 0:
            agreed.setdefault(line.labour_class or "", {})[place] = exact(line.quantity)
    return agreed


def _weights(
    one: Timed, planned: Planned, agreed: Mapping[str, Mapping[int, Fraction]]
) -> dict[str, Fraction]:
    """Return by which proportion some minutes belong to labour classes that are billed."""
    if one.labour_class is not None and one.labour_class in agreed:
        return {one.labour_class: Fraction(1)}
    found = dict(_billed(planned.get(one.group, {}), agreed))
    return found or {name: sum(each.values(), Fraction(0)) for name, each in agreed.items()}


def _billed(
    classes: Mapping[str, Fraction], agreed: Mapping[str, object]
) -> Iterator[tuple[str, Fraction]]:
    return ((name, each) for name, each in classes.items() if name in agreed and each > 0)
