"""Overrun: how far a bill may exceed the authorised total before the customer must be asked again.

Presets are published rules; a shop's owner may have chosen one. Local law takes precedence.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from kitwright.catalogue.model import Allows
from kitwright.money import MixedCurrencies, Money, RoundMode
from kitwright.units import exact

if TYPE_CHECKING:
    from decimal import Decimal

    from kitwright.catalogue.model import OverrunPreset


def allowance(preset: OverrunPreset | None, authorised: Money) -> Money:
    """Return how much more than the authorised amount may be charged without asking.

    It is rounded down to the minor unit, so it is never more than the rule allows. It is never
    negative, and never less for a larger authorised amount. It is zero without a preset, and for
    totals that do not exceed the preset's `over_total`.

    Args:
        preset: the shop's choice, None if its owner made none.
        authorised: the total that the customer agreed to, with or without tax as the shop defines
            its limits.

    Raises: MixedCurrencies, if the preset's amounts are in another currency.
    """
    if preset is None:
        return Money(0, authorised.currency)
    if preset.currency not in {None, authorised.currency}:
        raise MixedCurrencies(authorised.currency, str(preset.currency))
    allowed = _exact_allowance(preset, exact(authorised.amount))
    return Money.of(allowed, authorised.currency, RoundMode.down)


def usual_limit(
    preset: OverrunPreset | None, due: Money, before: tuple[Money, Money] | None = None
) -> Money:
    """Return the limit of a yes that names none: the amount and what may be charged beyond it; or
    the limit that was named before, if that is higher.

    Args:
        preset: the shop's choice.
        due: the amount agreed to.
        before: the amount agreed to before, and its limit; None if there is none. A limit that is
            not above what the preset allows was not named.
    """
    limit = due + allowance(preset, due)
    if before is not None:
        amount, named = before
        if named > amount + allowance(preset, amount):
            limit = max(limit, named)
    return limit


def _exact_allowance(preset: OverrunPreset, total: Fraction) -> Fraction:
    """Return the amount that a preset allows over a total, both in major units."""
    if preset.over_total is not None and total <= exact(preset.over_total):
        return Fraction(0)
    by_percent = max(total, Fraction(0)) * _or_zero(preset.percent) / 100
    allowed = {
        Allows.nothing: Fraction(0),
        Allows.fixed: _or_zero(preset.fixed),
        Allows.percent: by_percent,
        Allows.greater: max(_or_zero(preset.fixed), by_percent),
    }[preset.allows]
    return allowed if preset.at_most is None else min(allowed, exact(preset.at_most))


def _or_zero(figure: Decimal | None) -> Fraction:
    """Return a figure; zero if it is missing, which the catalogue's check refuses."""
    return Fraction(0) if figure is None else exact(figure)
