"""Orders: parts orders with what quotes have of them and what happens to them, and photographs, in
SQLite.
"""

from __future__ import annotations

from msgspec import structs

from kitwright.keeping.record import (
    Allocation,
    KeptOrder,
    OrderEntry,
    OrderState,
    Photo,
)
from kitwright.store.rows import LARGEST, Session
from kitwright.store.table import PACKED, Numbered, Table

# "order" is a word of SQL
_NAMED = {"order": "order_number"}


class OrderTable(Numbered[KeptOrder]):
    """Parts orders, as `kitwright.keeping.store.Orders` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "orders", KeptOrder, codecs={"body": PACKED})

    def find(
        self,
        quote: int | None,
        supplier: str | None,
        before: int | None,
        most: int,
        state: OrderState | None = None,
    ) -> tuple[KeptOrder, ...]:
        """Return orders, newest first, with their bodies."""
        named = None if state is None else state.value
        if quote is None:
            return self.page(before, most, supplier=supplier, state=named)
        return self.select(
            "WHERE number IN (SELECT order_number FROM allocations WHERE quote = ?1)"
            " AND (?2 IS NULL OR supplier = ?2) AND (?3 IS NULL OR state = ?3) AND number < ?4"
            " ORDER BY number DESC LIMIT ?5",
            quote,
            supplier,
            named,
            LARGEST if before is None else before,
            most,
        )


class AllocationTable(Table[Allocation]):
    """What each revision has of the orders, as `kitwright.keeping.store.Allocations` defines it."""

    def __init__(self, session: Session) -> None:
        super().__init__(
            session,
            "allocations",
            Allocation,
            key=("order_number", "quote"),
            renamed=_NAMED,
            codecs={"lines": PACKED},
        )

    def of_order(self, order: int) -> tuple[Allocation, ...]:
        """Return the allocations of an order, in the order in which they were added."""
        return self.select("WHERE order_number = ? ORDER BY allocations.rowid", order)


class OrderEntryTable(Table[OrderEntry]):
    """What happened to orders, as `kitwright.keeping.store.OrderEntries` defines it."""

    def __init__(self, session: Session) -> None:
        super().__init__(
            session,
            "order_entries",
            OrderEntry,
            key=("order_number", "number"),
            renamed=_NAMED,
            codecs={"body": PACKED},
        )

    def add(self, record: OrderEntry, **more: object) -> OrderEntry:
        """Add an entry; return it with its number."""
        last = self.session.value(
            "SELECT coalesce(max(number), 0) FROM order_entries WHERE order_number = ?",
            (record.order,),
        )
        return super().add(structs.replace(record, number=last + 1), **more)

    def of_order(self, order: int) -> tuple[OrderEntry, ...]:
        """Return the entries of an order, oldest first."""
        return self.select("WHERE order_number = ? ORDER BY number", order)


class PhotoTable(Numbered[Photo]):
    """The records of photographs, as `kitwright.keeping.store.Photos` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "photos", Photo)

    def of_ticket(self, ticket: int) -> tuple[Photo, ...]:
        """Return the photographs of a ticket, oldest first."""
        return self.select("WHERE ticket = ? ORDER BY number", ticket)

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""
        return frozenset(row[0] for row in self.session.rows("SELECT sha256 FROM photos"))
