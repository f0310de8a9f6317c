"""Sums: what a revision comes to with what was added to it since it was agreed to.

Nothing that was printed changes: the agreed lines keep their amounts, each addition is a line of
its own, and the totals are the sums of both. Tax is reckoned by the rules of the revision's own
area, on its own day, as they were kept with it; so whatever becomes of the catalogue, what was
agreed stays what it is.
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
from kitwright.tax.charges import Charge, ComponentTax, Taxed, TaxedLine, tax_charges
from kitwright.units import Figure, read_figure


class Reckoning(Struct, frozen=True, kw_only=True):
    """How the lines of a revision come to its totals: by which tax area, on which day, which charge
    kinds being exempt, and to which coins what is left is rounded, None for none.
    """

    area: TaxArea
    on: date
    exempt: tuple[str, ...]
    cash_step: Decimal | None


class Sums(Struct, frozen=True, kw_only=True):
    """The tax of every line, those of the revision first, and the totals; net + tax = gross.

    `freed` are the taxes that an exemption spares.
    `payable` is gross less what was prepaid, plus `cash_rounding`; below zero, it is paid back.
    """

    lines: tuple[TaxedLine, ...]
    taxes: tuple[ComponentTax, ...]
    freed: tuple[ComponentTax, ...]
    net: Money
    tax: Money
    gross: Money
    cash_rounding: Money
    payable: Money


class _Amount(Struct, frozen=True):
    amount: str
    currency: str

    @property
    def money(self) -> Money:
        return Money.of(Decimal(self.amount), self.currency)


class _Line(Struct, frozen=True):
    tax_kind: str
    amount: _Amount
    net: _Amount
    tax: _Amount
    gross: _Amount

    @property
    def taxed(self) -> TaxedLine:
        return TaxedLine(net=self.net.money, tax=self.tax.money, gross=self.gross.money)


class _Tax(Struct, frozen=True):
    component: str
    name: str
    rate: str
    base: _Amount
    amount: _Amount

    @property
    def component_tax(self) -> ComponentTax:
        return ComponentTax(
            component=self.component,
            name=self.name,
            percent=Decimal(self.rate),
            base=self.base.money,
            amount=self.amount.money,
        )


class _Exemption(Struct, frozen=True):
    spares: tuple[_Tax, ...] = ()


class _Totals(Struct, frozen=True):
    prepaid: _Amount


class _Answer(Struct, frozen=True):
    """What is read of a revision's answer."""

    lines: tuple[_Line, ...]
    taxes: tuple[_Tax, ...]
    totals: _Totals
    exemption: _Exemption | None = None


class Agreed(Struct, frozen=True):
    """A revision whose tax is known, as far as its sums need it."""

    reckoning: Reckoning
    answer: _Answer

    def with_added(self, added: Sequence[Charge]) -> Sums:
        """Return what the revision comes to with more lines, each printed as the shop's prices are.

        Where tax is rounded by line, the agreed lines keep theirs; else it is rounded once for all
        lines, as on the bill.

        Raises: MixedCurrencies, and the errors of the tax rules.
        """
        area = self.reckoning.area
        lines = self.answer.lines
        if area.rounding.by is RoundBy.line:
            more = self._taxed(added)
            taxed = (*(line.taxed for line in lines), *more.lines)
            taxes = _together(area, [one.component_tax for one in self.answer.taxes], more.taxes)
            spared = () if self.answer.exemption is None else self.answer.exemption.spares
            freed = _together(area, [one.component_tax for one in spared], more.freed)
        else:
            agreed = [Charge(line.tax_kind, line.amount.money) for line in lines]
            whole = self._taxed([*agreed, *added])
            taxed, taxes, freed = whole.lines, whole.taxes, whole.freed
        gross = total((line.gross for line in taxed), area.currency)
        left = gross - self.answer.totals.prepaid.money
        step = self.reckoning.cash_step
        payable = left if step is None else cash_round(left, step)
        return Sums(
            lines=taxed,
            taxes=taxes,
            freed=freed,
            net=total((line.net for line in taxed), area.currency),
            tax=total((line.tax for line in taxed), area.currency),
            gross=gross,
            cash_rounding=payable - left,
            payable=payable,
        )

    def _taxed(self, charges: Sequence[Charge]) -> Taxed:
        return tax_charges(
            self.reckoning.area,
            charges,
            on=self.reckoning.on,
            exempt=frozenset(self.reckoning.exempt),
        )


def written_reckoning(reckoning: Reckoning) -> bytes:
    """Return how a revision is summed, as it is kept."""
    return msgspec.json.encode(reckoning, enc_hook=str)


def _read_figure(_: type, text: str) -> Figure:
    # the only type of the catalogue that the decoder does not know
    return read_figure(text)


def read_agreed(revision: Revision) -> Agreed:
    """Return a revision whose tax is known, to be summed with what was added."""
    return Agreed(
        msgspec.json.decode(revision.reckoning, type=Reckoning, dec_hook=_read_figure),
        msgspec.json.decode(revision.answer, type=_Answer),
    )


def sums_of(revision: Revision, additions: Sequence[Addition]) -> Sums:
    """Return what a revision comes to with some additions, in their order."""
    return read_agreed(revision).with_added([charge_of(one) for one in additions])


def charge_of(addition: Addition) -> Charge:
    """Return an addition as the tax rules take it."""
    return Charge(addition.tax_kind, addition.price)


def largest_price(wanted: Money, comes_to: Callable[[Money], Money]) -> Money:
    """Return the largest price of a line that comes to no more than what is wanted.

    Args:
        wanted: above zero.
        comes_to: what a price comes to, never less for a larger one; without bound.
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


def _together(
    area: TaxArea, agreed: Sequence[ComponentTax], more: Sequence[ComponentTax]
) -> tuple[ComponentTax, ...]:
    """Return the taxes of two parts of a document as one, in the area's order."""
    known = {one.component: one for one in agreed}
    for one in more:
        before = known.get(one.component)
        known[one.component] = (
            one
            if before is None
            else structs.replace(
                before, base=before.base + one.base, amount=before.amount + one.amount
            )
        )
    return tuple(known[one.id] for one in area.components if one.id in known)
