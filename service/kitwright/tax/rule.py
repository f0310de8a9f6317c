"""Rule: the taxes of an area on a kind of line, in a form ready for computing."""

from __future__ import annotations

from datetime import date
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import TaxArea
from kitwright.tax.area import WholeRate, whole_rate


class Due(Struct, frozen=True):
    """A component's exact tax on an amount: (amount + the taxes before it) x top / bottom.

    The taxes before it count only if `is_on_printed`.
    """

    place: int
    top: int
    bottom: int
    is_on_printed: bool

    def top_on(self, amount: int, taxes_before: int) -> int:
        """Return the numerator of the tax on an amount, over `bottom`."""
        return (amount + taxes_before if self.is_on_printed else amount) * self.top


class Rule(Struct, frozen=True):
    """A combined rate in force: the places of its components, and their exact taxes."""

    rate: WholeRate
    places: tuple[int, ...]
    dues: tuple[Due, ...]


_MOST_RULES: Final = 1024
_RULES: Final[dict[tuple[int, str, date], tuple[TaxArea, Rule]]] = {}
"""The cache of rules, by the area's identity, because hashing its rates would take longer than
reading them. Each entry holds its area, so that no other object can get the same identity.
"""


def rule_in_force(area: TaxArea, kind: str, on: date) -> Rule:
    """Return the rule by which an area taxes a kind of line on a day.

    Raises: KindUnassigned, RateNotYetValid, RateNegative.
    """
    question = (id(area), kind, on)
    known = _RULES.get(question)
    if known is not None:
        return known[1]
    rate = whole_rate(area, kind, on)
    rule = Rule(
        rate, tuple(levy.place for levy in rate.levies), _dues(rate, area.prices_include_tax)
    )
    if len(_RULES) >= _MOST_RULES:
        _RULES.clear()
    _RULES[question] = (area, rule)
    return rule


def _dues(rate: WholeRate, is_included: bool) -> tuple[Due, ...]:
    if is_included:
        bottom = rate.bottom + rate.top
        return tuple(Due(levy.place, levy.part, bottom, False) for levy in rate.levies)
    return tuple(
        Due(
            levy.place,
            levy.rate.numerator,
            levy.rate.denominator,
            levy.component.compounds,
        )
        for levy in rate.levies
    )
