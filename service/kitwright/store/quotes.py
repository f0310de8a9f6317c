"""Quotes: their revisions, authorisations and additions in SQLite, and the search over them."""

from __future__ import annotations

from datetime import date
from typing import Final

from msgspec import structs

from kitwright.keeping.record import (
    Addition,
    Authorisation,
    KeptQuote,
    Revision,
    RevisionState,
)
from kitwright.keeping.store import QuoteFilter, RecordMissing
from kitwright.store.rows import LARGEST, Session, indexed, match_words
from kitwright.store.seal import APART, DIGESTS
from kitwright.store.table import PACKED, Numbered, Table

_BODIES: Final = APART["revisions"]


class QuoteTable(Numbered[KeptQuote]):
    """Quotes, as `kitwright.keeping.store.Quotes` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "quotes", KeptQuote, extra=("is_late",))

    def add(self, record: KeptQuote, **more: object) -> KeptQuote:
        """Add a new quote; return it with its number."""
        later = self.session.row(
            "SELECT 1 FROM quotes INDEXED BY quotes_made_on WHERE is_late = 0 AND made_on > ?",
            (record.made_on.isoformat(),),
        )
        kept = super().add(record, is_late=int(later is not None), **more)
        self._index(kept)
        return kept

    def put(self, record: KeptQuote, **more: object) -> None:
        """Replace a stored quote."""
        before = self.get(record.number)
        # its day may be any among its neighbours' now
        has_moved = before is not None and before.made_on != record.made_on
        super().put(record, **({"is_late": 1} if has_moved else {}), **more)
        if before is None or _searched(before) != _searched(record):
            self.index(record)

    def index(self, quote: KeptQuote) -> None:
        """Update the search for a quote."""
        self.hide(quote.number)
        self._index(quote)

    def hide(self, number: int) -> None:
        """Remove a quote from the search."""
        self.session.run("DELETE FROM quote_words WHERE rowid = ?", (number,))

    def _index(self, quote: KeptQuote) -> None:
        session = self.session
        customer = session.row("SELECT name FROM customers WHERE number = ?", (quote.customer,))
        machine = session.row(
            "SELECT name, serial FROM machines WHERE number = ?", (quote.machine,)
        )
        serials = {quote.serial, None if machine is None else machine[1]} - {None}
        session.insert(
            "quote_words",
            {
                "rowid": quote.number,
                "customer": "" if customer is None else indexed(customer[0]),
                "machine": "" if machine is None else indexed(machine[0]),
                "serial": " ".join(map(str, sorted(serials, key=str))),
            },
        )

    def find(self, wanted: QuoteFilter) -> tuple[KeptQuote, ...]:
        """Return at most `wanted.most` quotes, newest first."""
        source, conditions, values = "quotes", list[str](), list[object]()
        match = match_words(wanted.words)
        if match:
            # the words lead: they choose few quotes, in the order that is asked for
            source = "quote_words CROSS JOIN quotes ON quotes.number = quote_words.rowid"
            conditions.append("quote_words MATCH ?")
            values.append(match)
        key = "quote_words.rowid" if match else "quotes.number"
        if wanted.states:
            conditions.append(f"state IN ({', '.join('?' * len(wanted.states))})")
            values += [state.value for state in wanted.states]
        for column, number in (("customer", wanted.customer), ("machine", wanted.machine)):
            if number is not None:
                conditions.append(f"quotes.{column} = ?")
                values.append(number)
        for day, bound, ends in (
            (wanted.made_from, ">=", ("ASC", "min")),
            (wanted.made_to, "<=", ("DESC", "max")),
        ):
            if day is not None:
                conditions += [f"made_on {bound} ?", _bound(key, bound, *ends)]
                values += [day.isoformat()] * 3
        if wanted.before is not None:
            conditions.append(f"{key} < ?")
            values.append(wanted.before)
        where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
        return self.select(
            f"{where} ORDER BY {key} DESC LIMIT ?", *values, wanted.most, source=source
        )

    def of_fleet(self, fleet: int) -> tuple[KeptQuote, ...]:
        """Return the quotes of a fleet, oldest first."""
        return self.select("WHERE fleet = ? ORDER BY number", fleet)

    def of_ticket(self, ticket: int) -> tuple[KeptQuote, ...]:
        """Return the quotes that show a revision with a ticket, oldest first."""
        return self.select("WHERE ticket = ? ORDER BY number", ticket)

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        """Return the quotes with a revision that names a customer, or a machine, newest first."""
        return self.select(
            "WHERE number IN (SELECT quote FROM revisions WHERE customer = ?"
            " UNION SELECT quote FROM revisions WHERE machine = ?) ORDER BY number DESC",
            customer,
            machine,
        )

    def of_customer(
        self, customer: int, before: int | None, most: int, *, is_open: bool = False
    ) -> tuple[KeptQuote, ...]:
        """Return quotes that name a customer or one of the customer's machines, newest first."""
        opened = (
            " AND (offered IS NOT NULL OR (agreed IS NOT NULL AND state <> 'done'))"
            if is_open
            else ""
        )
        return self.select(
            "WHERE number < ?2 AND number IN (SELECT quote FROM revisions WHERE customer = ?1"
            " UNION SELECT quote FROM revisions WHERE machine IN"
            f" (SELECT number FROM machines WHERE customer = ?1)){opened}"
            " ORDER BY number DESC LIMIT ?3",
            customer,
            LARGEST if before is None else before,
            most,
        )

    def early(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the expired quotes that are valid until a day or longer."""
        return self.select(
            "WHERE state = 'expired' AND valid_until >= ? ORDER BY number", today.isoformat()
        )

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the quotes whose offered revision has expired."""
        return self.select(
            "WHERE revisions.state = 'issued' AND revisions.valid_until < ?"
            " AND quotes.offered = revisions.number ORDER BY quotes.number",
            today.isoformat(),
            source="revisions JOIN quotes ON quotes.number = revisions.quote",
        )


def _searched(quote: KeptQuote) -> tuple[int | None, ...]:
    return quote.customer, quote.machine, quote.serial


class RevisionTable(Table[Revision]):
    """Revisions, as `kitwright.keeping.store.Revisions` defines them."""

    def __init__(self, session: Session) -> None:
        name, key = "revisions", ("quote", "number")
        super().__init__(session, name, Revision, key=key, codecs=dict.fromkeys(_BODIES, PACKED))
        self._heads = Table(
            session,
            name,
            Revision,
            key=key,
            left_out=dict.fromkeys(_BODIES, b""),
            extra=(DIGESTS,),
        )

    def of_quote(self, quote: int) -> tuple[Revision, ...]:
        """Return all revisions of a quote in order, with empty bodies."""
        return self._heads.of_quote(quote)

    def sound_of_quote(self, quote: int) -> tuple[Revision, ...]:
        """Return the revisions of a quote in order, with empty bodies; damaged ones are set
        aside.
        """
        return self._heads.sound_of_quote(quote)

    def mark(
        self, quote: int, number: int, state: RevisionState, reason: str | None = None
    ) -> None:
        """Change the state of a revision. If it is declined, `reason` is the customer's for it, in
        place of the shop's.
        """
        head = self._heads.get(quote, number)
        if head is None:
            raise RecordMissing(f"no record in revisions with quote {quote}, number {number}")
        if state is not RevisionState.declined:
            reason = head.reason
        self._heads.put(structs.replace(head, state=state, reason=reason))


class AdditionTable(Table[Addition]):
    """Additions, numbered within their quote."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "additions", Addition, key=("quote", "number"))

    def add(self, record: Addition, **more: object) -> Addition:
        """Add an addition; return it with its number."""
        last = self.session.value(
            "SELECT coalesce(max(number), 0) FROM additions WHERE quote = ?", (record.quote,)
        )
        return super().add(structs.replace(record, number=last + 1), **more)


def authorisations(session: Session) -> Table[Authorisation]:
    """Return the table of authorisations, at most one for each revision."""
    key = ("quote", "revision")
    # the word for a limit is one of SQL's
    return Table(session, "authorisations", Authorisation, key=key, renamed={"limit": "upper"})


def _bound(key: str, bound: str, order: str, outermost: str) -> str:
    """Return the condition that a number can be of a day within a bound, for two such days.

    Without it, whatever lies outside is read too. Where no quote is within, none can be.
    """
    within = f"made_on {bound} ? ORDER BY made_on {order}, number {order} LIMIT 1"
    return (
        f"{key} {bound} (SELECT {outermost}(number) FROM"
        f" (SELECT number FROM (SELECT number FROM quotes INDEXED BY quotes_made_on"
        f" WHERE is_late = 0 AND {within}) UNION ALL SELECT {outermost}(number) FROM quotes"
        f" INDEXED BY quotes_late WHERE is_late = 1 AND made_on {bound} ?))"
    )
