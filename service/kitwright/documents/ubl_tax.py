"""The taxes of a revision in UBL: one total a tax, and the categories of UNCL 5305.

A revision says what each tax is charged on in all, and how much tax each line bears in all, but not
which taxes a line bears. So a line's categories are read off these figures where they leave no
doubt, and left out where they do.

- S, standard: a tax is charged at a rate above zero.
- Z, zero rated: a tax applies at a rate of zero.
- E, exempt: the customer's certificate frees a charge that would be taxed. It is named as reason.
- O, outside scope: the area does not put its taxes on this kind of charge at all. It is not E,
  since nobody was exempted from anything, nor Z, since no rate applies, not even zero.

EN 16931 knows one tax, VAT, and lets O stand beside no other category; sales taxes need both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from decimal import Decimal
from typing import Final
from xml.etree.ElementTree import Element

from msgspec import Struct

from kitwright.documents.paper import Amount, PaperLine, PaperTax, QuotePaper
from kitwright.documents.ubl_xml import amount, group, value
from kitwright.language.scribe import Scribe
from kitwright.money import Money, total

STANDARD: Final = "S"
ZERO: Final = "Z"
EXEMPT: Final = "E"
OUTSIDE: Final = "O"

_NO_TAX: Final = ("OTH", "OTH")
"""UNCL 5153, "other taxes": where no tax is charged there is none to name."""


class Category(Struct, frozen=True, kw_only=True):
    """How one tax treats a charge; `percent` is None where no rate applies."""

    code: str
    scheme: str
    name: str
    percent: str | None = None
    reason: str | None = None


class Taxation(Struct, frozen=True, kw_only=True):
    """A revision's taxes: a total each, and the categories of each charge kind.

    `kinds` says nothing, by an empty tuple, of what the figures leave open.
    """

    totals: tuple[tuple[Amount, tuple[tuple[Category, Amount, Amount], ...]], ...]
    kinds: Mapping[str, tuple[Category, ...]]


def money(given: Amount) -> Money:
    """Return an amount of the wire to reckon with."""
    return Money.of(Decimal(given.amount), given.currency)


def wire(given: Money) -> Amount:
    """Return an amount as it stands on the wire."""
    return Amount(given.amount_text, given.currency)


def known(given: Amount | None) -> Money:
    """Return a figure that every revision has whose tax is known."""
    assert given is not None
    return money(given)


def read_taxes(paper: QuotePaper, scribe: Scribe) -> Taxation:
    """Return the taxes of a revision whose tax is known."""
    return _Reader(paper, scribe).taxation()


class _Reader:
    """What a revision's figures say of its taxes."""

    def __init__(self, paper: QuotePaper, scribe: Scribe) -> None:
        self._taxes = paper.taxes
        self._currency = paper.shop.currency
        self._lines: dict[str, list[PaperLine]] = {}
        for line in paper.lines:
            self._lines.setdefault(line.tax_kind, []).append(line)
        shown = paper.exemption
        freed = () if shown is None else shown.kinds
        self._exempt = self._lines.keys() & set(freed)
        liable = self._lines.keys() - self._exempt
        self._bearing = frozenset(kind for kind in liable if self._bears_tax(kind))
        # a kind that is nothing in all fits every base, so that none says whether it is taxed
        self._telling = self._bearing | {kind for kind in liable if self._net([kind]).minor}
        self._taxed = self._find_taxed()
        self._outside = frozenset() if self._taxed is None else self._telling - self._taxed
        self._not_subject = scribe.say("Not subject to this tax")
        self._certificate = ""
        if shown is not None:
            self._certificate = scribe.say(
                "Exemption certificate {number}, valid until {day}",
                number=shown.certificate_number,
                day=scribe.day(shown.valid_until),
            )

    def _bears_tax(self, kind: str) -> bool:
        return any(known(line.tax).minor for line in self._lines[kind])

    def _net(self, kinds: Iterable[str]) -> Money:
        nets = [known(line.net) for kind in kinds for line in self._lines[kind]]
        return total(nets, self._currency)

    def _find_taxed(self) -> frozenset[str] | None:
        """Return the kinds that bear every tax of the revision; None where they differ by tax, or
        where that can't be told.
        """
        if not self._taxes:
            return frozenset()
        # kinds without a tax amount may still be taxed: at a rate of zero, or too little to show
        for kinds in (self._bearing, self._telling):
            if self._is_base(self._net(kinds)):
                return kinds
        return None

    def _is_base(self, net: Money) -> bool:
        """Return whether every tax is charged on a net amount, or on that and the taxes before."""
        before = Money(0, self._currency)
        for tax in self._taxes:
            if money(tax.base) not in (net, net + before):
                return False
            before += money(tax.amount)
        return True

    def taxation(self) -> Taxation:
        zero = Amount(Money(0, self._currency).amount_text, self._currency)
        if not self._taxes:
            totals = [(zero, tuple(self._untaxed(_NO_TAX)))]
        else:
            totals = [
                (
                    tax.amount,
                    ((_charged(tax), tax.base, tax.amount), *self._untaxed(_scheme(tax))),
                )
                for tax in self._taxes
            ]
        return Taxation(
            totals=tuple(totals),
            kinds={kind: tuple(self._categories(kind)) for kind in self._lines},
        )

    def _untaxed(self, scheme: tuple[str, str]) -> Iterator[tuple[Category, Amount, Amount]]:
        zero = wire(Money(0, self._currency))
        for kinds, category in ((self._exempt, self._freed), (self._outside, self._unscoped)):
            if kinds:
                yield category(scheme), wire(self._net(kinds)), zero

    def _categories(self, kind: str) -> Iterator[Category]:
        schemes = [_scheme(tax) for tax in self._taxes] or [_NO_TAX]
        made: Callable[[tuple[str, str]], Category]
        if kind in self._exempt:
            made = self._freed
        elif kind in self._outside:
            made = self._unscoped
        else:
            if self._taxed is not None and kind in self._taxed:
                yield from map(_charged, self._taxes)
            return
        yield from map(made, schemes)

    def _freed(self, scheme: tuple[str, str]) -> Category:
        return Category(
            code=EXEMPT, scheme=scheme[0], name=scheme[1], percent="0", reason=self._certificate
        )

    def _unscoped(self, scheme: tuple[str, str]) -> Category:
        return Category(code=OUTSIDE, scheme=scheme[0], name=scheme[1], reason=self._not_subject)


def _scheme(tax: PaperTax) -> tuple[str, str]:
    return tax.component, tax.name


def _charged(tax: PaperTax) -> Category:
    code = STANDARD if Decimal(tax.rate) else ZERO
    return Category(code=code, scheme=tax.component, name=tax.name, percent=tax.rate)


def add_category(parent: Element, name: str, category: Category) -> None:
    """Add a category under the name that its place has for it."""
    added = group(parent, name)
    value(added, "ID", category.code)
    if category.percent is not None:
        value(added, "Percent", category.percent)
    if category.reason is not None:
        value(added, "TaxExemptionReason", category.reason)
    scheme = group(added, "TaxScheme")
    value(scheme, "ID", category.scheme)
    value(scheme, "Name", category.name)


def add_tax_totals(parent: Element, taxation: Taxation) -> None:
    """Add a total for each tax, with what it is charged on and what it leaves alone."""
    for tax, subtotals in taxation.totals:
        added = group(parent, "TaxTotal")
        amount(added, "TaxAmount", tax)
        for category, base, charged in subtotals:
            part = group(added, "TaxSubtotal")
            amount(part, "TaxableAmount", base)
            amount(part, "TaxAmount", charged)
            add_category(part, "TaxCategory", category)
