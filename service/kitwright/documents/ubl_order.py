"""Order: a parts order as a UBL 2.1 Order, for suppliers whose programs read it.

Its amounts are without tax, which the supplier adds. Quantities are packs. Freight and fees are
charges on the document: the net is the goods plus these charges.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final
from xml.etree.ElementTree import Element

from msgspec import Struct

from kitwright.documents.ubl import FREIGHT
from kitwright.documents.ubl_xml import amount, document, encoded, group, quantity, value
from kitwright.language.scribe import Scribe
from kitwright.money import total
from kitwright.quote import Amount, Order, OrderLine, QuotingShop, amount_of

_PACKS: Final = "C62"


class OrderEnvelope(Struct, frozen=True, kw_only=True):
    """The data of a parts order that is not about its lines.

    `letter` is the order's id (O3), `reference` the shop's reference (Q12-3). `made_at` is by the
    shop's clock.
    """

    letter: str
    reference: str
    made_at: datetime
    shop: QuotingShop
    language: str


def parts_order(order: Order, envelope: OrderEnvelope) -> bytes:
    """Return a parts order as a UBL 2.1 Order in UTF-8; the same order gives the same bytes.

    Raises: UnknownLanguage.
    """
    scribe = Scribe(envelope.language)
    made = envelope.made_at
    currency = order.net.currency
    root = document("Order")
    value(root, "ID", envelope.letter)
    value(root, "IssueDate", made.date().isoformat())
    value(root, "IssueTime", made.isoformat(timespec="seconds").partition("T")[2])
    note = scribe.say("All amounts are before tax.")
    value(root, "Note", note, languageID=envelope.language)
    value(root, "DocumentCurrencyCode", currency)
    value(root, "CustomerReference", envelope.reference)
    value(root, "LineCountNumeric", str(len(order.lines)))
    _party(root, "BuyerCustomerParty", envelope.shop.id, envelope.shop.name)
    _party(root, "SellerSupplierParty", order.supplier, order.name)
    _asked_by(root, order)
    charges = [*_charges(order, scribe)]
    for charged, reason, code in charges:
        _charge(root, charged, reason, code)
    added = group(root, "AnticipatedMonetaryTotal")
    amount(added, "LineExtensionAmount", order.goods)
    amount(added, "TaxExclusiveAmount", order.net)
    charged_in_all = total((charged.money for charged, _, _ in charges), currency)
    amount(added, "ChargeTotalAmount", amount_of(charged_in_all))
    amount(added, "PayableAmount", order.net)
    for place, line in enumerate(order.lines, start=1):
        _line(root, place, line)
    return encoded(root)


def _party(root: Element, role: str, known_as: str, name: str) -> None:
    party = group(root, role, "Party")
    value(group(party, "PartyIdentification"), "ID", known_as)
    value(group(party, "PartyName"), "Name", name)


def _asked_by(parent: Element, given: Order | OrderLine) -> None:
    """Add the delivery day requested, which is the one that the supplier's own terms promise."""
    period = group(parent, "Delivery", "RequestedDeliveryPeriod")
    value(period, "EndDate", given.promised.isoformat())


def _charges(order: Order, scribe: Scribe) -> Iterator[tuple[Amount, str, str | None]]:
    """Yield the charges besides the goods: amount, reason, and the code for it if there is one."""
    for fee in order.fees:
        yield fee.amount, scribe.phrase(fee.code), None
    if order.freight.money.minor:
        yield order.freight, scribe.say("Freight"), FREIGHT


def _charge(root: Element, charged: Amount, reason: str, code: str | None) -> None:
    added = group(root, "AllowanceCharge")
    value(added, "ChargeIndicator", "true")
    if code is not None:
        value(added, "AllowanceChargeReasonCode", code)
    value(added, "AllowanceChargeReason", reason)
    amount(added, "Amount", charged)


def _line(root: Element, place: int, line: OrderLine) -> None:
    item_line = group(root, "OrderLine", "LineItem")
    value(item_line, "ID", str(place))
    quantity(item_line, "Quantity", str(line.packs), _PACKS)
    amount(item_line, "LineExtensionAmount", line.net)
    _asked_by(item_line, line)
    price = group(item_line, "Price")
    amount(price, "PriceAmount", Amount(line.unit_cost, line.net.currency))
    quantity(price, "BaseQuantity", "1", _PACKS)
    item = group(item_line, "Item")
    value(item, "PackSizeNumeric", str(line.pack_size))
    value(item, "Name", line.name)
    value(item, "BrandName", line.brand)
    value(group(item, "BuyersItemIdentification"), "ID", line.item)
    value(group(item, "SellersItemIdentification"), "ID", line.sku)
