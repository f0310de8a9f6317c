"""Come-back CSV: how often machines come back after each job, as comma-separated values."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from decimal import Decimal
from io import StringIO
from typing import Final

from kitwright.documents.order_csv import defused
from kitwright.keeping.recurring import Recurrence

COLUMNS: Final = (
    "job",
    "name",
    "finished",
    "came_back",
    "own",
    "part",
    "work",
    "new_fault",
    "open",
    "share",
    "low",
    "high",
)
"""The first record; the same in every language. New columns come last."""


def come_back_csv(found: Recurrence, names: Mapping[str, str]) -> bytes:
    """Return come-backs by job as CSV (RFC 4180) in UTF-8: a record a line, ended by CRLF.

    A text that a spreadsheet could take for a formula starts with an apostrophe.
    """
    out = StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in found.jobs:
        writer.writerow(
            {
                "job": defused(row.job),
                "name": defused(names.get(row.job, row.job)),
                "finished": row.finished,
                "came_back": row.came_back,
                "own": row.own,
                **{cause: row.causes.get(cause, 0) for cause in COLUMNS[5:9]},
                "share": share_text(row.own, row.finished),
                "low": row.interval.low,
                "high": row.interval.high,
            }
        )
    return out.getvalue().encode()


def share_text(own: int, finished: int) -> str:
    """Return a share to six decimal places."""
    return f"{Decimal(own) / Decimal(finished):.6f}"
