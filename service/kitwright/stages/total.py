"""Total: the tax of a quote's lines, their sums, and what is asked in advance."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    RoleId,
    RoundBy,
    Shop,
    TaxArea,
)
from kitwright.money import Money, cash_round, round_minor, total
from kitwright.stages.kit import Kit
from kitwright.stages.line import LineKind, PricedLine
from kitwright.stages.request import Request
from kitwright.tax.charges import Charge, ComponentTax, Taxed, TaxedLine, tax_charges
from kitwright.units import exact

WHOLE_ENGINE: Final = RoleId("engine")
"""The role that a whole replacement engine fills."""


_MAY_BE_ORDERED: Final = (LineKind.part, LineKind.part_set)


class Totals(Struct, frozen=True, kw_only=True):
    """The sums of the printed lines. net + tax = gross; what is not known is None, never zero.

    `lines` is the sum of all lines but discounts, `discount` that of discounts (zero or below),
    both net or gross as the shop's prices are. `deposit` is asked in advance. `payable` is the
    gross amount less what is `prepaid`, with the `cash_rounding` that makes it payable in
    coins.
    """

    lines: Money
    discount: Money
    net: Money | None
    tax: Money | None
    gross: Money | None
    deposit: Money
    prepaid: Money
    cash_rounding: Money
    payable: Money | None


def tax_lines(
    shop: Shop, request: Request, lines: Sequence[PricedLine], kit: Kit
) -> tuple[tuple[TaxedLine, ...] | None, tuple[ComponentTax, ...], Totals]:
    """Return each line's net, tax and gross, the taxes, and the totals; None where tax is not
    known.
    """
    currency = shop.currency
    discounts = [line.amount for line in lines if line.kind is LineKind.discount]
    discount = total(discounts, currency)
    summed = total((line.amount for line in lines), currency)
    terms = request.asked.terms
    prepaid = Money.of(terms.prepaid, currency)
    if request.tax_area is None:
        totals = Totals(
            lines=summed - discount,
            discount=discount,
            net=None if shop.selling_prices_include_tax else summed,
            tax=None,
            gross=None,
            deposit=_deposit(shop, lines, None, kit),
            prepaid=prepaid,
            cash_rounding=Money(0, currency),
            payable=None,
        )
        return None, (), totals
    taxed = _taxed(request.tax_area, request, lines)
    left = taxed.gross - prepaid
    coins = cash_round(left, shop.cash_step) if terms.pays_cash and shop.cash_step else left
    totals = Totals(
        lines=summed - discount,
        discount=discount,
        net=taxed.net,
        tax=taxed.tax,
        gross=taxed.gross,
        deposit=min(_deposit(shop, lines, taxed.lines, kit), max(taxed.gross, Money(0, currency))),
        prepaid=prepaid,
        cash_rounding=coins - left,
        payable=coins,
    )
    return taxed.lines, taxed.taxes, totals


def _taxed(area: TaxArea, request: Request, lines: Sequence[PricedLine]) -> Taxed:
    """Return the tax of lines and their discounts.

    Where each line's tax is rounded, a discount's tax is what it takes off the tax of the lines
    that it reduces: so what is given away bears none, to the last minor unit.
    """

    def tax(charges: Sequence[Charge]) -> Taxed:
        return tax_charges(area, charges, on=request.asked.on, exempt=request.exempt_kinds)

    discounts = [line for line in lines if line.kind is LineKind.discount]
    if not discounts or area.rounding.by is not RoundBy.line:
        return tax([Charge(line.tax_kind, line.amount) for line in lines])
    others = [line for line in lines if line.kind is not LineKind.discount]
    # a line's tax depends on its own amount alone, so all amounts it passes through go in at once
    charges = [Charge(line.tax_kind, line.amount) for line in others]
    latest = list(range(len(others)))
    steps: list[list[tuple[int, int]]] = []
    for discount in discounts:
        step = []
        for place, off in discount.reduces:
            before = charges[latest[place]]
            step.append((latest[place], len(charges)))
            latest[place] = len(charges)
            less = before.amount - Money(off, area.currency)
            charges.append(Charge(before.kind, less))
        steps.append(step)
    passed = tax(charges).lines
    reduced = tax([charges[place] for place in latest])
    zero = Money(0, area.currency)
    printed = [*passed[: len(others)]]
    for step in steps:
        net, taken = zero, zero
        for before_place, after_place in step:
            net += passed[after_place].net - passed[before_place].net
            taken += passed[after_place].tax - passed[before_place].tax
        printed.append(TaxedLine(net=net, tax=taken, gross=net + taken))
    return structs.replace(reduced, lines=tuple(printed))


def _deposit(
    shop: Shop,
    lines: Sequence[PricedLine],
    taxed: Sequence[TaxedLine] | None,
    kit: Kit,
) -> Money:
    """Return what is asked in advance: the shop's share of what parts cost that are ordered for
    this quote.
    """
    ordered: dict[str, Fraction] = {}
    for bought in kit.bought:
        item = bought.source.item
        # a set's line counts sets, a part's the pieces that are fitted
        is_set = any(each.need.item != item for each in bought.covers)
        pieces: Fraction | int = bought.packs * bought.source.pack
        if not is_set:
            pieces = sum((each.quantity for each in bought.covers), start=Fraction(0))
        ordered[item] = ordered.get(item, Fraction(0)) + pieces
    taken_off: dict[int, int] = {}
    for line in lines:
        for place, off in line.reduces:
            taken_off[place] = taken_off.get(place, 0) + off
    engines = {need.item for need in kit.needs if need.role == WHOLE_ENGINE}
    terms = shop.quote.deposit
    asked = {True: Fraction(0), False: Fraction(0)}
    for index, line in enumerate(lines):
        if line.kind in _MAY_BE_ORDERED and line.code in ordered and line.amount.minor:
            price = Fraction((line.amount if taxed is None else taxed[index].gross).minor)
            if index in taken_off:
                price *= 1 - Fraction(taken_off[index], line.amount.minor)
            part = ordered[line.code]
            if part < line.quantity:
                price *= part / exact(line.quantity)
            asked[line.code in engines] += price
    minor = (
        asked[True] * exact(terms.whole_engine_percent)
        + asked[False] * exact(terms.special_order_percent)
    ) / 100
    return Money(round_minor(minor), shop.currency)
