"""A parts order as comma-separated values, for a spreadsheet or a supplier's upload."""

from __future__ import annotations

import csv
from datetime import date
from io import StringIO
from typing import Final

from kitwright.documents.layout import clean
from kitwright.documents.pick_list import cover_words
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Order

COLUMNS: Final = (
    "order",
    "supplier",
    "sku",
    "item",
    "name",
    "brand",
    "packs",
    "pack_size",
    "unit_cost",
    "net",
    "currency",
    "promised",
    "for",
    "order_id",
    "ordered_on",
)
"""The header record, the same in every language. `order` is the revision that the order is for,
`order_id` the stored order: one revision may need several. New columns are added at the end.
"""

_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""Characters that a spreadsheet may take for the start of a formula, also in full width."""


def order_csv(
    order: Order, envelope: Envelope, scribe: Scribe, *, letter: str, made_on: date
) -> bytes:
    """Return one supplier's order as CSV (RFC 4180) in UTF-8, one record a line, with CRLF line
    ends.

    A text that a spreadsheet could take for a formula gets an apostrophe before it. Numbers have no
    apostrophe, no grouping and a decimal point. `unit_cost` is the cost of one pack.

    Args:
        letter: the order's own id, such as O3.
        made_on: the day on which it was placed, by the shop's clock.
    """
    out = StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for line in order.lines:
        writer.writerow(
            (
                f"{defused(envelope.quote_id)}-{envelope.revision}",
                defused(order.supplier),
                defused(line.sku),
                defused(line.item),
                defused(line.name),
                defused(line.brand),
                line.packs,
                line.pack_size,
                line.unit_cost,
                line.net.amount,
                line.net.currency,
                line.promised.isoformat(),
                defused("; ".join(cover_words(line.covers, scribe))),
                defused(letter),
                made_on.isoformat(),
            )
        )
    return out.getvalue().encode()


def defused(text: str) -> str:
    """Return a cell's text that no spreadsheet computes: `'` is added before a possible formula.

    Control characters are replaced first, so that they can't hide the start of a formula.
    """
    cell = clean(text)
    is_formula = text.startswith(_STARTS) or cell.lstrip(" \u00a0\ufffd").startswith(_STARTS)
    return f"'{cell}" if is_formula else cell
