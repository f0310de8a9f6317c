"""The tax on the printed amounts of a document's lines, to the minor unit.

The area decides which amounts are rounded, once each; all other amounts are split from those:

- by line: each component's tax on each line;
- by component: each component's tax on the document;
- by document: the combined tax of all components that apply together to a line, on the document.
  The components then share the rounded amount by largest remainder.

This applies whether prices exclude or include tax. If they include tax, a component's tax is its
exact share of the price. If amounts are rounded by line or by component and prices exclude tax, a
compounding component is charged on the rounded amounts of those before it. In all other cases it is
charged on their exact amounts, because there are no rounded amounts yet.

Exempt charges bear no tax. If prices include tax, the tax of exempt charges is computed in the same
way, separately from that of the others, and taken off.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence, Set
from datetime import date
from decimal import Decimal
from enum import StrEnum
from itertools import cycle
from math import lcm
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import RoundBy, TaxArea
from kitwright.money import (
    MixedCurrencies,
    Money,
    RoundMode,
    apportion,
    round_ratio,
    share,
)
from kitwright.tax.area import WholeRate
from kitwright.tax.rule import Due, Rule, rule_in_force


class Charge(Struct, frozen=True):
    """The printed amount of a line: net if the area's prices exclude tax, else gross.

    `kind` is the charge kind, by which the area taxes. The charge of a discount has a negative
    amount and the kind of the line that it reduces.
    """

    kind: str
    amount: Money


class TaxedLine(Struct, frozen=True, kw_only=True):
    """One charge with its tax; net + tax = gross.

    `net` or `gross` is the charge's amount. But if an exemption takes tax off a price that includes
    it, both are less. `parts` are the amounts of each tax that the area has on the kind, in minor
    units and in the area's order; they add up to the tax. An exempt line has no parts.
    """

    net: Money
    tax: Money
    gross: Money
    parts: tuple[int, ...]


class Category(StrEnum):
    """The treatment of a charge by a tax, as a code of UNCL 5305: taxed at a rate, taxed at a rate
    of zero, exempt by a certificate, or outside the scope of the tax in this area.
    """

    standard = "S"
    zero = "Z"
    exempt = "E"
    outside = "O"


class LineTax(Struct, frozen=True, kw_only=True):
    """The treatment of one charge by one tax of a document; `percent` is zero if no tax is due."""

    component: str
    name: str
    category: Category
    percent: Decimal
    base: Money
    amount: Money


class ComponentTax(Struct, frozen=True, kw_only=True):
    """One tax of a document: its own rate in per cent, its base, and its amount.

    `base` is net of tax, but the base of a compounding component includes the amounts of the
    components before it.
    """

    component: str
    name: str
    percent: Decimal
    base: Money
    amount: Money


class Taxed(Struct, frozen=True, kw_only=True):
    """Charges with their tax, to the minor unit.

    There is one line for each charge, in the same order, and totals are the sums of the lines. For
    lines and totals, net + tax = gross. `tax` is also the sum of `taxes`, which are in the area's
    order. `freed` are the taxes not charged because of an exemption, with their bases and amounts.
    """

    lines: tuple[TaxedLine, ...]
    taxes: tuple[ComponentTax, ...]
    freed: tuple[ComponentTax, ...]
    net: Money
    tax: Money
    gross: Money


def tax_charges(
    area: TaxArea, charges: Sequence[Charge], *, on: date, exempt: Set[str] = frozenset()
) -> Taxed:
    """Return printed line amounts with an area's taxes.

    Totals and component amounts do not depend on the order of the charges. If the signs of all
    amounts change, so do the signs of all results.

    Args:
        area: the rules; `prices_include_tax` says whether the amounts include tax.
        charges: in the area's currency, of either sign; without any, all results are zero.
        on: the day whose rates apply.
        exempt: kinds that a valid exemption frees: they bear no tax and are not part of any base.
            If prices include tax, it is taken off.

    Returns: the result has a tax for every component that applies to a charge, even at a zero rate.
    Raises: MixedCurrencies, KindUnassigned, RateNotYetValid, RateNegative.
    """
    for charge in charges:
        if charge.amount.currency != area.currency:
            raise MixedCurrencies(area.currency, charge.amount.currency)
    amounts = [(charge.kind, charge.amount.minor) for charge in charges]
    reckoned = reckon_taxes(area, amounts, on=on, exempt=exempt)
    lines = tuple(
        tax_line(area, charge.amount, parts, is_exempt=charge.kind in exempt)
        for charge, parts in zip(charges, reckoned.parts, strict=True)
    )
    return sum_up(area, lines, reckoned)


def line_taxes(
    area: TaxArea,
    kind: str,
    taxed: TaxedLine,
    *,
    on: date,
    is_exempt: bool,
    shown: Collection[str],
) -> Iterator[LineTax]:
    """Yield the treatment of one charge by each tax shown on the document, in the area's order.

    The amounts of all charges for a tax add up to the tax's amount, and the bases of those that it
    is charged on add up to its base.
    """
    levies = {levy.place: levy for levy in rule_in_force(area, kind, on).rate.levies}
    nothing = Money(0, area.currency)
    parts = iter(taxed.parts)
    before = nothing
    for place, component in enumerate(area.components):
        levy = levies.get(place)
        part = nothing if levy is None or is_exempt else Money(next(parts, 0), area.currency)
        base = taxed.net + before if component.compounds else taxed.net
        before += part
        category = Category.standard
        if levy is None:
            category = Category.outside
        elif is_exempt:
            category = Category.exempt
        elif not levy.percent:
            category = Category.zero
        is_charged = levy is not None and not is_exempt
        if component.id in shown:
            yield LineTax(
                component=component.id,
                name=component.name,
                category=category,
                percent=levy.percent if levy is not None and is_charged else Decimal(0),
                base=base if is_charged else taxed.net,
                amount=part,
            )


def sum_up(area: TaxArea, lines: tuple[TaxedLine, ...], reckoned: Reckoned) -> Taxed:
    """Return taxed lines with their totals and the taxes of the document."""

    def summed(amounts: Iterable[Money]) -> Money:
        return Money(sum([amount.minor for amount in amounts]), area.currency)

    return Taxed(
        lines=lines,
        taxes=reckoned.taxes,
        freed=reckoned.freed,
        net=summed(line.net for line in lines),
        tax=summed(line.tax for line in lines),
        gross=summed(line.gross for line in lines),
    )


class Reckoned(Struct, frozen=True):
    """The tax of each charge in minor units, for each tax that the area has on its kind, in the
    area's order; the taxes of the document; and the taxes not charged because of an exemption.

    The tax of an exempt charge is the tax in its price, none if prices exclude tax.
    """

    parts: tuple[tuple[int, ...], ...]
    taxes: tuple[ComponentTax, ...]
    freed: tuple[ComponentTax, ...]


def reckon_taxes(
    area: TaxArea,
    amounts: Sequence[tuple[str, int]],
    *,
    on: date,
    exempt: Set[str] = frozenset(),
) -> Reckoned:
    """Return the result of `tax_charges` in bare numbers, from kinds and amounts in minor units.

    Raises: KindUnassigned, RateNotYetValid, RateNegative.
    """
    groups, freed = _group(area, amounts, on, exempt)
    parts: list[tuple[int, ...]] = [()] * len(amounts)
    for some in (groups, freed):
        _ROUNDINGS[area.rounding.by](some, area.rounding.mode)
    for group in (*groups, *(freed if area.prices_include_tax else ())):
        if group.dues:
            for place, cells in zip(group.places, zip(*group.cells, strict=True), strict=True):
                parts[place] = cells
    return Reckoned(tuple(parts), _component_taxes(area, groups), _component_taxes(area, freed))


def tax_line(
    area: TaxArea, amount: Money, parts: tuple[int, ...], *, is_exempt: bool = False
) -> TaxedLine:
    """Return an amount with its tax, given the parts of the tax in minor units. The amount is net
    or gross like the area's prices; an exempt amount has no tax.
    """
    tax = Money(sum(parts), area.currency)
    if is_exempt:
        bare = amount - tax
        return TaxedLine(net=bare, tax=Money(0, area.currency), gross=bare, parts=())
    if area.prices_include_tax:
        return TaxedLine(net=amount - tax, tax=tax, gross=amount, parts=parts)
    gross = amount + tax if tax.minor else amount
    return TaxedLine(net=amount, tax=tax, gross=gross, parts=parts)


class _Group(Struct):
    """The charges that one combined rate applies to, and their taxes so far, in minor units.

    `places` are the charges' positions, with `amounts` in the same order. `levy_taxes` are in the
    order of the combined rate's levies and `dues`. So are `cells`, the share of each charge in each
    tax.
    """

    rate: WholeRate
    dues: tuple[Due, ...]
    is_included: bool
    levy_taxes: list[int]
    places: list[int]
    amounts: list[int]
    cells: list[Sequence[int]]
    amount: int = 0

    @property
    def line_taxes(self) -> Sequence[int]:
        """The tax of each charge so far, in minor units."""
        if not self.cells:
            return [0] * len(self.amounts)
        return (
            self.cells[0] if len(self.cells) == 1 else list(map(sum, zip(*self.cells, strict=True)))
        )

    def spread(self, tax: int, tops: list[int], bottom: int) -> Sequence[int]:
        """Return each line's share of a rounded tax; the exact shares are tops / bottom.

        If prices include tax, the net amounts are split by largest remainder, and each line's tax
        is the rest of its price.
        """
        if self.is_included:
            rests = [amount * bottom - top for amount, top in zip(self.amounts, tops, strict=True)]
            nets = apportion(self.amount - tax, rests, bottom)
            return [amount - net for amount, net in zip(self.amounts, nets, strict=True)]
        return apportion(tax, tops, bottom)


def _group(
    area: TaxArea, amounts: Sequence[tuple[str, int]], on: date, exempt: Set[str]
) -> tuple[list[_Group], list[_Group]]:
    """Return the groups of charges with the same taxes, and separately those of exempt charges."""
    by_kind: dict[str, _Group] = {}
    by_rate: dict[tuple[int, ...], _Group] = {}
    freed: dict[tuple[int, ...], _Group] = {}
    for place, (kind, amount) in enumerate(amounts):
        group = by_kind.get(kind)
        if group is None:
            rule = rule_in_force(area, kind, on)
            groups = freed if kind in exempt else by_rate
            group = groups.get(rule.places)
            if group is None:
                group = groups[rule.places] = _empty_group(rule, area.prices_include_tax)
            by_kind[kind] = group
        group.places.append(place)
        group.amounts.append(amount)
    for group in (*by_rate.values(), *freed.values()):
        group.amount = sum(group.amounts)
    # In the area's order, so that ties between groups do not depend on the order of the lines.
    return [by_rate[key] for key in sorted(by_rate)], [freed[key] for key in sorted(freed)]


def _empty_group(rule: Rule, is_included: bool) -> _Group:
    return _Group(
        rate=rule.rate,
        dues=rule.dues,
        is_included=is_included,
        levy_taxes=[0] * len(rule.dues),
        places=[],
        amounts=[],
        cells=[],
    )


def _round_lines(groups: Sequence[_Group], mode: RoundMode) -> None:
    for group in groups:
        for index, due in enumerate(group.dues):
            taxes = [
                round_ratio(due.top_on(amount, tax), due.bottom, mode)
                for amount, tax in zip(group.amounts, group.line_taxes, strict=True)
            ]
            group.levy_taxes[index] = sum(taxes)
            group.cells.append(taxes)


def _round_components(groups: Sequence[_Group], mode: RoundMode) -> None:
    places = sorted({due.place for group in groups for due in group.dues})
    for place in places:
        members = [
            (group, index, due)
            for group in groups
            for index, due in enumerate(group.dues)
            if due.place == place
        ]
        bottom = lcm(*(due.bottom for _, _, due in members))
        tops = [
            due.top_on(group.amount, sum(group.levy_taxes)) * (bottom // due.bottom)
            for group, _, due in members
        ]
        parts = apportion(round_ratio(sum(tops), bottom, mode), tops, bottom)
        for (group, index, due), part in zip(members, parts, strict=True):
            line_tops = [
                due.top_on(amount, before)
                for amount, before in zip(group.amounts, group.line_taxes, strict=True)
            ]
            group.cells.append(group.spread(part, line_tops, due.bottom))
            group.levy_taxes[index] = part


def _round_whole_rates(groups: Sequence[_Group], mode: RoundMode) -> None:
    for group in groups:
        top = group.rate.top
        bottom = group.rate.bottom + (top if group.is_included else 0)
        tax = round_ratio(group.amount * top, bottom, mode)
        weights = [levy.part for levy in group.rate.levies]
        group.levy_taxes = list(share(tax, weights))
        taxes = group.spread(tax, [amount * top for amount in group.amounts], bottom)
        group.cells = _split(taxes, group.levy_taxes, weights)


def _split(
    taxes: Sequence[int], sums: Sequence[int], weights: Sequence[int]
) -> list[Sequence[int]]:
    """Return the share of each charge in each tax: the charges' taxes are split by weights, then
    moved by single units, the largest first, until each tax has its sum.
    """
    if len(sums) < 2:
        return [taxes] * len(sums)
    rows = [list(share(tax, weights)) for tax in taxes]
    over = [
        sum(column) - wanted for column, wanted in zip(zip(*rows, strict=True), sums, strict=True)
    ]
    largest = cycle(sorted(range(len(rows)), key=lambda row: -abs(taxes[row])))
    while any(over):
        above, below = over.index(max(over)), over.index(min(over))
        row = rows[next(largest)]
        row[above] -= 1
        row[below] += 1
        over[above] -= 1
        over[below] += 1
    return list(zip(*rows, strict=True))


_ROUNDINGS: Final[dict[RoundBy, Callable[[Sequence[_Group], RoundMode], None]]] = {
    RoundBy.line: _round_lines,
    RoundBy.component: _round_components,
    RoundBy.document: _round_whole_rates,
}


def _component_taxes(area: TaxArea, groups: Sequence[_Group]) -> tuple[ComponentTax, ...]:
    bases: dict[int, int] = {}
    taxes: dict[int, int] = {}
    percents: dict[int, Decimal] = {}
    for group in groups:
        net = group.amount - (sum(group.levy_taxes) if group.is_included else 0)
        before = 0
        for levy, tax in zip(group.rate.levies, group.levy_taxes, strict=True):
            base = net + before if levy.component.compounds else net
            bases[levy.place] = bases.get(levy.place, 0) + base
            taxes[levy.place] = taxes.get(levy.place, 0) + tax
            percents[levy.place] = levy.percent
            before += tax
    return tuple(
        ComponentTax(
            component=area.components[place].id,
            name=area.components[place].name,
            percent=percents[place],
            base=Money(bases[place], area.currency),
            amount=Money(taxes[place], area.currency),
        )
        for place in sorted(bases)
    )
