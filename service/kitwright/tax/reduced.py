"""Reduced: the tax of charges some of which only reduce others, such as discounts.

If the tax of each charge is rounded, the tax of a reduction is by how much it lowers the tax of
what it reduces. So the amount that is taken off bears no tax, to the last minor unit.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from datetime import date

from kitwright.catalogue.model import RoundBy, TaxArea
from kitwright.tax.charges import (
    Charge,
    Reckoned,
    Taxed,
    TaxedLine,
    reckon_taxes,
    sum_up,
    tax_charges,
    tax_line,
)

Reductions = Sequence[tuple[tuple[int, int], ...]]
"""For each charge, which charges it reduces, by place, and by how much in minor units; empty for a
charge that stands by itself. What a charge reduces adds up to its amount.
"""


def tax_reduced(
    area: TaxArea,
    charges: Sequence[Charge],
    reductions: Reductions,
    *,
    on: date,
    exempt: Set[str] = frozenset(),
) -> Taxed:
    """Return printed line amounts with an area's taxes, as `tax_charges` does, with reductions.

    Raises: the errors of `tax_charges`.
    """
    if area.rounding.by is not RoundBy.line or not any(reductions):
        return tax_charges(area, charges, on=on, exempt=exempt)

    def reckon(amounts: Sequence[tuple[str, int]]) -> Reckoned:
        return reckon_taxes(area, amounts, on=on, exempt=exempt)

    def taxed(charge: Charge, parts: tuple[int, ...]) -> TaxedLine:
        return tax_line(area, charge.amount, parts, is_exempt=charge.kind in exempt)

    own = [place for place, reduces in enumerate(reductions) if not reduces]
    left = {place: charges[place].amount.minor for place in own}
    # the successive amounts of each charge: as it is, and after each reduction
    passed = [(charges[place].kind, left[place]) for place in own]
    for reduces in reductions:
        for place, off in reduces:
            left[place] -= off
            passed.append((charges[place].kind, left[place]))
    steps = iter(reckon(passed).parts)
    now = {place: next(steps) for place in own}
    found = {place: taxed(charges[place], now[place]) for place in own}
    for at, reduces in enumerate(reductions):
        if not reduces:
            continue
        taken: tuple[int, ...] = ()
        for place, _ in reduces:
            after = next(steps)
            less = [new - old for new, old in zip(after, now[place], strict=True)]
            taken = tuple(map(sum, zip(taken or [0] * len(less), less, strict=True)))
            now[place] = after
        found[at] = taxed(charges[at], taken)
    last = reckon([(charges[place].kind, left[place]) for place in own])
    return sum_up(area, tuple(found[place] for place in range(len(charges))), last)
