"""Payment schema: all that a customer paid in one table, invoices that need no statement, and what
is kept of an erased customer for a while.
"""

from __future__ import annotations

from typing import Any, Final

from kitwright.store.seal import is_sound, seal_of, seal_rows, sealed_names

_STAY: Final = """
CREATE TRIGGER payments_stay BEFORE UPDATE ON payments
BEGIN
    SELECT RAISE(ABORT, 'a payment never changes');
END
"""
_BILLS: Final = """
CREATE TABLE bills (
    number INTEGER PRIMARY KEY,
    series TEXT NOT NULL,
    place INTEGER NOT NULL CHECK (place > 0),
    kind TEXT NOT NULL,
    quote INTEGER REFERENCES quotes (number),
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
    entered_at TEXT,
    erased_at TEXT,
    UNIQUE (series, place)
) STRICT;;
CREATE INDEX bills_quote ON bills (quote);;
INSERT INTO bills SELECT *, NULL, NULL FROM bills_before ORDER BY number;;
DROP TABLE bills_before;;
CREATE TRIGGER bills_stay BEFORE UPDATE ON bills
WHEN NEW.erased_at IS NULL OR NEW.number <> OLD.number OR NEW.series <> OLD.series
    OR NEW.place <> OLD.place OR NEW.kind <> OLD.kind OR NEW.quote IS NOT OLD.quote
    OR NEW.credited_series IS NOT OLD.credited_series
    OR NEW.credited_place IS NOT OLD.credited_place OR NEW.at <> OLD.at OR NEW.day <> OLD.day
    OR NEW.net <> OLD.net OR NEW.gross <> OLD.gross OR NEW.currency <> OLD.currency
    OR NEW.sha256 <> OLD.sha256 OR NEW.entered_at IS NOT OLD.entered_at
BEGIN
    SELECT RAISE(ABORT, 'an invoice or credit note never changes');
END;;
CREATE TRIGGER bills_last BEFORE DELETE ON bills
BEGIN
    SELECT RAISE(ABORT, 'an invoice or credit note is never deleted');
END;;
CREATE TRIGGER bills_gapless BEFORE INSERT ON bills
WHEN NEW.entered_at IS NULL
    AND NEW.place <> (SELECT coalesce(max(place), 0) + 1 FROM bills WHERE series = NEW.series)
BEGIN
    SELECT RAISE(ABORT, 'the numbers of a series have no gaps');
END;;
CREATE TABLE retentions (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    customer INTEGER NOT NULL REFERENCES customers (number),
    quote INTEGER NOT NULL REFERENCES quotes (number),
    why TEXT NOT NULL,
    until TEXT,
    at TEXT NOT NULL,
    seal BLOB NOT NULL
) STRICT;;
CREATE INDEX retentions_customer ON retentions (customer)
"""
"""The statements of the step on invoices and retention, separated by two semicolons. An invoice
that was entered from its copy may leave a gap before it, and its credit note may be entered first.
"""


def make_payments(connection: Any) -> None:
    """Make advances payments, invoices independent of statements, and the table of retentions.

    An advance gets the next number among the payments of its quote, which keep theirs. A damaged
    row stays one.

    Raises: sqlite3.Error.
    """
    _run(connection, "DROP TRIGGER payments_stay")
    damaged = _damaged(connection, "payments")
    lost = {key: connection.execute(_MARKED, key).fetchone()[0] for key in damaged}
    _run(connection, "ALTER TABLE payments ADD COLUMN is_advance INTEGER NOT NULL DEFAULT 0")
    seal_rows(connection, ("payments",))
    for key, seal in lost.items():
        connection.execute(
            "UPDATE payments SET seal = ? WHERE quote = ? AND number = ?", (seal, *key)
        )
    for key in _keys(connection, "advances"):
        _make_payment(connection, key)
    _run(connection, "DROP TABLE advances;;" + _STAY)
    _run(
        connection, "CREATE TABLE bills_before AS SELECT * FROM bills;;DROP TABLE bills;;" + _BILLS
    )


_MARKED: Final = "SELECT seal FROM payments WHERE quote = ? AND number = ?"


def _run(connection: Any, statements: str) -> None:
    for statement in statements.split(";;"):
        connection.execute(statement)


def _keys(connection: Any, table: str) -> list[tuple[int, int]]:
    found = connection.execute(f"SELECT quote, number FROM {table} ORDER BY quote, number")
    return [(quote, number) for quote, number in found.fetchall()]


def _row(connection: Any, table: str, key: tuple[int, int]) -> dict[str, Any]:
    found = connection.execute(f"SELECT * FROM {table} WHERE quote = ? AND number = ?", key)
    return dict(zip((each[0] for each in found.description), found.fetchone(), strict=True))


def _damaged(connection: Any, table: str) -> list[tuple[int, int]]:
    return [
        key for key in _keys(connection, table) if not is_sound(table, _row(connection, table, key))
    ]


def _make_payment(connection: Any, key: tuple[int, int]) -> None:
    """Add the payment that an advance was."""
    row = _row(connection, "advances", key)
    sound = is_sound("advances", row)
    last = connection.execute(
        "SELECT coalesce(max(number), 0) FROM payments WHERE quote = ?", key[:1]
    ).fetchone()[0]
    made = {**row, "number": last + 1, "rounding": 0, "is_advance": 1, "seal": b""}
    if sound:
        names = sealed_names("payments", made)
        made["seal"] = seal_of("payments", [(name, made[name]) for name in names])
    marks = ", ".join("?" * len(made))
    connection.execute(
        f"INSERT INTO payments ({', '.join(made)}) VALUES ({marks})", (*made.values(),)
    )
