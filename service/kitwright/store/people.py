"""People: customers and machines in SQLite."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from kitwright.keeping.record import Customer, Machine
from kitwright.store.rows import Session, indexed, match_words
from kitwright.store.table import Table

_CUSTOMERS: Final = Table("customers", Customer)
_MACHINES: Final = Table("machines", Machine)


class PeopleTables:
    """Customers and machines, as `kitwright.keeping.store.People` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add_customer(self, customer: Customer) -> Customer:
        """Add a new customer; return it with its number."""
        kept = _CUSTOMERS.add(self._session, customer)
        words = {"rowid": kept.number, "name": indexed(customer.name)}
        self._session.insert("customer_words", words)
        return kept

    def customer(self, number: int) -> Customer | None:
        """Return the customer of a number, or None."""
        return _CUSTOMERS.get(self._session, number)

    def put_customer(self, customer: Customer) -> None:
        """Replace a customer, and update the search by name."""
        session, number = self._session, customer.number
        _CUSTOMERS.put(session, customer)
        name = indexed(customer.name)
        session.run("UPDATE customer_words SET name = ? WHERE rowid = ?", (name, number))
        session.run(
            "UPDATE quote_words SET customer = ? WHERE rowid IN"
            " (SELECT number FROM quotes WHERE customer = ?)",
            (name, number),
        )
        if customer.erased_at is not None:
            self._purge()

    def _purge(self) -> None:
        """Rewrite the search index: it keeps removed words until it is merged."""
        self._session.has_erased = True
        for table in ("customer_words", "quote_words"):
            self._session.run(f"INSERT INTO {table} ({table}) VALUES ('optimize')")

    def customers(
        self, words: Sequence[str], before: int | None, most: int
    ) -> tuple[Customer, ...]:
        """Return customers, newest first. Each of `words` begins a word of their name."""
        below = 2**62 if before is None else before
        match = match_words(words)
        if match:
            found = self._session.rows(
                f"SELECT {_CUSTOMERS.columns} FROM customer_words CROSS JOIN customers"
                " ON customers.number = customer_words.rowid WHERE customer_words MATCH ?"
                " AND customer_words.rowid < ? ORDER BY customer_words.rowid DESC LIMIT ?",
                (match, below, most),
            )
            return _CUSTOMERS.read(found)
        return _CUSTOMERS.find(
            self._session, "WHERE number < ? ORDER BY number DESC LIMIT ?", (below, most)
        )

    def add_machine(self, machine: Machine) -> Machine:
        """Add a new machine; return it with its number."""
        return _MACHINES.add(self._session, machine)

    def machine(self, number: int) -> Machine | None:
        """Return the machine of a number, or None."""
        return _MACHINES.get(self._session, number)

    def put_machine(self, machine: Machine) -> None:
        """Replace a machine, and update the search by name and serial number."""
        session, number = self._session, machine.number
        _MACHINES.put(session, machine)
        serial = "" if machine.serial is None else str(machine.serial)
        # if a quote's own serial number differs from the machine's, both are searched
        session.run(
            "UPDATE quote_words SET machine = ?1, serial = (SELECT CASE"
            " WHEN quotes.serial IS NULL OR CAST(quotes.serial AS TEXT) = ?2 THEN ?2"
            " ELSE trim(CAST(quotes.serial AS TEXT) || ' ' || ?2) END"
            " FROM quotes WHERE quotes.number = quote_words.rowid)"
            " WHERE rowid IN (SELECT number FROM quotes WHERE machine = ?3)",
            (indexed(machine.name), serial, number),
        )

    def machines(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        """Return machines, newest first; only those of one customer if one is given."""
        below = 2**62 if before is None else before
        whose = "" if customer is None else "customer = ? AND "
        return _MACHINES.find(
            self._session,
            f"WHERE {whose}number < ? ORDER BY number DESC LIMIT ?",
            (below, most) if customer is None else (customer, below, most),
        )
