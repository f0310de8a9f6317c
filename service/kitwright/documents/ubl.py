"""Quotation: a revision as a UBL 2.1 Quotation, for programs that order and pay.

Sums hold exactly, as EN 16931 requires for invoices. Amounts are without tax, even if the shop's
prices include it:

- lines sum to `LineExtensionAmount`;
- that, less allowances, plus charges, is `TaxExclusiveAmount`;
- that plus the tax totals is `TaxInclusiveAmount`;
- that, less the prepaid amount, plus cash rounding, is `PayableAmount`. If it is below zero, it is
  paid back, as a note says in words.

Freight is a charge on the document (UNCL 7161, FC), and a discount is an allowance (UNCL 5189, 95).
So is any other line below zero, such as the credit of a diagnosis, because the price of an item
must not be negative. Every line, charge and allowance has the place of its line in the revision as
its ID.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final
from xml.etree.ElementTree import Element
from zoneinfo import ZoneInfo

from msgspec import Struct

from kitwright.documents.balance_view import balance_of, left_sentence, sum_told
from kitwright.documents.line_words import kind_of, reason_of
from kitwright.documents.ubl_tax import add_category, add_tax_totals, categories_of
from kitwright.documents.ubl_xml import amount, document, encoded, group, quantity, value
from kitwright.errors import KitwrightError
from kitwright.language.scribe import Scribe
from kitwright.money import Money, total
from kitwright.quote import Amount, Envelope, Line, Quote, Totals, amount_of, known
from kitwright.units import decimal_text

FREIGHT: Final = "FC"
DISCOUNT: Final = "95"
_SHA256: Final = "http://www.w3.org/2001/04/xmlenc#sha256"


class UblError(KitwrightError):
    """A revision that can't be a Quotation."""

    code = "ubl-error"


class RevisionNotIssued(UblError):
    """The revision is not issued, and a Quotation needs a day of issue."""

    code = "revision-not-issued"

    def __init__(self, quote: str, revision: int) -> None:
        super().__init__(f"revision {revision} of {quote} was never issued")
        self.quote = quote
        self.revision = revision


class AmountsNotKnown(UblError):
    """The revision's tax is not known, and a Quotation needs amounts without and with tax."""

    code = "amounts-not-known"

    def __init__(self, quote: str, revision: int) -> None:
        super().__init__(f"the tax of revision {revision} of {quote} is not known")
        self.quote = quote
        self.revision = revision


class _Row(Struct, frozen=True):
    """A line of the revision, with its place."""

    place: int
    line: Line
    net: Money
    tax: Money


def quotation(quote: Quote, envelope: Envelope, *, zone: str) -> bytes:
    """Return an issued revision as a UBL 2.1 Quotation in UTF-8.

    The same revision gives the same bytes. Data that the revision does not show its customer, such
    as costs and reasons, is left out.

    Args:
        quote: the revision; its texts are in its own language.
        envelope: its customer and machine; missing customer data is left out.
        zone: the shop's time zone, an IANA name, which determines the day of issue.

    Raises: RevisionNotIssued, AmountsNotKnown, UnknownLanguage.
    """
    if envelope.issued_at is None:
        raise RevisionNotIssued(envelope.quote_id, envelope.revision)
    if quote.totals.gross is None:
        raise AmountsNotKnown(envelope.quote_id, envelope.revision)
    scribe = Scribe(quote.language)
    goods, apart = _rows(quote)
    root = document("Quotation")
    _head(root, quote, envelope, scribe, envelope.issued_at.astimezone(ZoneInfo(zone)))
    value(root, "PricingCurrencyCode", quote.shop.currency)
    value(root, "LineCountNumeric", str(len(goods)))
    validity = group(root, "ValidityPeriod")
    value(validity, "EndDate", quote.valid_until.isoformat())
    _reference(root, envelope)
    _seller(root, quote)
    _buyer(root, envelope)
    _dates(root, quote, scribe)
    _deposit(root, quote, scribe)
    for row in apart:
        _allowance_or_charge(root, row, quote, scribe)
    add_tax_totals(root, quote, scribe)
    _totals(root, quote.totals, goods, apart)
    for row in goods:
        _line(root, row, quote, scribe)
    return encoded(root)


def _rows(quote: Quote) -> tuple[list[_Row], list[_Row]]:
    """Return the rows that become lines, and those that become charges and allowances."""
    rows = [
        _Row(place, line, known(line.net), known(line.tax))
        for place, line in enumerate(quote.lines, start=1)
    ]
    apart = [
        row for row in rows if kind_of(row.line) in ("discount", "freight") or row.net.minor < 0
    ]
    goods = [row for row in rows if row not in apart]
    # a Quotation has at least one line, of whatever kind
    return (goods, apart) if goods else (rows, [])


def _head(
    root: Element, quote: Quote, envelope: Envelope, scribe: Scribe, issued: datetime
) -> None:
    value(root, "ID", _number(quote, envelope))
    value(root, "IssueDate", issued.date().isoformat())
    # not by its time(), which would lose the offset in a zone that has several
    value(root, "IssueTime", issued.isoformat(timespec="seconds").partition("T")[2])
    for note in _notes(quote, envelope, scribe):
        value(root, "Note", note, languageID=quote.language)


def _number(quote: Quote, envelope: Envelope) -> str:
    """Return the document's number, which differs once there are additions."""
    added = sum(1 for line in quote.lines if line.is_added)
    number = f"{envelope.quote_id}-{envelope.revision}"
    return f"{number}+{added}" if added else number


def _notes(quote: Quote, envelope: Envelope, scribe: Scribe) -> Iterator[str]:
    if quote.chassis_question is not None:
        yield scribe.say(
            "Prices are provisional: we do not know yet which machine the engine is in. The most "
            "expensive is priced."
        )
    if quote.provisional and (quote.part_questions or quote.chassis_question is None):
        yield scribe.say(
            "Prices are provisional: which parts fit is known only once the engine's plate has "
            "been read."
        )
    yield from (note.text for note in quote.notes)
    found = balance_of(quote.totals)
    if found is not None and found.back.minor:
        yield left_sentence(found, scribe)
    engine = quote.engine
    hours = None if envelope.machine_hours is None else scribe.number(envelope.machine_hours)
    say = scribe.say
    for told, fact in (
        (say("Machine: {it}", it=envelope.machine_name), envelope.machine_name),
        (say("Machine type: {it}", it=engine.chassis_name), engine.chassis_name),
        (say("Engine: {it}", it=engine.name), engine.name),
        (say("Serial number: {it}", it=engine.serial), engine.serial),
        (say("Build code: {it}", it=engine.build_code), engine.build_code),
        (say("Operating hours: {it}", it=hours), hours),
    ):
        if fact is not None:
            yield told


def _reference(root: Element, envelope: Envelope) -> None:
    """Add references to the quote and to its revision, and the digest of the version shown to the
    customer.
    """
    reference = group(root, "AdditionalDocumentReference")
    value(reference, "ID", envelope.quote_id)
    value(reference, "VersionID", str(envelope.revision))
    if envelope.sha256 is not None:
        kept = group(reference, "Attachment", "ExternalReference")
        value(kept, "DocumentHash", envelope.sha256)
        value(kept, "HashAlgorithmMethod", _SHA256)


def _seller(root: Element, quote: Quote) -> None:
    party = group(root, "SellerSupplierParty", "Party")
    value(group(party, "PartyIdentification"), "ID", quote.shop.id)
    value(group(party, "PartyName"), "Name", quote.shop.name)


def _buyer(root: Element, envelope: Envelope) -> None:
    name, mail = envelope.customer_name, envelope.customer_email
    address = [line for line in (envelope.customer_address or "").splitlines() if line.strip()]
    if not (name or address or mail):
        return
    party = group(root, "BuyerCustomerParty", "Party")
    if name:
        value(group(party, "PartyName"), "Name", name)
    if address:
        postal = group(party, "PostalAddress")
        for line in address:
            value(group(postal, "AddressLine"), "Line", line)
    if mail:
        value(group(party, "Contact"), "ElectronicMail", mail)


def _dates(root: Element, quote: Quote, scribe: Scribe) -> None:
    if quote.parts_by is not None:
        period = group(root, "Delivery", "EstimatedDeliveryPeriod")
        value(period, "EndDate", quote.parts_by.isoformat())
        told = scribe.say("All ordered parts and sublet work are expected by then.")
        value(period, "Description", told, languageID=quote.language)


def _deposit(root: Element, quote: Quote, scribe: Scribe) -> None:
    """Add the deposit as a note: a Quotation has no terms of payment."""
    found = balance_of(quote.totals)
    if found is not None and found.advance.minor:
        conditions = group(root, "TransactionConditions")
        value(conditions, "ID", "deposit")
        told = scribe.say(
            "Deposit, due before parts are ordered: {amount}",
            amount=sum_told(found.advance, scribe),
        )
        value(conditions, "Description", told, languageID=quote.language)


def _allowance_or_charge(root: Element, row: _Row, quote: Quote, scribe: Scribe) -> None:
    """Add a charge or an allowance to the document; an allowance's amounts are those deducted."""
    is_freight = kind_of(row.line) == "freight"
    is_charge = row.net.minor > 0 or (is_freight and row.net.minor == 0)
    added = group(root, "AllowanceCharge")
    value(added, "ID", str(row.place))
    value(added, "ChargeIndicator", "true" if is_charge else "false")
    if is_freight == is_charge:
        value(added, "AllowanceChargeReasonCode", FREIGHT if is_charge else DISCOUNT)
    why = reason_of(row.line, scribe)
    told = f"{row.line.description}: {why}" if why else row.line.description
    value(added, "AllowanceChargeReason", told)
    amount(added, "Amount", amount_of(row.net if is_charge else -row.net))
    for category in categories_of(row.line, quote, scribe):
        add_category(added, "TaxCategory", category)
    taxed = group(added, "TaxTotal")
    amount(taxed, "TaxAmount", amount_of(row.tax if is_charge else -row.tax))


def _totals(root: Element, totals: Totals, goods: Iterable[_Row], apart: Iterable[_Row]) -> None:
    currency = totals.prepaid.currency
    charges = [row.net for row in apart if row.net.minor > 0]
    allowances = [-row.net for row in apart if row.net.minor < 0]
    added = group(root, "QuotedMonetaryTotal")
    amount(added, "LineExtensionAmount", amount_of(total((row.net for row in goods), currency)))
    amount(added, "TaxExclusiveAmount", amount_of(known(totals.net)))
    amount(added, "TaxInclusiveAmount", amount_of(known(totals.gross)))
    amount(added, "AllowanceTotalAmount", amount_of(total(allowances, currency)))
    amount(added, "ChargeTotalAmount", amount_of(total(charges, currency)))
    amount(added, "PrepaidAmount", totals.prepaid)
    amount(added, "PayableRoundingAmount", totals.cash_rounding)
    amount(added, "PayableAmount", amount_of(known(totals.payable)))


def _line(root: Element, row: _Row, quote: Quote, scribe: Scribe) -> None:
    line = row.line
    added = group(root, "QuotationLine")
    value(added, "ID", str(row.place))
    item_line = group(added, "LineItem")
    value(item_line, "ID", str(row.place))
    quantity(item_line, "Quantity", line.quantity, line.unit)
    amount(item_line, "LineExtensionAmount", amount_of(row.net))
    amount(item_line, "TotalTaxAmount", amount_of(row.tax))
    price, of = _net_price(line, row.net)
    if (price, of) != (line.unit_price, line.base_quantity):
        printed = group(item_line, "PricingReference", "AlternativeConditionPrice")
        _price(printed, line, line.unit_price, line.base_quantity)
        value(printed, "PriceType", scribe.say("Price including tax"))
    _price(group(item_line, "Price"), line, price, of)
    item = group(item_line, "Item")
    value(item, "Name", line.description)
    for make in line.makes:
        if make.make is not None:
            value(item, "BrandName", make.make)
    value(group(item, "SellersItemIdentification"), "ID", line.code)
    for category in categories_of(line, quote, scribe):
        add_category(item, "ClassifiedTaxCategory", category)
    told = {"kind": kind_of(line), "cylinder": line.cylinder}
    for name, fact in told.items():
        if fact is not None:
            prop = group(item, "AdditionalItemProperty")
            value(prop, "Name", name)
            value(prop, "Value", str(fact))


def _price(parent: Element, line: Line, price: str, of: str) -> None:
    amount(parent, "PriceAmount", Amount(price, line.amount.currency))
    quantity(parent, "BaseQuantity", of, line.unit)


def _net_price(line: Line, net: Money) -> tuple[str, str]:
    """Return a price without tax and its base quantity, which together give the line's net exactly.

    If the printed price includes tax, it is the net for the printed base quantity if that has few
    decimals, and otherwise the net for the line's entire quantity.
    """
    if net == line.amount.money:
        return line.unit_price, line.base_quantity
    base, many = Fraction(line.base_quantity), Fraction(line.quantity)
    exact = Fraction(net.amount) * base / many
    price = decimal_text(exact)
    if Fraction(Decimal(price)) == exact:
        return price, line.base_quantity
    return net.amount_text, line.quantity
