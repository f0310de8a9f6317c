"""Bill schema: statements, what happens to them, and the invoices and credit notes made of them."""

from __future__ import annotations

from typing import Final

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
