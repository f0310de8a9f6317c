"""People: customers and machines."""

from __future__ import annotations

from kitwright.errors import KitwrightError
from kitwright.keeping.event import add_record, change_record
from kitwright.keeping.record import Customer, Machine, Stamp
from kitwright.keeping.store import Records


class PeopleError(KitwrightError):
    """An action that is not possible for a customer or a machine."""

    code = "people-error"


class AlreadyErased(PeopleError):
    """A customer who has been erased."""

    code = "already-erased"

    def __init__(self, number: int) -> None:
        super().__init__("this customer has been erased")
        self.number = number


def add_customer(records: Records, stamp: Stamp, customer: Customer) -> Customer:
    """Return a new customer with its number."""
    return add_record(records, stamp, "customer.created", records.customers, customer)


def change_customer(records: Records, stamp: Stamp, before: Customer, after: Customer) -> Customer:
    """Return a changed customer. Raises: AlreadyErased."""
    if before.erased_at is not None:
        raise AlreadyErased(before.number)
    return change_record(records, stamp, "customer.changed", records.customers, before, after)


def add_machine(records: Records, stamp: Stamp, machine: Machine) -> Machine:
    """Return a new machine with its number."""
    return add_record(records, stamp, "machine.created", records.machines, machine)


def change_machine(records: Records, stamp: Stamp, before: Machine, after: Machine) -> Machine:
    """Return a changed machine. Raises: AlreadyErased."""
    if before.erased_at is not None:
        raise AlreadyErased(before.customer or 0)
    return change_record(records, stamp, "machine.changed", records.machines, before, after)
