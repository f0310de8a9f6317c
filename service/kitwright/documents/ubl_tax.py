"""Taxes of a quote in UBL: one total for each tax, and the categories of UNCL 5305.

Each line states how each tax treats it (`LineTax`): S, at a rate above zero; Z, at a rate of zero;
E, exempt by the customer's certificate, which is named as the reason; O, outside scope, if the area
does not apply the tax to this kind of charge. O is not E, because no one was exempted, and not Z,
because no rate applies, not even zero.

EN 16931 knows one tax, VAT, and does not allow O together with any other category; sales taxes need
both.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.etree.ElementTree import Element

from msgspec import Struct

from kitwright.documents.balance_view import exemption_told
from kitwright.documents.ubl_xml import amount, group, value
from kitwright.language.scribe import Scribe
from kitwright.money import Money, total
from kitwright.quote import Amount, Line, LineTax, Quote, amount_of
from kitwright.tax import Category

_NO_TAX: Final = ("OTH", "OTH")
"""UNCL 5153, "other taxes": used if no tax is charged, because there is none to name."""
_ORDER: Final = tuple(Category)


class TaxCategory(Struct, frozen=True, kw_only=True):
    """How one tax treats a charge; `percent` is None if no rate applies.

    `scheme` is the tax: its id in the shop's area, and its name.
    """

    code: Category
    scheme: tuple[str, str]
    percent: str | None = None
    reason: str | None = None


def categories_of(line: Line, quote: Quote, scribe: Scribe) -> tuple[TaxCategory, ...]:
    """Return how each tax of a quote treats a line; if there is none, a category saying that none
    is charged.
    """
    if not line.taxes:
        reason = scribe.say("Not subject to this tax")
        return (TaxCategory(code=Category.outside, scheme=_NO_TAX, reason=reason),)
    return tuple(_category(tax, quote, scribe) for tax in line.taxes)


def _category(tax: LineTax, quote: Quote, scribe: Scribe) -> TaxCategory:
    percent, reason = None, None
    match tax.category:
        case Category.outside:
            reason = scribe.say("Not subject to this tax")
        case Category.exempt:
            percent, reason = "0", _certificate(quote, scribe)
        case _:
            percent = tax.rate
    scheme = (tax.component, tax.name)
    return TaxCategory(code=tax.category, scheme=scheme, percent=percent, reason=reason)


def _certificate(quote: Quote, scribe: Scribe) -> str | None:
    return None if quote.exemption is None else exemption_told(quote.exemption, scribe)


def add_tax_totals(parent: Element, quote: Quote, scribe: Scribe) -> None:
    """Add a total for each tax, with the amounts that it is charged on and those that it is not."""
    currency = quote.shop.currency
    schemes: dict[tuple[str, str], dict[TaxCategory, list[tuple[Money, Money]]]] = {}
    for line in quote.lines:
        figures = [(tax.base.money, tax.amount.money) for tax in line.taxes]
        if not figures and line.net is not None:
            figures = [(line.net.money, Money(0, currency))]
        for category, figure in zip(categories_of(line, quote, scribe), figures, strict=True):
            found = schemes.setdefault(category.scheme, {})
            found.setdefault(category, []).append(figure)
    charged = [tax.component for tax in quote.taxes]
    # the taxes charged, then those that an exemption removes completely
    for scheme in sorted(schemes, key=lambda one: one[0] not in charged):
        found = schemes[scheme]
        amounts = [figure[1] for figures in found.values() for figure in figures]
        added = group(parent, "TaxTotal")
        amount(added, "TaxAmount", _sum(amounts, currency))
        for category in sorted(found, key=lambda one: _ORDER.index(one.code)):
            bases, taxes = zip(*found[category], strict=True)
            part = group(added, "TaxSubtotal")
            amount(part, "TaxableAmount", _sum(bases, currency))
            amount(part, "TaxAmount", _sum(taxes, currency))
            add_category(part, "TaxCategory", category)


def _sum(amounts: Sequence[Money], currency: str) -> Amount:
    return amount_of(total(amounts, currency))


def add_category(parent: Element, name: str, category: TaxCategory) -> None:
    """Add a category under the element name of its place."""
    added = group(parent, name)
    value(added, "ID", category.code)
    if category.percent is not None:
        value(added, "Percent", category.percent)
    if category.reason is not None:
        value(added, "TaxExemptionReason", category.reason)
    scheme = group(added, "TaxScheme")
    value(scheme, "ID", category.scheme[0])
    value(scheme, "Name", category.scheme[1])
