"""Erasures: the customers who are being erased, what stays of them for a while, and the files to be
deleted, in SQLite.
"""

from __future__ import annotations

from kitwright.keeping.record import Disposal, Erasure, Retention, RetentionWhy
from kitwright.store.rows import Session
from kitwright.store.table import Numbered


class ErasureTable(Numbered[Erasure]):
    """Erasures under way, as `kitwright.keeping.store.Erasures` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "erasures", Erasure)

    def of_customer(self, customer: int) -> Erasure | None:
        """Return the erasure of a customer, None if none is under way."""
        return next(iter(self.select("WHERE customer = ? ORDER BY number", customer)), None)

    def every(self) -> tuple[Erasure, ...]:
        """Return all erasures, oldest first."""
        return self.select("ORDER BY number")


class RetentionTable(Numbered[Retention]):
    """What stays of erased customers, as `kitwright.keeping.store.Retentions` defines it."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "retentions", Retention)

    def add(self, record: Retention, **more: object) -> Retention:
        """Add what stays of a customer; with a whole quote, the customer was erased in part."""
        self.session.has_closed |= record.why is not RetentionWhy.invoices
        return super().add(record, **more)

    def of_customer(self, customer: int) -> tuple[Retention, ...]:
        """Return what stays of a customer, oldest first."""
        return self.select("WHERE customer = ? ORDER BY number", customer)

    def every(self) -> tuple[Retention, ...]:
        """Return all retentions, oldest first."""
        return self.select("ORDER BY number")


class DisposalTable(Numbered[Disposal]):
    """Files to be deleted, as `kitwright.keeping.store.Disposals` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "disposals", Disposal)

    def next(self, after: int, most: int) -> tuple[Disposal, ...]:
        """Return at most `most` disposals above a number, oldest first."""
        return self.select("WHERE number > ? ORDER BY number LIMIT ?", after, most)
