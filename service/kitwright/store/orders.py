"""Orders: parts orders and photographs in SQLite."""

from __future__ import annotations

from kitwright.keeping.record import KeptOrder, Photo
from kitwright.store.rows import Session
from kitwright.store.table import PACKED, Numbered


class OrderTable(Numbered[KeptOrder]):
    """Parts orders, as `kitwright.keeping.store.Orders` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "orders", KeptOrder, codecs={"body": PACKED})

    def find(
        self, quote: int | None, supplier: str | None, before: int | None, most: int
    ) -> tuple[KeptOrder, ...]:
        """Return orders, newest first, with their bodies."""
        return self.page(before, most, quote=quote, supplier=supplier)


class PhotoTable(Numbered[Photo]):
    """The records of photographs, as `kitwright.keeping.store.Photos` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "photos", Photo)

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""
        return frozenset(row[0] for row in self.session.rows("SELECT sha256 FROM photos"))
