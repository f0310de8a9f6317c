"""Quotes: their revisions, authorisations and additions in SQLite, and the search over them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Final

from msgspec import structs

from kitwright.keeping.record import (
    Addition,
    Authorisation,
    KeptQuote,
    Revision,
    RevisionState,
)
from kitwright.keeping.store import QuoteFilter
from kitwright.store.rows import Session, indexed, match_words, moment, packed
from kitwright.store.table import PACKED, Table

_QUOTES: Final = Table("quotes", KeptQuote)
_REVISION_KEY: Final = ("quote", "number")
_BODIES: Final = ("request", "answer", "reckoning", "shown")
_REVISIONS: Final = Table(
    "revisions",
    Revision,
    key=_REVISION_KEY,
    number="",
    codecs=dict.fromkeys(_BODIES, PACKED),
)
_HEADS: Final = Table(
    "revisions", Revision, key=_REVISION_KEY, number="", left_out=dict.fromkeys(_BODIES, b"")
)
_AUTHORISATIONS: Final = Table(
    "authorisations",
    Authorisation,
    key=("quote", "revision"),
    number="",
    # the word for a limit is one of SQL's
    renamed={"limit": "upper"},
)
_ADDITIONS: Final = Table("additions", Addition, key=("quote", "number"), number="")


class QuoteTables:
    """Quotes, as `kitwright.keeping.store.Quotes` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, quote: KeptQuote) -> KeptQuote:
        """Add a new quote; return it with its number."""
        row = self._session.row(
            "SELECT 1 FROM quotes INDEXED BY quotes_made_on WHERE is_late = 0 AND made_on > ?",
            (quote.made_on.isoformat(),),
        )
        kept = _QUOTES.add(self._session, quote, is_late=int(row is not None))
        self._index(kept)
        return kept

    def get(self, number: int) -> KeptQuote | None:
        """Return the quote of a number, or None."""
        return _QUOTES.get(self._session, number)

    def put(self, quote: KeptQuote) -> None:
        """Replace a stored quote."""
        before = self._session.row(
            "SELECT customer, machine, serial, made_on FROM quotes WHERE number = ?",
            (quote.number,),
        )
        # its day may be any among its neighbours' now
        has_moved = before is not None and before[3] != quote.made_on.isoformat()
        _QUOTES.put(self._session, quote, **({"is_late": 1} if has_moved else {}))
        if before is None or before[:3] != (quote.customer, quote.machine, quote.serial):
            self._session.run("DELETE FROM quote_words WHERE rowid = ?", (quote.number,))
            self._index(quote)

    def _index(self, quote: KeptQuote) -> None:
        session = self._session
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
        table, conditions, values = "quotes", [], list[object]()
        match = match_words(wanted.words)
        if match:
            # the words lead: they choose few quotes, in the order that is asked for
            table = "quote_words CROSS JOIN quotes ON quotes.number = quote_words.rowid"
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
        where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
        found = self._session.rows(
            f"SELECT {_QUOTES.columns} FROM {table}{where} ORDER BY {key} DESC LIMIT ?",
            (*values, wanted.most),
        )
        return _QUOTES.read(found)

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        """Return the quotes with a revision that names a customer, or a machine, newest first."""
        return _QUOTES.find(
            self._session,
            "WHERE number IN (SELECT quote FROM revisions WHERE customer = ?"
            " UNION SELECT quote FROM revisions WHERE machine = ?) ORDER BY number DESC",
            (customer, machine),
        )

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the quotes whose offered revision has expired."""
        found = self._session.rows(
            f"SELECT {_QUOTES.columns} FROM revisions"
            " JOIN quotes ON quotes.number = revisions.quote"
            " WHERE revisions.state = 'issued' AND revisions.valid_until < ?"
            " AND quotes.offered = revisions.number ORDER BY quotes.number",
            (today.isoformat(),),
        )
        return _QUOTES.read(found)

    def add_revision(self, revision: Revision) -> None:
        """Add a new revision."""
        _REVISIONS.add(self._session, revision)

    def put_revision(self, revision: Revision) -> None:
        """Replace a revision: a draft, or an issued one to erase personal data in it."""
        _REVISIONS.put(self._session, revision)

    def mark_revision(
        self,
        quote: int,
        number: int,
        state: RevisionState,
        *,
        issued_at: datetime | None = None,
        sha256: str | None = None,
        shown: bytes | None = None,
    ) -> None:
        """Change the state of a revision; on issue, also its time, the part shown and its hash."""
        columns: dict[str, object] = {"state": state.value}
        if issued_at is not None:
            columns["issued_at"] = moment(issued_at)
        if sha256 is not None:
            columns["sha256"] = sha256
        if shown is not None:
            columns["shown"] = packed(shown)
        self._session.update("revisions", columns, {"quote": quote, "number": number})

    def revision(self, quote: int, number: int) -> Revision | None:
        """Return a revision with its bodies, or None."""
        return _REVISIONS.get(self._session, quote, number)

    def revisions(self, quote: int) -> tuple[Revision, ...]:
        """Return all revisions in order, with empty bodies."""
        return _HEADS.find(self._session, "WHERE quote = ? ORDER BY number", (quote,))

    def authorise(self, given: Authorisation) -> None:
        """Add an authorisation, at most one for each revision."""
        _AUTHORISATIONS.add(self._session, given)

    def authorisations(self, quote: int) -> tuple[Authorisation, ...]:
        """Return the authorisations of a quote, oldest first."""
        return _AUTHORISATIONS.find(self._session, "WHERE quote = ? ORDER BY revision", (quote,))

    def put_authorisation(self, given: Authorisation) -> None:
        """Replace an authorisation, to erase who gave it."""
        _AUTHORISATIONS.put(self._session, given)

    def add_addition(self, addition: Addition) -> Addition:
        """Add an addition; return it with its number, which counts within the quote."""
        row = self._session.row(
            "SELECT coalesce(max(number), 0) + 1 FROM additions WHERE quote = ?",
            (addition.quote,),
        )
        number = 1 if row is None else row[0]
        return _ADDITIONS.add(self._session, structs.replace(addition, number=number))

    def additions(self, quote: int) -> tuple[Addition, ...]:
        """Return the additions of a quote, oldest first."""
        return _ADDITIONS.find(self._session, "WHERE quote = ? ORDER BY number", (quote,))

    def put_addition(self, addition: Addition) -> None:
        """Replace an addition, to erase its words."""
        _ADDITIONS.put(self._session, addition)


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
