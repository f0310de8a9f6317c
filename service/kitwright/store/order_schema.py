"""Order schema: orders for several quotes, what happens to orders, and advances.

An order of a version before is for one revision, which has all of it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from decimal import Decimal
from typing import Any, Final

from kitwright.money import Money
from kitwright.store.rows import packed, unpacked
from kitwright.store.seal import seal_rows

ORDERS: Final = """
ALTER TABLE mails ADD COLUMN order_number INTEGER REFERENCES orders (number);;
CREATE INDEX mails_order ON mails (order_number, number) WHERE order_number IS NOT NULL;;
CREATE INDEX orders_state ON orders (state, number);;
CREATE TABLE allocations (
    order_number INTEGER NOT NULL REFERENCES orders (number),
    quote INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    goods INTEGER NOT NULL,
    fees INTEGER NOT NULL,
    freight INTEGER NOT NULL,
    currency TEXT NOT NULL,
    lines BLOB NOT NULL,
    seal BLOB NOT NULL,
    PRIMARY KEY (order_number, quote),
    FOREIGN KEY (quote, revision) REFERENCES revisions (quote, number)
) STRICT;;
CREATE INDEX allocations_quote ON allocations (quote, order_number);;
CREATE TABLE order_entries (
    order_number INTEGER NOT NULL REFERENCES orders (number),
    number INTEGER NOT NULL,
    kind TEXT NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    who TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    body BLOB NOT NULL,
    seal BLOB NOT NULL,
    PRIMARY KEY (order_number, number)
) STRICT;;
CREATE TABLE advances (
    quote INTEGER NOT NULL REFERENCES quotes (number),
    number INTEGER NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    amount INTEGER NOT NULL,
    currency TEXT NOT NULL,
    means TEXT NOT NULL,
    reference TEXT,
    who TEXT NOT NULL,
    seal BLOB NOT NULL,
    PRIMARY KEY (quote, number)
) STRICT
"""
"""The statements of the step, separated by two semicolons, once `orders` and `mails` may be for no
quote of their own.
"""

STAY: Final = """
CREATE TRIGGER allocations_stay BEFORE UPDATE ON allocations
BEGIN
    SELECT RAISE(ABORT, 'an allocation never changes');
END;;
CREATE TRIGGER allocations_last BEFORE DELETE ON allocations
BEGIN
    SELECT RAISE(ABORT, 'an allocation is never deleted');
END;;
CREATE TRIGGER order_entries_stay BEFORE UPDATE ON order_entries
BEGIN
    SELECT RAISE(ABORT, 'an entry of an order never changes');
END;;
CREATE TRIGGER order_entries_last BEFORE DELETE ON order_entries
BEGIN
    SELECT RAISE(ABORT, 'an entry of an order is never deleted');
END;;
CREATE TRIGGER advances_stay BEFORE UPDATE ON advances
BEGIN
    SELECT RAISE(ABORT, 'an advance never changes');
END;;
CREATE TRIGGER advances_last BEFORE DELETE ON advances
BEGIN
    SELECT RAISE(ABORT, 'an advance is never deleted');
END
"""
"""What keeps rows as they are, once those of orders from before are sealed."""

_OF_ONE: Final = ("quote", "revision")


def make_orders(connection: Any) -> None:
    """Make the tables of the step, with an allocation for each order that there is.

    Raises: sqlite3.Error.
    """
    for table in ("orders", "mails"):
        allow_null(connection, table, _OF_ONE)
    _run(connection, ORDERS)
    rows = connection.execute(
        "SELECT number, quote, revision, net, currency, body FROM orders ORDER BY number"
    ).fetchall()
    for row in rows:
        _allocate(connection, *row)
    seal_rows(connection, ("allocations",))
    _run(connection, STAY)


def _run(connection: Any, statements: str) -> None:
    for statement in statements.split(";;"):
        connection.execute(statement)


def allow_null(connection: Any, table: str, columns: Iterable[str]) -> None:
    """Make a table again with columns that may be null, whatever columns it has by now."""
    made, *_ = connection.execute(
        "SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = ?", (table,)
    ).fetchone()
    others = connection.execute(
        "SELECT sql FROM sqlite_schema WHERE type <> 'table' AND tbl_name = ? AND sql <> ''"
        " ORDER BY name",
        (table,),
    ).fetchall()
    again, count = re.subn(rf'^CREATE TABLE "?{table}"?', f"CREATE TABLE {table}_again", made)
    for column in columns:
        again, found = re.subn(rf"\b{column} INTEGER NOT NULL", f"{column} INTEGER", again, count=1)
        count += found
    if count != 1 + len(tuple(columns)):
        raise ValueError(f"{table} is not as the steps before made it: {made}")
    connection.execute(again)
    connection.execute(f"INSERT INTO {table}_again SELECT * FROM {table}")
    connection.execute(f"DROP TABLE {table}")
    connection.execute(f"ALTER TABLE {table}_again RENAME TO {table}")
    for (statement,) in others:
        connection.execute(statement)


def _allocate(
    connection: Any,
    number: int,
    quote: int,
    revision: int,
    net: int,
    currency: str,
    body: bytes,
) -> None:
    """Add the allocation of an order for one revision."""
    order = json.loads(unpacked(body))
    fees = sum(_minor(fee["amount"]["amount"], currency) for fee in order.get("fees", ()))
    freight = _minor(order["freight"]["amount"], currency) if "freight" in order else 0
    lines = [
        {"line": place, "packs": one["packs"], "net": one["net"], "covers": one["covers"]}
        for place, one in enumerate(order.get("lines", ()), start=1)
    ]
    columns = {
        "order_number": number,
        "quote": quote,
        "revision": revision,
        "goods": net - fees - freight,
        "fees": fees,
        "freight": freight,
        "currency": currency,
        "lines": packed(json.dumps(lines, separators=(",", ":")).encode()),
        "seal": b"",
    }
    marks = ", ".join("?" * len(columns))
    connection.execute(
        f"INSERT INTO allocations ({', '.join(columns)}) VALUES ({marks})", (*columns.values(),)
    )


def _minor(amount: str, currency: str) -> int:
    return Money.of(Decimal(amount), currency).minor
