"""UBL order: a parts order as a UBL 2.1 Order, for the supplier's software.

Its amounts are without tax, which the supplier adds. Quantities are packs. Freight and fees are
charges on the document; together with the goods they make the net total.
"""

from __future__ import annotations

from typing import Final

from kitwright.catalogue.model import Contact, Shop, SupplierId
from kitwright.documents.order_text import MadeOrder, delivery_lines
from kitwright.documents.ubl import FREIGHT
from kitwright.documents.ubl_xml import ubl_document
from kitwright.language.scribe import Scribe
from kitwright.money import total
from kitwright.quote import amount_of

_PACKS: Final = "C62"


def ubl_order(made: MadeOrder, shop: Shop, scribe: Scribe) -> bytes:
    """Return a parts order as a UBL 2.1 Order in UTF-8.

    Buyer and seller are named with their addresses, the buyer also with its account number; items
    by the numbers of both. The day that is requested is the one that the supplier's own terms
    promise. The same order gives the same bytes.
    """
    order = made.order
    charges = [fee.amount.money for fee in order.fees] + [order.freight.money]
    return ubl_document(
        "order.xml",
        scribe,
        made=made,
        order=order,
        shop=shop,
        contact=shop.contact or Contact(),
        account=shop.purchasing.accounts.get(SupplierId(order.supplier)),
        delivery=delivery_lines(shop),
        charges=amount_of(total(charges, order.net.currency)),
        FREIGHT=FREIGHT,
        PACKS=_PACKS,
    )
