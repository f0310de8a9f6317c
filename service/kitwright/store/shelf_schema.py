"""Shelf schema: the tables of the shelf's ledger, whose rules the database itself keeps.

A revision may have several orders from one supplier, because a shortage reopens a need.
"""

from typing import Final

SHELF: Final = """
CREATE TABLE orders_again (
    number INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    state TEXT NOT NULL,
    quote INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    supplier TEXT NOT NULL,
    net INTEGER NOT NULL,
    currency TEXT NOT NULL,
    made_at TEXT NOT NULL,
    body BLOB NOT NULL,
    seal BLOB NOT NULL,
    FOREIGN KEY (quote, revision) REFERENCES revisions (quote, number)
) STRICT;;
INSERT INTO orders_again
    SELECT number, version, state, quote, revision, supplier, net, currency, made_at, body,
    seal FROM orders;;
DROP TABLE orders;;
ALTER TABLE orders_again RENAME TO orders;;
CREATE INDEX orders_supplier ON orders (supplier, number);;
CREATE INDEX orders_quote ON orders (quote, number);;
CREATE TABLE shelf_opened (
    place INTEGER PRIMARY KEY CHECK (place = 1),
    at TEXT NOT NULL
) STRICT;;
CREATE TABLE holdings (
    number INTEGER PRIMARY KEY,
    item TEXT NOT NULL,
    quality TEXT NOT NULL,
    brand TEXT,
    bin TEXT NOT NULL,
    owner TEXT NOT NULL,
    quote INTEGER REFERENCES quotes (number),
    seal BLOB NOT NULL
) STRICT;;
CREATE INDEX holdings_item ON holdings (item, number);;
CREATE TABLE moves (
    number INTEGER PRIMARY KEY,
    holding INTEGER NOT NULL REFERENCES holdings (number),
    kind TEXT NOT NULL,
    quote INTEGER REFERENCES quotes (number),
    stock INTEGER NOT NULL,
    promised INTEGER NOT NULL,
    worth INTEGER NOT NULL,
    on_hand INTEGER NOT NULL CHECK (on_hand >= 0),
    reserved INTEGER NOT NULL CHECK (reserved BETWEEN 0 AND on_hand),
    value INTEGER NOT NULL,
    currency TEXT NOT NULL,
    is_doubtful INTEGER NOT NULL,
    reason TEXT NOT NULL,
    who TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    seal BLOB NOT NULL
) STRICT;;
CREATE INDEX moves_holding ON moves (holding, number);;
CREATE INDEX moves_quote ON moves (quote, holding) WHERE quote IS NOT NULL;;
CREATE TRIGGER moves_follow BEFORE INSERT ON moves
WHEN (NEW.on_hand - NEW.stock, NEW.reserved - NEW.promised, NEW.value - NEW.worth) IS NOT
    (SELECT coalesce(max(on_hand), 0), coalesce(max(reserved), 0), coalesce(max(value), 0)
    FROM (SELECT on_hand, reserved, value FROM moves WHERE holding = NEW.holding
    ORDER BY number DESC LIMIT 1))
BEGIN
    SELECT RAISE(ABORT, 'a move follows from the balance before it');
END;;
CREATE TRIGGER moves_stay BEFORE UPDATE ON moves
BEGIN
    SELECT RAISE(ABORT, 'a move never changes');
END;;
CREATE TRIGGER moves_last BEFORE DELETE ON moves
BEGIN
    SELECT RAISE(ABORT, 'a move is never deleted');
END;;
CREATE TABLE reorder_points (
    item TEXT PRIMARY KEY,
    least INTEGER NOT NULL,
    wanted INTEGER NOT NULL,
    seal BLOB NOT NULL
) STRICT
"""
"""The statements of the step, separated by two semicolons."""
