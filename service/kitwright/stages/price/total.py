"""Total: the tax of a quote's lines, their sums, and the deposit."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import (
    RoleId,
    RoundBy,
    Shop,
    TaxArea,
)
from kitwright.money import Money, cash_round, round_ratio, total
from kitwright.stages.kit import Kit
from kitwright.stages.price.line import LineKind, PricedLine
from kitwright.stages.request import Request, RequestFault, RequestRefused
from kitwright.tax.charges import (
    Charge,
    ComponentTax,
    Taxed,
    TaxedLine,
    reckon_taxes,
)
from kitwright.tax.reduced import tax_reduced
from kitwright.units import exact

WHOLE_ENGINE: Final = RoleId("engine")
"""The role that a complete replacement engine fills."""


_MAY_BE_ORDERED: Final = (LineKind.part, LineKind.part_set)
_DISCOUNT: Final = LineKind.discount


MOST_PREPAID_TIMES: Final = 100
"""How many times the price may be prepaid. Customers do overpay; more is a typing error."""


class PrepaidTooLarge(RequestFault):
    """A prepaid amount far above the price of the quote."""

    code = "prepaid-too-large"

    def __init__(self, prepaid: Money, price: Money) -> None:
        super().__init__(
            f"{prepaid.amount_text} is more than {MOST_PREPAID_TIMES} times the price of this "
            f"quote, {price.amount_text} {price.currency}"
        )
        self.prepaid = prepaid
        self.price = price


class Totals(Struct, frozen=True, kw_only=True):
    """The sums of the printed lines. net + tax = gross; unknown amounts are None, never zero.

    `lines` is the sum of all lines except discounts, `discount` the sum of discounts (zero or
    negative). Both are net or gross like the shop's prices; if these include tax, the tax that an
    exemption takes off is still in them. `deposit` is due before parts are ordered. `payable` is
    the gross amount less `prepaid`, plus `cash_rounding`.
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

    @property
    def price(self) -> Money:
        """The gross amount, or, if tax is not known, the sum of all lines with discounts."""
        return self.lines + self.discount if self.gross is None else self.gross


class Summed(Struct, frozen=True, kw_only=True):
    """The tax of each line, the taxes, the taxes not charged because of an exemption, and the
    totals.

    `line_taxes` is None if tax is not known.
    """

    line_taxes: tuple[TaxedLine, ...] | None
    taxes: tuple[ComponentTax, ...]
    freed: tuple[ComponentTax, ...]
    totals: Totals


class Advance(Struct, frozen=True):
    """The deposit on one line: the line's place, and the share of its price, top / bottom."""

    place: int
    top: int
    bottom: int


def tax_lines(
    shop: Shop,
    request: Request,
    lines: Sequence[PricedLine],
    advances: Sequence[Advance],
) -> Summed:
    """Return each line's net, tax and gross, the taxes, and the totals.

    Args:
        shop: whose quote it is.
        request: gives the tax area, the day and the exemption.
        lines: with discounts last.
        advances: the deposits on these lines.
    """
    currency = shop.currency
    discount = total([line.amount for line in _discounts(lines)], currency)
    summed = total([line.amount for line in lines], currency)
    terms = request.asked.terms
    prepaid = Money.of(terms.prepaid, currency)
    if request.tax_area is None:
        totals = Totals(
            lines=summed - discount,
            discount=discount,
            net=None if shop.selling_prices_include_tax else summed,
            tax=None,
            gross=None,
            deposit=_deposit(currency, lines, None, advances),
            prepaid=prepaid,
            cash_rounding=Money(0, currency),
            payable=None,
        )
        _check_prepaid(shop, totals)
        return Summed(line_taxes=None, taxes=(), freed=(), totals=totals)
    taxed = _taxed(request.tax_area, request, lines)
    left = taxed.gross - prepaid
    coins = cash_round(left, shop.cash_step) if terms.pays_cash and shop.cash_step else left
    totals = Totals(
        lines=summed - discount,
        discount=discount,
        net=taxed.net,
        tax=taxed.tax,
        gross=taxed.gross,
        deposit=min(
            _deposit(currency, lines, taxed.lines, advances),
            max(taxed.gross, Money(0, currency)),
        ),
        prepaid=prepaid,
        cash_rounding=coins - left,
        payable=coins,
    )
    _check_prepaid(shop, totals)
    return Summed(line_taxes=taxed.lines, taxes=taxed.taxes, freed=taxed.freed, totals=totals)


def _check_prepaid(shop: Shop, totals: Totals) -> None:
    """Raise RequestRefused if the prepaid amount is far above the price.

    Of a price below that of an hour's labour, such as nothing for work on warranty, the hour is
    taken instead: what was paid for it before is to be paid back.
    """
    hour = Money.of(max(shop.labour.rates.values()), shop.currency)
    if totals.prepaid.minor > MOST_PREPAID_TIMES * max(totals.price.minor, hour.minor):
        raise RequestRefused([PrepaidTooLarge(totals.prepaid, totals.price).at("prepaid")])


def price_of(shop: Shop, request: Request, lines: Sequence[PricedLine]) -> Money:
    """Return the `price` of the totals of lines, without computing the other sums."""
    area = request.tax_area
    if area is None:
        return total([line.amount for line in lines], shop.currency)
    amounts = [(line.tax_kind, line.amount.minor) for line in lines]
    if area.rounding.by is RoundBy.line and (discounts := _discounts(lines)):
        # a discount's tax is its reduction of the tax of the lines that it reduces
        del amounts[len(lines) - len(discounts) :]
        for discount in discounts:
            for place, off in discount.reduces:
                kind, left = amounts[place]
                amounts[place] = kind, left - off
    exempt = request.exempt_kinds
    taxes = reckon_taxes(area, amounts, on=request.asked.on, exempt=exempt).parts
    gross = sum([minor for _, minor in amounts])
    if not area.prices_include_tax:
        gross += sum(map(sum, taxes))
    elif exempt:
        gross -= sum(
            sum(tax) for (kind, _), tax in zip(amounts, taxes, strict=True) if kind in exempt
        )
    return Money(gross, shop.currency)


def _taxed(area: TaxArea, request: Request, lines: Sequence[PricedLine]) -> Taxed:
    """Return the tax of lines and their discounts."""
    charges = [Charge(line.tax_kind, line.amount) for line in lines]
    reductions = [line.reduces for line in lines]
    exempt = request.exempt_kinds
    return tax_reduced(area, charges, reductions, on=request.asked.on, exempt=exempt)


def _discounts(lines: Sequence[PricedLine]) -> Sequence[PricedLine]:
    """Return the discounts at the end of some lines."""
    others = len(lines)
    while others and lines[others - 1].kind is _DISCOUNT:
        others -= 1
    return lines[others:]


def find_advances(shop: Shop, lines: Sequence[PricedLine], kit: Kit) -> tuple[Advance, ...]:
    """Return the deposits: the shop's percentage of the prices of parts ordered for this quote.

    They are shares of lines, so that changes of prices do not affect them.
    """
    ordered: dict[str, Fraction | int] = {}
    for bought in kit.bought:
        item = bought.source.item
        # a set's line counts sets, a part's the pieces that are fitted
        is_set = any(each.need.item != item for each in bought.covers)
        pieces: Fraction | int = bought.packs * bought.source.pack
        if not is_set:
            first, *more = bought.covers
            pieces = sum((each.quantity for each in more), start=first.quantity)
        ordered[item] = ordered[item] + pieces if item in ordered else pieces
    engines = {need.item for need in kit.needs if need.role == WHOLE_ENGINE}
    of_engine = exact(shop.quote.deposit.whole_engine_percent) / 100
    of_others = exact(shop.quote.deposit.special_order_percent) / 100
    found = []
    for place, line in enumerate(lines):
        if line.kind not in _MAY_BE_ORDERED or line.code not in ordered:
            continue
        part = of_engine if line.code in engines else of_others
        there = ordered[line.code]
        if there.as_integer_ratio() != line.quantity.as_integer_ratio():
            quantity = exact(line.quantity)
            part *= there / quantity if there < quantity else 1
        found.append(Advance(place, part.numerator, part.denominator))
    return tuple(found)


def _deposit(
    currency: str,
    lines: Sequence[PricedLine],
    taxed: Sequence[TaxedLine] | None,
    advances: Sequence[Advance],
) -> Money:
    """Return the total deposit, based on prices after discounts."""
    taken_off: dict[int, int] = {}
    for line in _discounts(lines):
        for place, off in line.reduces:
            taken_off[place] = taken_off.get(place, 0) + off
    # one fraction that is never reduced: faster than Fraction, and just as exact
    top, bottom = 0, 1
    for advance in advances:
        printed = lines[advance.place].amount
        if not printed.minor:
            continue
        price = printed if taxed is None else taxed[advance.place].gross
        part, whole = price.minor * advance.top, advance.bottom
        off = taken_off.get(advance.place, 0)
        if off:
            part *= printed.minor - off
            whole *= printed.minor
        top = top * whole + part * bottom
        bottom *= whole
    if bottom < 0:
        top, bottom = -top, -bottom
    return Money(round_ratio(top, bottom), currency)
