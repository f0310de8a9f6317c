"""Month CSV: a bookkeeper's month as comma-separated values, for a spreadsheet or an accounting
program.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from io import StringIO
from typing import Final

from kitwright.documents.order_csv import defused
from kitwright.keeping.month import Month
from kitwright.money import Money

COLUMNS: Final = (
    "record",
    "day",
    "document",
    "credits",
    "quote",
    "buyer",
    "tax_code",
    "net",
    "tax",
    "gross",
    "paid",
    "rounding",
    "balance",
    "means",
    "reference",
    "currency",
    "visits",
)
"""The first record; the same in every language. `record` says what a row is: `invoice` and
`credit_note`, one for each tax code of a document; `advance`, `payment` and `prepaid`; `open` for
what is not settled at the end of the month; then sums: `code` for each tax code, `opening`,
`billed`, of it `invoiced` and `uninvoiced`, `rounding`, `received`, `closing`, `warranty` for what
the shop bore (`net`) of so many `visits`, and `stock` for the value of the shop's own stock. New
columns come last.
"""
Row = dict[str, object]


def month_csv(month: Month, stock: Money) -> bytes:
    """Return a month as CSV (RFC 4180) in UTF-8: a record a line, ended by CRLF. `stock` is the
    value of the stock at its end.

    A text that a spreadsheet could take for a formula starts with an apostrophe. Numbers have no
    apostrophe, no grouping and a decimal point.
    """
    out = StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in _rows(month, stock):
        writer.writerow({**row, "currency": stock.currency})
    return out.getvalue().encode()


def _rows(month: Month, stock: Money) -> Iterator[Row]:
    yield from _documents(month)
    for receipt in month.receipts:
        yield {
            "record": receipt.kind,
            "day": receipt.day.isoformat(),
            "quote": f"Q{receipt.quote}",
            "paid": receipt.amount.amount_text,
            "rounding": receipt.rounding.amount_text,
            "means": defused(receipt.means or ""),
            "reference": defused(receipt.reference or ""),
        }
    for item in month.items:
        yield {
            "record": "open",
            "day": "" if item.since is None else item.since.isoformat(),
            "document": defused(" ".join(item.invoices)),
            "quote": f"Q{item.quote}",
            "gross": item.due.amount_text,
            "paid": item.paid.amount_text,
            "rounding": item.rounding.amount_text,
            "balance": item.balance.amount_text,
        }
    yield from _sums(month, stock)


def _documents(month: Month) -> Iterator[Row]:
    for part in month.parts:
        yield {
            "record": part.kind.value,
            "day": part.day.isoformat(),
            "document": defused(part.number),
            "credits": defused(part.credits or ""),
            "quote": f"Q{part.quote}",
            "buyer": defused(part.buyer),
            "tax_code": defused(part.code),
            "net": part.net.amount_text,
            "tax": part.tax.amount_text,
            "gross": part.gross.amount_text,
        }


def _sums(month: Month, stock: Money) -> Iterator[Row]:
    for one in month.codes:
        yield {
            "record": "code",
            "tax_code": defused(one.code),
            "net": one.net.amount_text,
            "tax": one.tax.amount_text,
            "gross": one.gross.amount_text,
        }
    first, last = month.first.isoformat(), month.last.isoformat()
    yield {"record": "opening", "day": first, "balance": month.opening.amount_text}
    yield {"record": "billed", "day": last, "gross": month.billed.amount_text}
    yield {"record": "invoiced", "day": last, "gross": month.invoiced.amount_text}
    yield {"record": "uninvoiced", "day": last, "gross": month.uninvoiced.amount_text}
    yield {"record": "rounding", "day": last, "rounding": month.rounding.amount_text}
    yield {"record": "received", "day": last, "paid": month.received.amount_text}
    yield {"record": "closing", "day": last, "balance": month.closing.amount_text}
    yield {
        "record": "warranty",
        "day": last,
        "visits": month.warranty_visits,
        "net": month.borne.amount_text,
    }
    yield {"record": "stock", "day": last, "balance": stock.amount_text}
