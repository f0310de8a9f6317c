"""People: customers and machines in SQLite."""

from __future__ import annotations

from collections.abc import Sequence

from kitwright.keeping.record import Customer, Machine
from kitwright.store.rows import LARGEST, Session, indexed, match_words
from kitwright.store.table import Numbered


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
        """Replace a customer, and update the search by name."""
        super().put(record, **more)
        session, number, name = self.session, record.number, indexed(record.name)
        session.run("UPDATE customer_words SET name = ? WHERE rowid = ?", (name, number))
        session.run(
            "UPDATE quote_words SET customer = ? WHERE rowid IN"
            " (SELECT number FROM quotes WHERE customer = ?)",
            (name, number),
        )
        if record.erased_at is not None:
            self.session.has_closed = True
            self._purge()

    def _purge(self) -> None:
        """Rewrite the search index: it keeps removed words until it is merged."""
        self.session.has_erased = True
        for table in ("customer_words", "quote_words"):
            self.session.run(f"INSERT INTO {table} ({table}) VALUES ('optimize')")

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
        """Replace a machine, and update the search by name and serial number."""
        super().put(record, **more)
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
