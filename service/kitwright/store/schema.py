"""Schema: the tables, as steps from any released version to the newest.

A released step is never edited: another is added, and `tests/store/versions` has a database of
every version to start from. Amounts are integers of minor units next to their currency. Times are
ISO 8601 in UTC, of fixed width, so that they sort as text. The search index gets words normalised
by `kitwright.keeping.words`; its tokenizer only splits them at spaces.

A quote is late if a quote before it has a later day, because a clock was set back. Among all other
quotes, days increase with the numbers.
"""

from __future__ import annotations

from datetime import UTC, datetime
from hashlib import sha256
from secrets import token_bytes
from typing import Final

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from kitwright.keeping.generation import EPOCH_BYTES
from kitwright.store.aftercare import AFTERCARE
from kitwright.store.bill_schema import BILLS, BUYERS, fill_buyers
from kitwright.store.catalogues import CATALOGUES
from kitwright.store.clock import CLOCK
from kitwright.store.estimates import ESTIMATES
from kitwright.store.order_schema import make_orders
from kitwright.store.payment_schema import make_payments
from kitwright.store.rows import moment
from kitwright.store.seal import CHAIN, DIGESTS, SEAL, seal_rows
from kitwright.store.shelf_schema import SHELF
from kitwright.store.tickets import make_tickets

MIGRATIONS: Final = Migrations("kitwright")
"""The steps, by name in order."""


BEFORE_RELEASE: Final = frozenset({"0001"})
"""Steps of versions that were never released: databases with such steps are refused."""


@MIGRATIONS(name="0002")
def first(db: Database) -> None:
    """Create the tables of the first version."""
    _run(db, _FIRST)


def _run(db: Database, statements: str) -> None:
    for statement in statements.split(";;"):
        if statement.strip():
            db.conn.execute(statement)


_SEALED: Final = (
    "customers",
    "machines",
    "quotes",
    "revisions",
    "authorisations",
    "additions",
    "orders",
    "photos",
    "keys",
    "secrets",
    "events",
    "hooks",
    "deliveries",
    "mails",
    "answers",
)
"""The tables of the first version, all of which are sealed."""


@MIGRATIONS(name="0003")
def sealed(db: Database) -> None:
    """Give every row a checksum, chain the events, and make room for the reasons of a no, for
    erasures under way and for files to be deleted.
    """
    for table in _SEALED:
        _add_column(db, table, SEAL)
    _add_column(db, "revisions", DIGESTS)
    _add_column(db, "events", CHAIN)
    db.conn.execute("DROP TRIGGER events_stay")
    seal_rows(db.conn, _SEALED)
    # a request's id may be personal, so it can be erased; its row is sealed again then
    db.conn.execute("ALTER TABLE revisions ADD COLUMN reason TEXT")
    for statement in (_ERASURES, _DISPOSALS):
        db.conn.execute(statement)
    db.conn.execute(
        """
CREATE TRIGGER events_stay BEFORE UPDATE ON events
WHEN NEW.seq <> OLD.seq OR NEW.at <> OLD.at OR NEW.kind <> OLD.kind OR NEW.subject <> OLD.subject
    OR NEW.facts <> OLD.facts OR NEW.hand <> OLD.hand OR NEW.by <> OLD.by
    OR NEW.chain <> OLD.chain OR (NEW.request_id <> OLD.request_id AND NEW.request_id <> '')
BEGIN
    SELECT RAISE(ABORT, 'an event never changes');
END
"""
    )


@MIGRATIONS(name="0004")
def shelf(db: Database) -> None:
    """Create the tables of the shelf."""
    _run(db, SHELF)


@MIGRATIONS(name="0005")
def generations(db: Database) -> None:
    """Begin the first generation, with the floors of all numbers and the folder's belonging.

    All copies of a folder get the same first epoch, so that they know each other's ledgers.
    """
    _run(db, _GENERATIONS)
    found = db.conn.execute("SELECT value FROM secrets ORDER BY name LIMIT 1").fetchone()
    seed = token_bytes(32) if found is None else bytes(found[0])
    epoch = sha256(b"first epoch" + seed).digest()[:EPOCH_BYTES].hex()
    now = moment(datetime.now(UTC))
    db.conn.execute(
        "INSERT INTO generations (number, epoch, after, begun_at, released_at, is_confirmed)"
        " VALUES (1, ?, 0, ?, ?, 1)",
        (epoch, now, now),
    )
    db.conn.execute(
        "UPDATE folder SET currency = coalesce((SELECT currency FROM quotes LIMIT 1), '')"
    )
    seal_rows(db.conn, ("generations", "counters", "folder"))


@MIGRATIONS(name="0006")
def orders(db: Database) -> None:
    """Let orders be for several quotes, and create the tables of what happens to them."""
    make_orders(db.conn)


@MIGRATIONS(name="0007")
def bills(db: Database) -> None:
    """Create the tables of statements, payments, handovers, invoices and credit notes."""
    _run(db, BILLS)


@MIGRATIONS(name="0008")
def clock(db: Database) -> None:
    """Create the table of what mechanics clock and tick."""
    _run(db, CLOCK)


@MIGRATIONS(name="0010")
def estimates(db: Database) -> None:
    """Create the table of the shop's own estimates."""
    _run(db, ESTIMATES)


@MIGRATIONS(name="0011")
def tickets(db: Database) -> None:
    """Create the table of tickets, and let quotes belong to a fleet and to a ticket."""
    make_tickets(db.conn)


@MIGRATIONS(name="0012")
def aftercare(db: Database) -> None:
    """Create the tables of come-backs, claims to suppliers, and notices to collect a machine."""
    _run(db, AFTERCARE)
    seal_rows(db.conn, ("counters",))


@MIGRATIONS(name="0013")
def payments(db: Database) -> None:
    """Keep all payments in one table, invoices without statements, and retentions."""
    make_payments(db.conn)


@MIGRATIONS(name="0014")
def distance(db: Database) -> None:
    """Let an acceptance be a contract made from afar, and its customer withdraw from it."""
    _run(
        db,
        "ALTER TABLE authorisations ADD COLUMN from_afar TEXT;;"
        "ALTER TABLE quotes ADD COLUMN withdrawn_at TEXT",
    )


@MIGRATIONS(name="0015")
def catalogues(db: Database) -> None:
    """Create the table of the catalogues that offers were made with."""
    _run(db, CATALOGUES)


@MIGRATIONS(name="0018")
def buyers(db: Database) -> None:
    """Keep to whom an invoice is made out, who may be another customer than the quote's."""
    _run(db, BUYERS)


@MIGRATIONS(name="0019")
def known_buyers(db: Database) -> None:
    """Say to whom older invoices are made out, if that is the quote's customer."""
    fill_buyers(db.conn)


@MIGRATIONS(name="0020")
def storage(db: Database) -> None:
    """Keep the terms of storage with the ticket, and what it came to with the handover; and whether
    the seal of an invoice that was entered held.
    """
    for table in ("tickets", "handovers"):
        _run(db, f"ALTER TABLE {table} ADD COLUMN storage TEXT")
    _run(db, "ALTER TABLE bills ADD COLUMN is_sealed INTEGER")


_ERASURES: Final = """
CREATE TABLE erasures (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    customer INTEGER NOT NULL REFERENCES customers (number),
    email TEXT,
    at TEXT NOT NULL,
    today TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    request_id TEXT NOT NULL,
    stage TEXT NOT NULL,
    place INTEGER NOT NULL,
    counts TEXT NOT NULL,
    seal BLOB NOT NULL
) STRICT
"""
_DISPOSALS: Final = """
CREATE TABLE disposals (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    seal BLOB NOT NULL
) STRICT
"""


_GENERATIONS: Final = """
CREATE TABLE generations (
    number INTEGER PRIMARY KEY,
    epoch TEXT NOT NULL,
    after INTEGER NOT NULL,
    begun_at TEXT NOT NULL,
    taken_at TEXT,
    known_until TEXT,
    released_at TEXT,
    is_confirmed INTEGER NOT NULL,
    seal BLOB NOT NULL DEFAULT x''
) STRICT;;
CREATE TABLE counters (
    name TEXT PRIMARY KEY,
    floor INTEGER NOT NULL,
    seal BLOB NOT NULL DEFAULT x''
) STRICT, WITHOUT ROWID;;
INSERT INTO counters (name, floor) VALUES
    ('customers', 0), ('machines', 0), ('quotes', 0), ('orders', 0), ('photos', 0), ('hooks', 0),
    ('mails', 0), ('events', 0), ('holdings', 0), ('moves', 0);;
CREATE TABLE folder (
    place INTEGER PRIMARY KEY CHECK (place = 1),
    shop TEXT NOT NULL,
    currency TEXT NOT NULL,
    tax_area TEXT NOT NULL,
    families TEXT NOT NULL,
    seal BLOB NOT NULL DEFAULT x''
) STRICT;;
INSERT INTO folder (place, shop, currency, tax_area, families) VALUES (1, '', '', '', '[]');;
CREATE INDEX customers_erased ON customers (erased_at) WHERE erased_at IS NOT NULL;;
CREATE INDEX events_revoked ON events (subject, seq) WHERE kind = 'link.revoked';;
ALTER TABLE answers ADD COLUMN epoch TEXT
"""


def _add_column(db: Database, table: str, name: str) -> None:
    db.conn.execute(f"ALTER TABLE {table} ADD COLUMN {name} BLOB NOT NULL DEFAULT x''")


_FIRST: Final = """
CREATE TABLE customers (
    number INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    name TEXT NOT NULL,
    email TEXT,
    telephone TEXT,
    address TEXT,
    language TEXT,
    certificate_number TEXT,
    certificate_until TEXT,
    note TEXT,
    made_at TEXT NOT NULL,
    erased_at TEXT
) STRICT;;
CREATE TABLE machines (
    number INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    customer INTEGER REFERENCES customers (number),
    name TEXT NOT NULL,
    family TEXT NOT NULL,
    serial INTEGER,
    build_code TEXT,
    chassis TEXT,
    plate TEXT NOT NULL,
    hours TEXT,
    note TEXT,
    made_at TEXT NOT NULL,
    erased_at TEXT
) STRICT;;
CREATE INDEX machines_customer ON machines (customer, number);;
CREATE TABLE quotes (
    number INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    state TEXT NOT NULL,
    latest INTEGER NOT NULL,
    offered INTEGER,
    agreed INTEGER,
    shown INTEGER NOT NULL,
    customer INTEGER REFERENCES customers (number),
    machine INTEGER REFERENCES machines (number),
    family TEXT NOT NULL,
    serial INTEGER,
    net INTEGER NOT NULL,
    gross INTEGER,
    currency TEXT NOT NULL,
    valid_until TEXT NOT NULL,
    made_at TEXT NOT NULL,
    made_on TEXT NOT NULL,
    changed_at TEXT NOT NULL,
    is_late INTEGER NOT NULL
) STRICT;;
CREATE INDEX quotes_state ON quotes (state, number);;
CREATE INDEX quotes_customer ON quotes (customer, number);;
CREATE INDEX quotes_machine ON quotes (machine, number);;
CREATE INDEX quotes_made_on ON quotes (made_on, number) WHERE is_late = 0;;
CREATE INDEX quotes_late ON quotes (made_on, number) WHERE is_late = 1;;
CREATE VIRTUAL TABLE quote_words USING fts5 (
    customer, machine, serial, tokenize = 'ascii', prefix = '1 2 3 4'
);;
CREATE VIRTUAL TABLE customer_words USING fts5 (
    name, tokenize = 'ascii', prefix = '1 2 3 4'
);;
CREATE TABLE revisions (
    quote INTEGER NOT NULL REFERENCES quotes (number),
    number INTEGER NOT NULL,
    state TEXT NOT NULL,
    customer INTEGER REFERENCES customers (number),
    machine INTEGER REFERENCES machines (number),
    made_at TEXT NOT NULL,
    issued_at TEXT,
    valid_until TEXT NOT NULL,
    catalogue_revision TEXT NOT NULL,
    tax_state TEXT NOT NULL,
    is_provisional INTEGER NOT NULL,
    net INTEGER NOT NULL,
    gross INTEGER,
    currency TEXT NOT NULL,
    sha256 TEXT,
    is_erased INTEGER NOT NULL,
    request BLOB NOT NULL,
    answer BLOB NOT NULL,
    reckoning BLOB NOT NULL,
    shown BLOB NOT NULL,
    PRIMARY KEY (quote, number)
) STRICT;;
CREATE INDEX revisions_customer ON revisions (customer, quote);;
CREATE INDEX revisions_machine ON revisions (machine, quote);;
CREATE INDEX revisions_offered ON revisions (valid_until) WHERE state = 'issued';;
CREATE TRIGGER revisions_stay BEFORE UPDATE ON revisions
WHEN OLD.state <> 'draft' AND (
    NEW.quote <> OLD.quote OR NEW.number <> OLD.number OR NEW.state = 'draft'
    OR NEW.customer IS NOT OLD.customer OR NEW.machine IS NOT OLD.machine
    OR NEW.made_at <> OLD.made_at OR NEW.issued_at IS NOT OLD.issued_at
    OR NEW.valid_until <> OLD.valid_until OR NEW.catalogue_revision <> OLD.catalogue_revision
    OR NEW.tax_state <> OLD.tax_state OR NEW.is_provisional <> OLD.is_provisional
    OR NEW.net <> OLD.net OR NEW.gross IS NOT OLD.gross OR NEW.currency <> OLD.currency
    OR NEW.sha256 IS NOT OLD.sha256 OR NEW.is_erased < OLD.is_erased
    OR NEW.reckoning <> OLD.reckoning
    OR (NEW.is_erased = 0 AND (
        NEW.request <> OLD.request OR NEW.answer <> OLD.answer OR NEW.shown <> OLD.shown
    ))
)
BEGIN
    SELECT RAISE(ABORT, 'an issued revision never changes');
END;;
CREATE TRIGGER revisions_last BEFORE DELETE ON revisions
BEGIN
    SELECT RAISE(ABORT, 'a revision is never deleted');
END;;
CREATE TABLE authorisations (
    quote INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    means TEXT NOT NULL,
    contact TEXT,
    amount INTEGER NOT NULL,
    upper INTEGER NOT NULL,
    currency TEXT NOT NULL,
    includes_tax INTEGER NOT NULL,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (quote, revision),
    FOREIGN KEY (quote, revision) REFERENCES revisions (quote, number)
) STRICT;;
CREATE TABLE additions (
    quote INTEGER NOT NULL REFERENCES quotes (number),
    number INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    description TEXT NOT NULL,
    kind TEXT NOT NULL,
    tax_kind TEXT NOT NULL,
    price INTEGER NOT NULL,
    net INTEGER NOT NULL,
    amount INTEGER NOT NULL,
    currency TEXT NOT NULL,
    PRIMARY KEY (quote, number)
) STRICT;;
CREATE TABLE orders (
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
    FOREIGN KEY (quote, revision) REFERENCES revisions (quote, number),
    UNIQUE (quote, revision, supplier)
) STRICT;;
CREATE INDEX orders_supplier ON orders (supplier, number);;
CREATE TABLE photos (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    quote INTEGER NOT NULL REFERENCES quotes (number),
    sha256 TEXT NOT NULL,
    media_type TEXT NOT NULL,
    size INTEGER NOT NULL,
    subject TEXT NOT NULL,
    code TEXT NOT NULL,
    cylinder INTEGER,
    made_at TEXT NOT NULL
) STRICT;;
CREATE INDEX photos_quote ON photos (quote, number);;
CREATE INDEX photos_sha256 ON photos (sha256);;
CREATE TABLE keys (
    place INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    scopes TEXT NOT NULL,
    hash BLOB NOT NULL,
    made_at TEXT NOT NULL,
    last_used_on TEXT,
    revoked_at TEXT
) STRICT;;
CREATE TABLE secrets (
    name TEXT PRIMARY KEY,
    value BLOB NOT NULL
) STRICT;;
CREATE TABLE events (
    seq INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    facts TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    request_id TEXT NOT NULL
) STRICT;;
CREATE INDEX events_subject ON events (subject, seq);;
CREATE TRIGGER events_stay BEFORE UPDATE ON events
BEGIN
    SELECT RAISE(ABORT, 'an event never changes');
END;;
CREATE TRIGGER events_last BEFORE DELETE ON events
BEGIN
    SELECT RAISE(ABORT, 'an event is never deleted');
END;;
CREATE TABLE hooks (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    version INTEGER NOT NULL,
    url TEXT NOT NULL,
    secret TEXT NOT NULL,
    kinds TEXT NOT NULL,
    is_active INTEGER NOT NULL,
    failure TEXT,
    made_at TEXT NOT NULL
) STRICT;;
CREATE TABLE deliveries (
    hook INTEGER NOT NULL REFERENCES hooks (number) ON DELETE CASCADE,
    event INTEGER NOT NULL REFERENCES events (seq),
    attempt INTEGER NOT NULL,
    next_at TEXT NOT NULL,
    PRIMARY KEY (hook, event)
) STRICT, WITHOUT ROWID;;
CREATE INDEX deliveries_next ON deliveries (next_at);;
CREATE TABLE mails (
    number INTEGER PRIMARY KEY,
    quote INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    recipient TEXT NOT NULL,
    message_id TEXT NOT NULL UNIQUE,
    body BLOB NOT NULL,
    state TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    next_at TEXT,
    failure TEXT,
    made_at TEXT NOT NULL,
    sent_at TEXT,
    FOREIGN KEY (quote, revision) REFERENCES revisions (quote, number)
) STRICT;;
CREATE INDEX mails_quote ON mails (quote, number);;
CREATE INDEX mails_recipient ON mails (recipient COLLATE NOCASE);;
CREATE INDEX mails_next ON mails (next_at, number) WHERE state = 'queued';;
CREATE TABLE answers (
    key TEXT NOT NULL,
    idempotency_key TEXT NOT NULL,
    fingerprint BLOB NOT NULL,
    status INTEGER NOT NULL,
    headers TEXT NOT NULL,
    body BLOB NOT NULL,
    expires_at TEXT NOT NULL,
    PRIMARY KEY (key, idempotency_key)
) STRICT;;
CREATE INDEX answers_expires ON answers (expires_at)
"""
