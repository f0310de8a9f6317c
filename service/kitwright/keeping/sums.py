"""Sums: the totals of a revision together with its additions since it was agreed.

Printed amounts never change: the agreed lines keep their amounts, each addition is a line of its
own, and the totals are the sums of both. Tax is calculated by the rules of the revision's own area,
on its own day, as they were stored with it. Later changes of the catalogue therefore have no effect
on agreed revisions.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from decimal import Decimal

import msgspec
from msgspec import Struct, structs

from kitwright.catalogue.model import RoundBy, TaxArea
from kitwright.keeping.record import Addition, Revision
from kitwright.money import Money, cash_round, total
from kitwright.quote import Line, Quote, Tax, known, read_quote
from kitwright.tax import (
    Category,
    Charge,
    ComponentTax,
    LineTax,
    Taxed,
    TaxedLine,
    line_taxes,
    tax_charges,
)
from kitwright.units import Figure, read_figure


class ShelfRow(Struct, frozen=True, kw_only=True, array_like=True):
    """Free stock of one item in one bin when a quote was made, as in `kitwright.stages.supply`."""

    item: str
    quality: str
    brand: str | None
    bin: str
    free: str
    cost: int


class Reckoning(Struct, frozen=True, kw_only=True):
    """How the lines of a revision are totalled: the tax area, the day, the exempt charge kinds, and
    the cash rounding, None for none.

    `shelf` is the free stock that the revision was made with, for its choices; None in revisions of
    versions that did not keep it.
    """

    area: TaxArea
    on: date
    exempt: tuple[str, ...]
    cash_step: Decimal | None
    shelf: tuple[ShelfRow, ...] | None = None


class Sums(Struct, frozen=True, kw_only=True):
    """The tax of every line, the revision's lines first, how each tax treats it (`line_taxes`), and
    the totals; net + tax = gross.

    `freed` are the taxes removed by an exemption. `payable` is gross less the prepaid amount, plus
    `cash_rounding`; a negative amount is paid back.
    """

    lines: tuple[TaxedLine, ...]
    line_taxes: tuple[tuple[LineTax, ...], ...]
    taxes: tuple[ComponentTax, ...]
    freed: tuple[ComponentTax, ...]
    net: Money
    tax: Money
    gross: Money
    cash_rounding: Money
    payable: Money


class Agreed(Struct, frozen=True):
    """The parts of a revision with known tax that its sums need."""

    reckoning: Reckoning
    quote: Quote

    def with_added(self, added: Sequence[Charge]) -> Sums:
        """Return the sums of the revision with more lines, each with or without tax as the shop's
        prices are.

        If tax is rounded by line, the agreed lines keep their tax. Otherwise it is rounded once for
        all lines, as on the bill.

        Raises: MixedCurrencies, and the errors of the tax rules.
        """
        area = self.reckoning.area
        lines = self.quote.lines
        agreed = [Charge(line.tax_kind, line.amount.money) for line in lines]
        if area.rounding.by is RoundBy.line:
            more = self._taxed(added)
            taxed = (*map(_taxed_line, lines), *more.lines)
            taxes = _together(area, self.quote.taxes, more.taxes)
            spared = () if self.quote.exemption is None else self.quote.exemption.spares
            freed = _together(area, spared, more.freed)
        else:
            whole = self._taxed([*agreed, *added])
            taxed, taxes, freed = whole.lines, whole.taxes, whole.freed
        gross = total((line.gross for line in taxed), area.currency)
        left = gross - self.quote.totals.prepaid.money
        step = self.reckoning.cash_step
        payable = left if step is None else cash_round(left, step)
        return Sums(
            lines=taxed,
            line_taxes=self._line_taxes([*agreed, *added], taxed, (*taxes, *freed)),
            taxes=taxes,
            freed=freed,
            net=total((line.net for line in taxed), area.currency),
            tax=total((line.tax for line in taxed), area.currency),
            gross=gross,
            cash_rounding=payable - left,
            payable=payable,
        )

    def _line_taxes(
        self,
        charges: Sequence[Charge],
        taxed: Sequence[TaxedLine],
        taxes: Sequence[ComponentTax],
    ) -> tuple[tuple[LineTax, ...], ...]:
        shown = {tax.component for tax in taxes}
        return tuple(
            tuple(
                line_taxes(
                    self.reckoning.area,
                    charge.kind,
                    line,
                    on=self.reckoning.on,
                    is_exempt=charge.kind in self.reckoning.exempt,
                    shown=shown,
                )
            )
            for charge, line in zip(charges, taxed, strict=True)
        )

    def _taxed(self, charges: Sequence[Charge]) -> Taxed:
        return tax_charges(
            self.reckoning.area,
            charges,
            on=self.reckoning.on,
            exempt=frozenset(self.reckoning.exempt),
        )


def written_reckoning(reckoning: Reckoning) -> bytes:
    """Return how a revision is totalled, encoded as it is stored."""
    return msgspec.json.encode(reckoning, enc_hook=str)


def _read_figure(_: type, text: str) -> Figure:
    # the only type of the catalogue that the decoder does not know
    return read_figure(text)


def read_reckoning(revision: Revision) -> Reckoning | None:
    """Return how a revision is totalled, None if its tax is not known."""
    if not revision.reckoning:
        return None
    return msgspec.json.decode(revision.reckoning, type=Reckoning, dec_hook=_read_figure)


def read_agreed(revision: Revision) -> Agreed:
    """Return the agreed revision, whose tax must be known, to total with its additions."""
    return Agreed(
        msgspec.json.decode(revision.reckoning, type=Reckoning, dec_hook=_read_figure),
        read_quote(revision.answer),
    )


def sums_of(revision: Revision, additions: Sequence[Addition]) -> Sums:
    """Return the sums of a revision with some additions, in their order."""
    return read_agreed(revision).with_added([charge_of(one) for one in additions])


def charge_of(addition: Addition) -> Charge:
    """Return an addition in the form that the tax rules take."""
    return Charge(addition.tax_kind, addition.price)


def largest_price(wanted: Money, comes_to: Callable[[Money], Money]) -> Money:
    """Return the largest price of a line whose result does not exceed `wanted`.

    Args:
        wanted: above zero.
        comes_to: the result of a price; never less for a larger price, and without bound.
    """
    currency = wanted.currency
    low, high = 0, wanted.minor
    while comes_to(Money(high, currency)) <= wanted:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        if comes_to(Money(middle, currency)) <= wanted:
            low = middle
        else:
            high = middle
    return Money(low, currency)


def _taxed_line(line: Line) -> TaxedLine:
    """Return a line of an agreed revision with its tax, as the tax rules have it."""
    charged = (Category.standard, Category.zero)
    return TaxedLine(
        net=known(line.net),
        tax=known(line.tax),
        gross=known(line.gross),
        parts=tuple(tax.amount.money.minor for tax in line.taxes if tax.category in charged),
    )


def _together(
    area: TaxArea, agreed: Sequence[Tax], more: Sequence[ComponentTax]
) -> tuple[ComponentTax, ...]:
    """Return the taxes of two parts of a document as one, in the area's order."""
    summed = {
        one.component: ComponentTax(
            component=one.component,
            name=one.name,
            percent=Decimal(one.rate),
            base=one.base.money,
            amount=one.amount.money,
        )
        for one in agreed
    }
    for one in more:
        before = summed.get(one.component)
        summed[one.component] = (
            one
            if before is None
            else structs.replace(
                before, base=before.base + one.base, amount=before.amount + one.amount
            )
        )
    return tuple(summed[one.id] for one in area.components if one.id in summed)
