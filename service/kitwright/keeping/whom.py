"""Whom: which customer a revision is for."""

from __future__ import annotations

from kitwright.keeping.record import Revision
from kitwright.keeping.store import Records


def customer_for(records: Records, revision: Revision) -> int | None:
    """Return the number of the customer that a revision is for: the one that it names, else the one
    whose machine it names; None if neither is known.
    """
    if revision.customer is not None or revision.machine is None:
        return revision.customer
    machine = records.machines.get(revision.machine)
    return None if machine is None else machine.customer


def is_for_the_same(records: Records, one: Revision, other: Revision) -> bool:
    """Return whether two revisions are for the same customer, as far as is known.

    A revision that names no customer is not treated as being for a customer that the other names.
    It may be, but the holder of its link was never identified as that customer.
    """
    return one.customer == other.customer and (
        customer_for(records, one) == customer_for(records, other)
    )
