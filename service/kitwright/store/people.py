"""People: customers and machines in SQLite."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from kitwright.keeping.record import Customer, Machine
from kitwright.store.rows import LARGEST, Session, indexed, match_words
from kitwright.store.table import Numbered

_MERGED: Final = 32
"""Pages of the search index that are rewritten at a time."""


class CustomerTable(Numbered[Customer]):
    """Customers, as `kitwright.keeping.store.Customers` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "customers", Customer)

    def add(self, record: Customer, **more: object) -> Customer:
        """Add a new customer; return it with its number."""
        kept = super().add(record, **more)
        words = {"rowid": kept.number, "name": indexed(kept.name)}
        self.session.insert("customer_words", words)
        return kept

    def put(self, record: Customer, **more: object) -> None:
        """Replace a customer, and update the search by name, of quotes unless it is erased."""
        super().put(record, **more)
        session, number, name = self.session, record.number, indexed(record.name)
        session.run("UPDATE customer_words SET name = ? WHERE rowid = ?", (name, number))
        if record.erased_at is not None:
            session.has_closed = True
            # of each quote in its turn: there may be thousands
            return
        session.run(
            "UPDATE quote_words SET customer = ? WHERE rowid IN"
            " (SELECT number FROM quotes WHERE customer = ?)",
            (name, number),
        )

    def tidy_search(self, *, is_first: bool) -> bool:
        """Rewrite a part of the search index, which keeps removed words until it is merged; return
        whether nothing of them is left. Then the log is emptied as well.
        """
        pages, changes = -_MERGED if is_first else _MERGED, 0
        for table in ("customer_words", "quote_words"):
            before = self.session.connection.total_changes
            self.session.run(f"INSERT INTO {table} ({table}, rank) VALUES ('merge', ?)", (pages,))
            changes += self.session.connection.total_changes - before
        # as the documentation of FTS5 says: fewer than two changes each, and nothing is left
        is_tidy = not is_first and changes < 4
        self.session.has_erased = self.session.has_erased or is_tidy
        return is_tidy

    def find(self, words: Sequence[str], before: int | None, most: int) -> tuple[Customer, ...]:
        """Return customers, newest first. Each of `words` begins a word of their name."""
        match = match_words(words)
        if not match:
            return self.page(before, most)
        return self.select(
            "WHERE customer_words MATCH ? AND customer_words.rowid < ?"
            " ORDER BY customer_words.rowid DESC LIMIT ?",
            match,
            LARGEST if before is None else before,
            most,
            source="customer_words CROSS JOIN customers ON customers.number = customer_words.rowid",
        )


class MachineTable(Numbered[Machine]):
    """Machines, as `kitwright.keeping.store.Machines` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "machines", Machine)

    def put(self, record: Machine, **more: object) -> None:
        """Replace a machine, and update the search by name and serial, unless it is erased."""
        super().put(record, **more)
        if record.erased_at is not None:
            # of each quote in its turn: there may be thousands
            return
        serial = "" if record.serial is None else str(record.serial)
        # if a quote's own serial number differs from the machine's, both are searched
        self.session.run(
            "UPDATE quote_words SET machine = ?1, serial = (SELECT CASE"
            " WHEN quotes.serial IS NULL OR CAST(quotes.serial AS TEXT) = ?2 THEN ?2"
            " ELSE trim(CAST(quotes.serial AS TEXT) || ' ' || ?2) END"
            " FROM quotes WHERE quotes.number = quote_words.rowid)"
            " WHERE rowid IN (SELECT number FROM quotes WHERE machine = ?3)",
            (indexed(record.name), serial, record.number),
        )

    def find(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        """Return machines, newest first; only those of one customer if one is given."""
        return self.page(before, most, customer=customer)
