"""Prospect: what may turn up on the way, and how the total is distributed, in one language."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from kitwright import quote as wire
from kitwright.quote import amount_of
from kitwright.stages.contingency import Weighed
from kitwright.stages.kit import NeedKind
from kitwright.stages.outcome import Outcome
from kitwright.telling.teller import Teller
from kitwright.units import decimal_text


def tell_contingencies(outcome: Outcome, teller: Teller) -> wire.Contingencies | None:
    """Return the contingencies, None if they were not requested."""
    found = outcome.prospect
    if found is None:
        return None
    return wire.Contingencies(
        each=tuple(_contingency(one, teller) for one in found.each),
        as_quoted=amount_of(found.as_quoted),
        likely=amount_of(found.likely),
        worst=amount_of(found.worst),
    )


def tell_range(outcome: Outcome) -> wire.PriceRange | None:
    """Return the distribution of the final total, None if it was not requested."""
    found = outcome.prospect
    if found is None:
        return None
    p50, p80, p90, p95 = (found.total_at(Fraction(percent, 100)) for percent in (50, 80, 90, 95))
    return wire.PriceRange(
        expected=amount_of(found.expected),
        p50=amount_of(p50),
        p80=amount_of(p80),
        p90=amount_of(p90),
        p95=amount_of(p95),
        dearest_listed=amount_of(found.worst),
        chance_over=tuple(
            wire.ChanceOver(limit=amount_of(limit), chance=_chance(found.chance_over(limit)))
            for limit in sorted({found.as_quoted, p80, p90})
        ),
        estimated=_chance(found.spread.estimated + found.spread.left),
    )


def _chance(share: Fraction) -> str:
    """Return a probability with four decimal places, rounded up: zero means impossible."""
    return str(Decimal(-(-share.numerator * 10_000 // share.denominator)).scaleb(-4))


def _contingency(one: Weighed, teller: Teller) -> wire.Contingency:
    kind = one.found.kind
    return wire.Contingency(
        contingency=kind.id,
        name=teller.speaker.text("contingency", kind.name),
        cylinder=one.found.cylinder,
        after=None if one.after is None else one.after.kind.id,
        after_cylinder=None if one.after is None else one.after.cylinder,
        plain=teller.speaker.text("contingency", kind.plain),
        probability=str(one.probability),
        likely=one.is_likely,
        jobs=tuple(map(teller.job, one.found.operations)),
        parts=tuple(
            wire.Cover(
                role=need.role,
                cylinder=need.cylinder,
                part=need.item,
                quantity=decimal_text(need.quantity),
                fitted=None,
            )
            for need in one.needs
            if need.kind is not NeedKind.used
        ),
        price=amount_of(one.price),
        minutes=one.minutes,
    )
