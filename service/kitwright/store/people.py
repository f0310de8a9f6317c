"""Customers and machines in SQLite."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec
from msgspec import structs

from kitwright.keeping.record import Customer, Machine
from kitwright.store.rows import (
    Row,
    Session,
    day_or_none,
    indexed,
    match_words,
    moment,
    moment_or_none,
    read_day_or_none,
    read_moment,
    read_moment_or_none,
)

_CUSTOMER: Final = (
    "number, version, name, e_mail, telephone, address, language, certificate_number,"
    " certificate_until, note, made_at, erased_at"
)
_MACHINE: Final = (
    "number, version, customer, name, family, serial, build_code, chassis, plate, hours, note,"
    " made_at, erased_at"
)


class PeopleTables:
    """Customers and machines, as `kitwright.keeping.store.People` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add_customer(self, customer: Customer) -> Customer:
        """Keep a new customer; return it with its number."""
        number = self._session.insert("customers", _customer_columns(customer))
        self._session.insert("customer_words", {"rowid": number, "name": indexed(customer.name)})
        return structs.replace(customer, number=number)

    def customer(self, number: int) -> Customer | None:
        """Return a customer."""
        row = self._session.row(f"SELECT {_CUSTOMER} FROM customers WHERE number = ?", (number,))
        return None if row is None else _customer(row)

    def put_customer(self, customer: Customer) -> None:
        """Replace a customer; the search knows the new name."""
        session, number = self._session, customer.number
        session.update("customers", _customer_columns(customer), {"number": number})
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
        """Write the search anew: what was taken out of it stays in its index until it is merged."""
        self._session.has_erased = True
        for table in ("customer_words", "quote_words"):
            self._session.run(f"INSERT INTO {table} ({table}) VALUES ('optimize')")

    def customers(
        self, words: Sequence[str], before: int | None, most: int
    ) -> tuple[Customer, ...]:
        """Return customers, newest first, with a word of their name beginning with each word."""
        below = 2**62 if before is None else before
        columns = ", ".join(f"customers.{name.strip()}" for name in _CUSTOMER.split(","))
        match = match_words(words)
        if match:
            found = self._session.rows(
                f"SELECT {columns} FROM customer_words CROSS JOIN customers"
                " ON customers.number = customer_words.rowid WHERE customer_words MATCH ?"
                " AND customer_words.rowid < ? ORDER BY customer_words.rowid DESC LIMIT ?",
                (match, below, most),
            )
        else:
            found = self._session.rows(
                f"SELECT {columns} FROM customers WHERE number < ? ORDER BY number DESC LIMIT ?",
                (below, most),
            )
        return tuple(map(_customer, found))

    def add_machine(self, machine: Machine) -> Machine:
        """Keep a new machine; return it with its number."""
        number = self._session.insert("machines", _machine_columns(machine))
        return structs.replace(machine, number=number)

    def machine(self, number: int) -> Machine | None:
        """Return a machine."""
        row = self._session.row(f"SELECT {_MACHINE} FROM machines WHERE number = ?", (number,))
        return None if row is None else _machine(row)

    def put_machine(self, machine: Machine) -> None:
        """Replace a machine; the search knows its new name and serial."""
        session, number = self._session, machine.number
        session.update("machines", _machine_columns(machine), {"number": number})
        serial = "" if machine.serial is None else str(machine.serial)
        # a quote's own serial stays beside the machine's where they differ
        session.run(
            "UPDATE quote_words SET machine = ?1, serial = (SELECT CASE"
            " WHEN quotes.serial IS NULL OR CAST(quotes.serial AS TEXT) = ?2 THEN ?2"
            " ELSE trim(CAST(quotes.serial AS TEXT) || ' ' || ?2) END"
            " FROM quotes WHERE quotes.number = quote_words.rowid)"
            " WHERE rowid IN (SELECT number FROM quotes WHERE machine = ?3)",
            (indexed(machine.name), serial, number),
        )

    def machines(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        """Return machines, newest first, of one customer where one is given."""
        below = 2**62 if before is None else before
        whose = "" if customer is None else "customer = ? AND "
        found = self._session.rows(
            f"SELECT {_MACHINE} FROM machines WHERE {whose}number < ? ORDER BY number DESC LIMIT ?",
            (below, most) if customer is None else (customer, below, most),
        )
        return tuple(map(_machine, found))


def _customer_columns(customer: Customer) -> dict[str, object]:
    return {
        "number": customer.number or None,
        "version": customer.version,
        "name": customer.name,
        "e_mail": customer.e_mail,
        "telephone": customer.telephone,
        "address": customer.address,
        "language": customer.language,
        "certificate_number": customer.certificate_number,
        "certificate_until": day_or_none(customer.certificate_until),
        "note": customer.note,
        "made_at": moment(customer.made_at),
        "erased_at": moment_or_none(customer.erased_at),
    }


def _customer(row: Row) -> Customer:
    return Customer(
        number=row[0],
        version=row[1],
        name=row[2],
        e_mail=row[3],
        telephone=row[4],
        address=row[5],
        language=row[6],
        certificate_number=row[7],
        certificate_until=read_day_or_none(row[8]),
        note=row[9],
        made_at=read_moment(row[10]),
        erased_at=read_moment_or_none(row[11]),
    )


def _machine_columns(machine: Machine) -> dict[str, object]:
    return {
        "number": machine.number or None,
        "version": machine.version,
        "customer": machine.customer,
        "name": machine.name,
        "family": machine.family,
        "serial": machine.serial,
        "build_code": machine.build_code,
        "chassis": machine.chassis,
        "plate": msgspec.json.encode(machine.plate).decode(),
        "hours": machine.hours,
        "note": machine.note,
        "made_at": moment(machine.made_at),
        "erased_at": moment_or_none(machine.erased_at),
    }


def _machine(row: Row) -> Machine:
    return Machine(
        number=row[0],
        version=row[1],
        customer=row[2],
        name=row[3],
        family=row[4],
        serial=row[5],
        build_code=row[6],
        chassis=row[7],
        plate=msgspec.json.decode(row[8], type=dict[str, str]),
        hours=row[9],
        note=row[10],
        made_at=read_moment(row[11]),
        erased_at=read_moment_or_none(row[12]),
    )
