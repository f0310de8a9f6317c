"""Bills: statements, payments, handovers, and invoices with their credit notes, in SQLite."""

from __future__ import annotations

from msgspec import structs

from kitwright.keeping.record import Handover, KeptBill, KeptStatement, Payment
from kitwright.store.rows import Session
from kitwright.store.table import PACKED, Numbered, Table


class StatementTable(Table[KeptStatement]):
    """Statements, one a quote, as `kitwright.keeping.store.Statements` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(
            session, "statements", KeptStatement, key=("quote",), codecs={"body": PACKED}
        )


class PaymentTable(Table[Payment]):
    """Payments, numbered within their quote."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "payments", Payment, key=("quote", "number"))

    def add(self, record: Payment, **more: object) -> Payment:
        """Add a payment; return it with its number."""
        last = self.session.value(
            "SELECT coalesce(max(number), 0) FROM payments WHERE quote = ?", (record.quote,)
        )
        return super().add(structs.replace(record, number=last + 1), **more)

    def of_quote(self, quote: int) -> tuple[Payment, ...]:
        """Return the payments of a quote, oldest first: numbers of earlier versions did not say."""
        return self.select("WHERE quote = ? ORDER BY at, number", quote)


class HandoverTable(Table[Handover]):
    """Handovers of machines, one a quote."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "handovers", Handover, key=("quote",))


class BillTable(Numbered[KeptBill]):
    """Invoices and credit notes, as `kitwright.keeping.store.Bills` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "bills", KeptBill, codecs={"body": PACKED})

    def named(self, series: str, place: int) -> KeptBill | None:
        """Return the one with a place in a series, or None."""
        found = self.select("WHERE series = ? AND place = ?", series, place)
        return next(iter(found), None)

    def last(self, series: str) -> int:
        """Return the last place of a series, 0 where there is none."""
        found: int = self.session.value(
            "SELECT coalesce(max(place), 0) FROM bills WHERE series = ?", (series,)
        )
        return found

    def places(self, series: str) -> tuple[int, ...]:
        """Return the places of a series that are here, in order."""
        rows = self.session.rows(
            "SELECT place FROM bills WHERE series = ? ORDER BY place", (series,)
        )
        return tuple(place for (place,) in rows)

    def of_quote(self, quote: int) -> tuple[KeptBill, ...]:
        """Return the invoices and credit notes of a quote, oldest first."""
        return self.select("WHERE quote = ? ORDER BY number", quote)

    def quotes_billed(self, customer: int) -> tuple[int, ...]:
        """Return the numbers of the quotes with documents that are made out to a customer."""
        rows = self.session.rows(
            "SELECT DISTINCT quote FROM bills WHERE buyer = ? ORDER BY quote", (customer,)
        )
        return tuple(quote for (quote,) in rows)

    def find(self, before: int | None, most: int) -> tuple[KeptBill, ...]:
        """Return invoices and credit notes, newest first."""
        return self.page(before, most)

    def series(self) -> tuple[tuple[str, int], ...]:
        """Return every series with the last place in it, oldest first."""
        rows = self.session.rows(
            "SELECT series, max(place) FROM bills GROUP BY series ORDER BY min(number)", ()
        )
        return tuple((series, place) for series, place in rows)
