"""Parts orders and photographs in SQLite."""

from __future__ import annotations

from typing import Final

from msgspec import structs

from kitwright.keeping.record import KeptOrder, OrderState, Photo
from kitwright.money import Money
from kitwright.store.rows import Row, Session, moment, packed, read_moment, unpacked

_ORDER: Final = "number, version, state, quote, revision, supplier, net, currency, made_at, body"
_PHOTO: Final = "number, quote, sha256, media_type, size, subject, code, cylinder, made_at"


class OrderTables:
    """Parts orders, as `kitwright.keeping.store.Orders` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, order: KeptOrder) -> KeptOrder:
        """Keep a new order; return it with its number."""
        return structs.replace(order, number=self._session.insert("orders", _columns(order)))

    def get(self, number: int) -> KeptOrder | None:
        """Return an order with its body."""
        row = self._session.row(f"SELECT {_ORDER} FROM orders WHERE number = ?", (number,))
        return None if row is None else _order(row)

    def put(self, order: KeptOrder) -> None:
        """Replace an order."""
        self._session.update("orders", _columns(order), {"number": order.number})

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
        found = self._session.rows(
            f"SELECT {_ORDER} FROM orders WHERE {where} ORDER BY number DESC LIMIT ?",
            (*values, *(() if supplier is None else (supplier,)), most),
        )
        return tuple(map(_order, found))


class PhotoTables:
    """What is known of photographs, as `kitwright.keeping.store.Photos` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, photo: Photo) -> Photo:
        """Keep a new photograph; return it with its number."""
        number = self._session.insert(
            "photos",
            {
                "quote": photo.quote,
                "sha256": photo.sha256,
                "media_type": photo.media_type,
                "size": photo.size,
                "subject": photo.subject,
                "code": photo.code,
                "cylinder": photo.cylinder,
                "made_at": moment(photo.made_at),
            },
        )
        return structs.replace(photo, number=number)

    def get(self, number: int) -> Photo | None:
        """Return a photograph."""
        row = self._session.row(f"SELECT {_PHOTO} FROM photos WHERE number = ?", (number,))
        return None if row is None else _photo(row)

    def of_quote(self, quote: int) -> tuple[Photo, ...]:
        """Return the photographs of a quote, oldest first."""
        found = self._session.rows(
            f"SELECT {_PHOTO} FROM photos WHERE quote = ? ORDER BY number", (quote,)
        )
        return tuple(map(_photo, found))

    def drop(self, number: int) -> None:
        """Forget a photograph."""
        self._session.run("DELETE FROM photos WHERE number = ?", (number,))

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""
        return frozenset(row[0] for row in self._session.rows("SELECT sha256 FROM photos"))


def _columns(order: KeptOrder) -> dict[str, object]:
    return {
        "number": order.number or None,
        "version": order.version,
        "state": order.state.value,
        "quote": order.quote,
        "revision": order.revision,
        "supplier": order.supplier,
        "net": order.net.minor,
        "currency": order.net.currency,
        "made_at": moment(order.made_at),
        "body": packed(order.body),
    }


def _order(row: Row) -> KeptOrder:
    return KeptOrder(
        number=row[0],
        version=row[1],
        state=OrderState(row[2]),
        quote=row[3],
        revision=row[4],
        supplier=row[5],
        net=Money(row[6], row[7]),
        made_at=read_moment(row[8]),
        body=unpacked(row[9]),
    )


def _photo(row: Row) -> Photo:
    return Photo(
        number=row[0],
        quote=row[1],
        sha256=row[2],
        media_type=row[3],
        size=row[4],
        subject=row[5],
        code=row[6],
        cylinder=row[7],
        made_at=read_moment(row[8]),
    )
