"""UBL order: a parts order as a UBL 2.1 Order, for the supplier's software.

Its amounts are without tax, which the supplier adds. Quantities are packs. Freight and fees are
charges on the document; together with the goods they make the net total.
"""

from __future__ import annotations

from typing import Final

from kitwright.documents.order_text import MadeOrder
from kitwright.documents.ubl import FREIGHT
from kitwright.documents.ubl_xml import ubl_document
from kitwright.language.scribe import Scribe
from kitwright.money import total
from kitwright.quote import Envelope, Quote, amount_of

_PACKS: Final = "C62"


def ubl_order(made: MadeOrder, quote: Quote, envelope: Envelope) -> bytes:
    """Return a parts order of a revision as a UBL 2.1 Order in UTF-8.

    The same order gives the same bytes. Raises: UnknownLanguage.
    """
    order = made.order
    charges = [fee.amount.money for fee in order.fees] + [order.freight.money]
    return ubl_document(
        "order.xml",
        Scribe(quote.language),
        made=made,
        order=order,
        shop=quote.shop,
        envelope=envelope,
        charges=amount_of(total(charges, order.net.currency)),
        FREIGHT=FREIGHT,
        PACKS=_PACKS,
    )
