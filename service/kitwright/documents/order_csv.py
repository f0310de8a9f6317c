"""Order CSV: a parts order as comma-separated values, for a spreadsheet or a supplier's upload."""

from __future__ import annotations

import csv
from io import StringIO
from typing import Final

from kitwright.catalogue.model import Shop, SupplierId
from kitwright.documents.layout import clean
from kitwright.documents.order_text import MadeOrder, delivery_lines
from kitwright.documents.pick_list import roles_of
from kitwright.language.scribe import Scribe

COLUMNS: Final = (
    "order",
    "line",
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
    "requested",
    "roles",
    "revisions",
    "ordered_on",
    "account",
    "deliver_to",
)
"""The first record; the same in every language. `order` is the stored order's id. `roles` are the
places that the parts fill, `revisions` those of the quotes that they are for, after commas.
`account` is the shop's with the supplier. New columns come last.
"""

_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""Characters that a spreadsheet may take for the start of a formula, also in full width."""


def order_csv(made: MadeOrder, shop: Shop, scribe: Scribe) -> bytes:
    """Return one supplier's order as CSV (RFC 4180) in UTF-8: a record a line, ended by CRLF.

    A text that a spreadsheet could take for a formula starts with an apostrophe. Numbers have no
    apostrophe, no grouping and a decimal point. `unit_cost` is the cost of a pack.
    """
    out = StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    account = shop.purchasing.accounts.get(SupplierId(made.order.supplier), "")
    address = ", ".join(delivery_lines(shop))
    for place, line in enumerate(made.order.lines):
        writer.writerow(
            (
                defused(made.id),
                place + 1,
                defused(made.order.supplier),
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
                defused("; ".join(roles_of(line.covers, scribe))),
                defused(made.of_line(place)),
                made.at.date().isoformat(),
                defused(account),
                defused(address),
            )
        )
    return out.getvalue().encode()


def defused(text: str) -> str:
    """Return a text for a cell, after an apostrophe if a spreadsheet could take it for a formula.

    Control characters are replaced first, so that none can hide the start of a formula.
    """
    cell = clean(text)
    is_formula = text.startswith(_STARTS) or cell.lstrip(" \u00a0\ufffd").startswith(_STARTS)
    return f"'{cell}" if is_formula else cell
