"""Bill schema: statements, what happens to them, and the invoices and credit notes made of them."""

from __future__ import annotations

import zlib
from typing import Any, Final

import msgspec
from msgspec import Struct

from kitwright.store.rows import unpacked
from kitwright.store.seal import is_sound, seal_of, sealed_names

BILLS: Final = """
ALTER TABLE customers ADD COLUMN billing TEXT;;
CREATE TABLE statements (
    quote INTEGER PRIMARY KEY REFERENCES quotes (number),
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    net INTEGER NOT NULL,
    gross INTEGER NOT NULL,
    currency TEXT NOT NULL,
    who TEXT,
    sha256 TEXT NOT NULL,
    is_erased INTEGER NOT NULL,
    body BLOB NOT NULL,
    seal BLOB NOT NULL
) STRICT;;
CREATE TABLE payments (
    quote INTEGER NOT NULL REFERENCES quotes (number),
    number INTEGER NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    amount INTEGER NOT NULL,
    rounding INTEGER NOT NULL,
    currency TEXT NOT NULL,
    means TEXT NOT NULL,
    reference TEXT,
    who TEXT NOT NULL,
    seal BLOB NOT NULL,
    PRIMARY KEY (quote, number)
) STRICT;;
CREATE TABLE handovers (
    quote INTEGER PRIMARY KEY REFERENCES quotes (number),
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    collector TEXT NOT NULL,
    old_parts INTEGER NOT NULL,
    is_unsafe INTEGER NOT NULL,
    balance INTEGER NOT NULL,
    currency TEXT NOT NULL,
    who TEXT NOT NULL,
    seal BLOB NOT NULL
) STRICT;;
CREATE TABLE bills (
    number INTEGER PRIMARY KEY,
    series TEXT NOT NULL,
    place INTEGER NOT NULL CHECK (place > 0),
    kind TEXT NOT NULL,
    quote INTEGER NOT NULL REFERENCES statements (quote),
    credited_series TEXT,
    credited_place INTEGER,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    net INTEGER NOT NULL,
    gross INTEGER NOT NULL,
    currency TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    body BLOB NOT NULL,
    seal BLOB NOT NULL,
    UNIQUE (series, place),
    FOREIGN KEY (credited_series, credited_place) REFERENCES bills (series, place)
) STRICT;;
CREATE INDEX bills_quote ON bills (quote);;
CREATE TRIGGER statements_stay BEFORE UPDATE ON statements
WHEN NEW.is_erased = 0 OR NEW.quote <> OLD.quote OR NEW.at <> OLD.at OR NEW.day <> OLD.day
    OR NEW.net <> OLD.net OR NEW.gross <> OLD.gross OR NEW.currency <> OLD.currency
    OR NEW.who IS NOT OLD.who OR NEW.sha256 <> OLD.sha256
BEGIN
    SELECT RAISE(ABORT, 'a statement never changes');
END;;
CREATE TRIGGER statements_last BEFORE DELETE ON statements
BEGIN
    SELECT RAISE(ABORT, 'a statement is never deleted');
END;;
CREATE TRIGGER payments_stay BEFORE UPDATE ON payments
BEGIN
    SELECT RAISE(ABORT, 'a payment never changes');
END;;
CREATE TRIGGER payments_last BEFORE DELETE ON payments
BEGIN
    SELECT RAISE(ABORT, 'a payment is never deleted');
END;;
CREATE TRIGGER handovers_last BEFORE DELETE ON handovers
BEGIN
    SELECT RAISE(ABORT, 'a handover is never deleted');
END;;
CREATE TRIGGER bills_stay BEFORE UPDATE ON bills
BEGIN
    SELECT RAISE(ABORT, 'an invoice or credit note never changes');
END;;
CREATE TRIGGER bills_last BEFORE DELETE ON bills
BEGIN
    SELECT RAISE(ABORT, 'an invoice or credit note is never deleted');
END;;
CREATE TRIGGER bills_gapless BEFORE INSERT ON bills
WHEN NEW.place <> (SELECT coalesce(max(place), 0) + 1 FROM bills WHERE series = NEW.series)
BEGIN
    SELECT RAISE(ABORT, 'the numbers of a series have no gaps');
END
"""
"""The statements of the step, separated by two semicolons. Personal data of a statement, and the
name of who collected a machine, may be erased.
"""

BUYERS: Final = """
ALTER TABLE bills ADD COLUMN buyer INTEGER REFERENCES customers (number);;
CREATE INDEX bills_buyer ON bills (buyer) WHERE buyer IS NOT NULL;;
CREATE TRIGGER bills_buyer_stays BEFORE UPDATE OF buyer ON bills WHEN NEW.buyer IS NOT OLD.buyer
BEGIN
    SELECT RAISE(ABORT, 'an invoice or credit note never changes');
END
"""


class _Named(Struct):
    name: str


class _Bill(Struct):
    """The member of a document's body that is read here."""

    buyer: _Named


_UNKNOWN: Final = (
    "SELECT bills.*, customers.number, customers.name FROM bills"
    " JOIN quotes ON quotes.number = bills.quote"
    " JOIN customers ON customers.number = quotes.customer"
    " WHERE bills.buyer IS NULL AND bills.erased_at IS NULL AND customers.erased_at IS NULL"
)


def fill_buyers(connection: Any) -> None:
    """Say of documents whose buyer is not known that it is the quote's customer, if it has the
    buyer's name; others, and damaged rows, stay as they are. Raises: sqlite3.Error.
    """
    found = connection.execute(_UNKNOWN)
    names = [each[0] for each in found.description][:-2]
    rows = found.fetchall()
    triggers = connection.execute(
        "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'bills'"
    ).fetchall()
    for trigger, _ in triggers:
        connection.execute(f"DROP TRIGGER {trigger}")
    for *values, customer, name in rows:
        row = dict(zip(names, values, strict=True))
        if is_sound("bills", row) and _is_buyer(row["body"], name):
            row["buyer"] = customer
            seal = seal_of("bills", [(each, row[each]) for each in sealed_names("bills", row)])
            connection.execute(
                "UPDATE bills SET buyer = ?, seal = ? WHERE number = ?",
                (customer, seal, row["number"]),
            )
    for _, statement in triggers:
        connection.execute(statement)


def _is_buyer(body: bytes, name: str) -> bool:
    try:
        buyer = msgspec.json.decode(unpacked(body), type=_Bill).buyer
    except (ValueError, zlib.error):
        return False
    return " ".join(buyer.name.split()).casefold() == " ".join(name.split()).casefold()
