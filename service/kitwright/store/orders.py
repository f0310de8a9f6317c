"""Orders: parts orders and photographs in SQLite."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.record import KeptOrder, Photo
from kitwright.store.rows import Session
from kitwright.store.table import PACKED, Table

_ORDERS: Final = Table("orders", KeptOrder, codecs={"body": PACKED})
_PHOTOS: Final = Table("photos", Photo)


class OrderTables:
    """Parts orders, as `kitwright.keeping.store.Orders` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, order: KeptOrder) -> KeptOrder:
        """Add a new order; return it with its number."""
        return _ORDERS.add(self._session, order)

    def get(self, number: int) -> KeptOrder | None:
        """Return the order of a number with its body, or None."""
        return _ORDERS.get(self._session, number)

    def put(self, order: KeptOrder) -> None:
        """Replace an order."""
        _ORDERS.put(self._session, order)

    def find(
        self, quote: int | None, supplier: str | None, before: int | None, most: int
    ) -> tuple[KeptOrder, ...]:
        """Return orders, newest first, with their bodies."""
        conditions, values = ["number < ?"], [2**62 if before is None else before]
        if quote is not None:
            conditions.append("quote = ?")
            values.append(quote)
        where = " AND ".join(conditions)
        if supplier is not None:
            where += " AND supplier = ?"
        return _ORDERS.find(
            self._session,
            f"WHERE {where} ORDER BY number DESC LIMIT ?",
            (*values, *(() if supplier is None else (supplier,)), most),
        )


class PhotoTables:
    """The records of photographs, as `kitwright.keeping.store.Photos` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, photo: Photo) -> Photo:
        """Add a new photograph; return it with its number."""
        return _PHOTOS.add(self._session, photo)

    def get(self, number: int) -> Photo | None:
        """Return the photograph of a number, or None."""
        return _PHOTOS.get(self._session, number)

    def of_quote(self, quote: int) -> tuple[Photo, ...]:
        """Return the photographs of a quote, oldest first."""
        return _PHOTOS.find(self._session, "WHERE quote = ? ORDER BY number", (quote,))

    def drop(self, number: int) -> None:
        """Delete a photograph."""
        self._session.run("DELETE FROM photos WHERE number = ?", (number,))

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""
        return frozenset(row[0] for row in self._session.rows("SELECT sha256 FROM photos"))
