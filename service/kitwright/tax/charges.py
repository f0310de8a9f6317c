"""The tax on the printed amounts of a document's lines, to the minor unit.

What is rounded is what the area says, once each, and everything else is split from it:

- by line: each component's tax of each line;
- by component: each component's tax of the document;
- by document: the tax of each whole rate, that is of all components that apply to a line
  together. Its components then share the rounded amount by largest remainder.

The same holds whether prices exclude tax or include it; in a price including tax, a component's
tax is its exact share of the price. Where amounts are rounded by line or by component and prices
exclude tax, a compounding component is charged on the rounded amounts of those before it; in
every other case on their exact ones, since there is no rounded amount yet.

What an exemption frees bears no tax. In prices that include it, the tax of freed charges is worked
out in the same way, apart from that of the others, and taken off.
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
    """The printed amount of a line: net where the area's prices exclude tax, gross where not.

    `kind` is the word that the area taxes by. A discount follows its line: its charge has a
    negative amount and the kind of the line that it reduces.
    """

    kind: str
    amount: Money


class TaxedLine(Struct, frozen=True, kw_only=True):
    """One charge with its tax; net + tax = gross.

    One of them is the charge's amount, but where an exemption takes tax off a price that includes
    it: then both are less. `parts` are the minor units of each tax that the area has on the kind,
    in its order; they sum to the tax, and none is there of what is exempt.
    """

    net: Money
    tax: Money
    gross: Money
    parts: tuple[int, ...]


class Category(StrEnum):
    """How a tax treats a charge, as UNCL 5305 calls it: at a rate, at a rate of zero, exempt by a
    certificate, or not at all, since the area does not put it on this kind of charge.
    """

    standard = "S"
    zero = "Z"
    exempt = "E"
    outside = "O"


class LineTax(Struct, frozen=True, kw_only=True):
    """How one tax of a document treats one charge; `percent` is zero where nothing is charged."""

    component: str
    name: str
    category: Category
    percent: Decimal
    base: Money
    amount: Money


class ComponentTax(Struct, frozen=True, kw_only=True):
    """One tax of a document: its own rate in per cent, what it is charged on, and how much it is.

    `base` is net of tax, except that a compounding component's contains the amounts of those
    before it.
    """

    component: str
    name: str
    percent: Decimal
    base: Money
    amount: Money


class Taxed(Struct, frozen=True, kw_only=True):
    """Charges with their tax, to the minor unit.

    Of lines and totals net + tax = gross; totals are the sums of the lines, one for each charge in
    its order; `tax` is the sum of `taxes` as well, which are in the area's order. `freed` are the
    taxes that an exemption spares, what they would be charged on, and how much that is.
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
    """Return what an area's taxes make of printed line amounts.

    Totals and component amounts do not depend on the order of the charges. All amounts' signs
    turned, all results are the same with their signs turned.

    Args:
        area: the rules; `prices_include_tax` says what the amounts are.
        charges: in the area's currency, of either sign; none gives zeros.
        on: the day whose rates count.
        exempt: kinds that a valid exemption frees: they bear no tax and enter no base; where
            prices include tax, it is taken off.

    Returns: with a tax for every component that applies to a charge, its rate zero or not.
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
    """Yield how each tax that a document shows treats one of its charges, in the area's order.

    Of all charges, the amounts of a tax sum to its own, and so do the bases of those that it is
    charged on.
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
    """The tax of each charge, in minor units, by the taxes that the area has on its kind, in its
    order; those of the document, and those that an exemption spares. A freed charge's is what its
    price includes, none where prices exclude tax.
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
    """Return what `tax_charges` does in bare numbers: kinds and minor units in, taxes out.

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
    """Return an amount, net or gross as the area's prices are, with the parts of its tax in minor
    units; one that is exempt without them.
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
    """The charges that one whole rate applies to, and their taxes so far, in minor units.

    `places` are the charges' positions, and `amounts` run beside them. `levy_taxes` run beside the
    whole rate's levies and `dues`, and so do `cells`: what of each tax falls on each charge.
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
        """The tax of each charge so far."""
        if not self.cells:
            return [0] * len(self.amounts)
        return (
            self.cells[0] if len(self.cells) == 1 else list(map(sum, zip(*self.cells, strict=True)))
        )

    def spread(self, tax: int, tops: list[int], bottom: int) -> Sequence[int]:
        """Return the parts of a rounded tax that fall on the lines, whose exact ones are tops /
        bottom.

        Where prices include tax, the nets are split by largest remainder, and each line's tax is
        what is left of its price.
        """
        if self.is_included:
            rests = [amount * bottom - top for amount, top in zip(self.amounts, tops, strict=True)]
            nets = apportion(self.amount - tax, rests, bottom)
            return [amount - net for amount, net in zip(self.amounts, nets, strict=True)]
        return apportion(tax, tops, bottom)


def _group(
    area: TaxArea, amounts: Sequence[tuple[str, int]], on: date, exempt: Set[str]
) -> tuple[list[_Group], list[_Group]]:
    """Return the charges that are taxed alike together, and apart from them the exempt ones."""
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
    # In the area's order rather than the lines', so that ties between groups fall alike whatever
    # the order of the lines.
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
    """Return what of each tax falls on each charge: the charges' taxes split by weights, and moved
    by single units, on the largest first, until each tax has its sum.
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
