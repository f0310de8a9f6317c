"""The taxes of a revision in UBL: one total a tax, and the categories of UNCL 5305.

A line's categories are read off the figures (`tax_scope`) where these leave no doubt, and left out
where they do.

- S, standard: a tax is charged at a rate above zero.
- Z, zero rated: a tax applies at a rate of zero.
- E, exempt: the customer's certificate frees a charge that would be taxed. It is named as reason.
- O, outside scope: the area does not put its taxes on this kind of charge at all. It is not E,
  since nobody was exempted from anything, nor Z, since no rate applies, not even zero.

EN 16931 knows one tax, VAT, and lets O stand beside no other category; sales taxes need both.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from decimal import Decimal
from typing import Final
from xml.etree.ElementTree import Element

from msgspec import Struct

from kitwright.documents.paper import Amount, PaperExemption, PaperTax, QuotePaper
from kitwright.documents.tax_scope import Scope, money, tax_scopes
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
    """How one tax treats a charge; `percent` is None where no rate applies.

    `scheme` is the tax: its id in the shop's area, and its name.
    """

    code: str
    scheme: tuple[str, str]
    percent: str | None = None
    reason: str | None = None


class Taxation(Struct, frozen=True, kw_only=True):
    """A revision's taxes: each with its amount, and its base and amount by category; and the
    categories of each charge kind, at most one a tax, left out where the figures leave it open.
    """

    totals: tuple[tuple[Amount, tuple[tuple[Category, Amount, Amount], ...]], ...]
    kinds: Mapping[str, tuple[Category, ...]]


def wire(given: Money) -> Amount:
    """Return an amount as it stands on the wire."""
    return Amount(given.amount_text, given.currency)


def read_taxes(paper: QuotePaper, scribe: Scribe) -> Taxation:
    """Return the taxes of a revision whose tax is known: those charged, then those that an
    exemption spares altogether.
    """
    currency = paper.shop.currency
    nets: dict[str, Money] = {}
    for line in paper.lines:
        nets[line.tax_kind] = nets.get(line.tax_kind, Money(0, currency)) + money(line.net)
    shown = paper.exemption
    exempt = frozenset(nets.keys() & set(() if shown is None else shown.kinds))
    # revisions of old do not say which taxes are spared: as far as those tell, all are
    spared = {} if shown is None else {tax.component: tax for tax in shown.spares}
    totals = []
    kinds: dict[str, list[Category]] = {kind: [] for kind in nets}
    for tax, is_charged, scope in _scopes(paper, nets.keys() - exempt, spared):
        is_spared = tax is None or not spared or tax.component in spared
        parts: list[tuple[Category, Set[str], Amount, Amount]] = []
        if tax is not None and is_charged:
            parts.append((_charged(tax), scope.taxed, tax.base, tax.amount))
        nothing = wire(Money(0, currency))
        if shown is not None and exempt and is_spared:
            freed = wire(total((nets[kind] for kind in exempt), currency))
            parts.append((_freed(tax, shown, scribe), exempt, freed, nothing))
        alone = scope.left_alone if is_spared else scope.left_alone | exempt
        if alone:
            base = wire(total((nets[kind] for kind in alone), currency))
            parts.append((_outside(tax, scribe), alone, base, nothing))
        for category, members, _, _ in parts:
            for kind in members:
                kinds[kind].append(category)
        subtotals = tuple((category, base, charged) for category, _, base, charged in parts)
        totals.append((tax.amount if tax is not None and is_charged else nothing, subtotals))
    return Taxation(
        totals=tuple(totals), kinds={kind: tuple(found) for kind, found in kinds.items()}
    )


def _scopes(
    paper: QuotePaper, liable: Set[str], spared: Mapping[str, PaperTax]
) -> list[tuple[PaperTax | None, bool, Scope]]:
    """Return each tax, whether it is charged on anything, and its scope; where there is none, that
    none is charged.
    """
    nothing = Scope(frozenset(), frozenset(liable))
    charged = {tax.component for tax in paper.taxes}
    found: list[tuple[PaperTax | None, bool, Scope]] = [
        (tax, True, scope) for tax, scope in zip(paper.taxes, tax_scopes(paper), strict=True)
    ]
    found += [(tax, False, nothing) for name, tax in spared.items() if name not in charged]
    return found or [(None, False, nothing)]


def _scheme(tax: PaperTax | None) -> tuple[str, str]:
    return _NO_TAX if tax is None else (tax.component, tax.name)


def _charged(tax: PaperTax) -> Category:
    code = STANDARD if Decimal(tax.rate) else ZERO
    return Category(code=code, scheme=_scheme(tax), percent=tax.rate)


def _freed(tax: PaperTax | None, exemption: PaperExemption, scribe: Scribe) -> Category:
    reason = scribe.say(
        "Exemption certificate {number}, valid until {day}",
        number=exemption.certificate_number,
        day=scribe.day(exemption.valid_until),
    )
    return Category(code=EXEMPT, scheme=_scheme(tax), percent="0", reason=reason)


def _outside(tax: PaperTax | None, scribe: Scribe) -> Category:
    reason = scribe.say("Not subject to this tax")
    return Category(code=OUTSIDE, scheme=_scheme(tax), reason=reason)


def add_category(parent: Element, name: str, category: Category) -> None:
    """Add a category under the name that its place has for it."""
    added = group(parent, name)
    value(added, "ID", category.code)
    if category.percent is not None:
        value(added, "Percent", category.percent)
    if category.reason is not None:
        value(added, "TaxExemptionReason", category.reason)
    scheme = group(added, "TaxScheme")
    value(scheme, "ID", category.scheme[0])
    value(scheme, "Name", category.scheme[1])


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
