"""Quotes in SQLite: their revisions, authorisations, additions, and the search over them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Final

from msgspec import structs

from kitwright.keeping.record import (
    Addition,
    Authorisation,
    KeptQuote,
    Means,
    QuoteState,
    Revision,
    RevisionState,
)
from kitwright.keeping.store import QuoteFilter
from kitwright.money import Money
from kitwright.store.rows import (
    Row,
    Session,
    indexed,
    match_words,
    moment,
    moment_or_none,
    money_or_none,
    packed,
    read_moment,
    read_moment_or_none,
    unpacked,
)

_QUOTE: Final = (
    "number, version, state, latest, offered, agreed, shown, customer, machine, family, serial,"
    " net, gross, currency, valid_until, made_at, made_on, changed_at"
)
_REVISION: Final = (
    "quote, number, state, customer, machine, made_at, issued_at, valid_until,"
    " catalogue_revision, tax_state, is_provisional, net, gross, currency, sha256, is_erased"
)


class QuoteTables:
    """Quotes, as `kitwright.keeping.store.Quotes` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, quote: KeptQuote) -> KeptQuote:
        """Keep a new quote; return it with its number."""
        row = self._session.row(
            "SELECT 1 FROM quotes INDEXED BY quotes_made_on WHERE is_late = 0 AND made_on > ?",
            (quote.made_on.isoformat(),),
        )
        columns = {**_quote_columns(quote), "is_late": int(row is not None)}
        number = self._session.insert("quotes", columns)
        kept = structs.replace(quote, number=number)
        self._index(kept)
        return kept

    def get(self, number: int) -> KeptQuote | None:
        """Return a quote."""
        row = self._session.row(f"SELECT {_QUOTE} FROM quotes WHERE number = ?", (number,))
        return None if row is None else _quote(row)

    def put(self, quote: KeptQuote) -> None:
        """Replace a quote that is kept."""
        before = self._session.row(
            "SELECT customer, machine, serial, made_on FROM quotes WHERE number = ?",
            (quote.number,),
        )
        columns = _quote_columns(quote)
        if before is not None and before[3] != columns["made_on"]:
            # its day may be any among its neighbours' now
            columns["is_late"] = 1
        self._session.update("quotes", columns, {"number": quote.number})
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
        columns = ", ".join(f"quotes.{name.strip()}" for name in _QUOTE.split(","))
        found = self._session.rows(
            f"SELECT {columns} FROM {table}{where} ORDER BY {key} DESC LIMIT ?",
            (*values, wanted.most),
        )
        return tuple(map(_quote, found))

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        """Return the quotes of which a revision names a customer, or a machine, newest first."""
        found = self._session.rows(
            f"SELECT {_QUOTE} FROM quotes WHERE number IN (SELECT quote FROM revisions"
            " WHERE customer = ? UNION SELECT quote FROM revisions WHERE machine = ?)"
            " ORDER BY number DESC",
            (customer, machine),
        )
        return tuple(map(_quote, found))

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the quotes whose offered revision is valid no more."""
        columns = ", ".join(f"quotes.{name.strip()}" for name in _QUOTE.split(","))
        found = self._session.rows(
            f"SELECT {columns} FROM revisions JOIN quotes ON quotes.number = revisions.quote"
            " WHERE revisions.state = 'issued' AND revisions.valid_until < ?"
            " AND quotes.offered = revisions.number ORDER BY quotes.number",
            (today.isoformat(),),
        )
        return tuple(map(_quote, found))

    def add_revision(self, revision: Revision) -> None:
        """Keep a new revision."""
        self._session.insert("revisions", _revision_columns(revision))

    def put_revision(self, revision: Revision) -> None:
        """Replace a revision: a draft, or an issued one to erase what is personal in it."""
        self._session.update(
            "revisions",
            _revision_columns(revision),
            {"quote": revision.quote, "number": revision.number},
        )

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
        """Give a revision another state; with it, when it is issued, what is known since then."""
        columns: dict[str, object] = {"state": state.value}
        if issued_at is not None:
            columns["issued_at"] = moment(issued_at)
        if sha256 is not None:
            columns["sha256"] = sha256
        if shown is not None:
            columns["shown"] = packed(shown)
        self._session.update("revisions", columns, {"quote": quote, "number": number})

    def revision(self, quote: int, number: int) -> Revision | None:
        """Return a revision with its body."""
        row = self._session.row(
            f"SELECT {_REVISION}, request, answer, reckoning, shown FROM revisions"
            " WHERE quote = ? AND number = ?",
            (quote, number),
        )
        return None if row is None else _revision(row, *map(unpacked, row[16:20]))

    def revisions(self, quote: int) -> tuple[Revision, ...]:
        """Return all revisions in order, with empty bodies."""
        found = self._session.rows(
            f"SELECT {_REVISION} FROM revisions WHERE quote = ? ORDER BY number", (quote,)
        )
        return tuple(_revision(row, b"", b"", b"", b"") for row in found)

    def authorise(self, given: Authorisation) -> None:
        """Keep an authorisation, one a revision."""
        self._session.insert("authorisations", _authorisation_columns(given))

    def authorisations(self, quote: int) -> tuple[Authorisation, ...]:
        """Return the authorisations of a quote, oldest first."""
        found = self._session.rows(
            "SELECT quote, revision, at, who, means, contact, amount, upper, currency,"
            " includes_tax, text, sha256 FROM authorisations WHERE quote = ? ORDER BY revision",
            (quote,),
        )
        return tuple(
            Authorisation(
                quote=row[0],
                revision=row[1],
                at=read_moment(row[2]),
                who=row[3],
                means=Means(row[4]),
                contact=row[5],
                amount=Money(row[6], row[8]),
                limit=Money(row[7], row[8]),
                includes_tax=bool(row[9]),
                text=row[10],
                sha256=row[11],
            )
            for row in found
        )

    def put_authorisation(self, given: Authorisation) -> None:
        """Replace an authorisation, to erase who gave it."""
        self._session.update(
            "authorisations",
            _authorisation_columns(given),
            {"quote": given.quote, "revision": given.revision},
        )

    def add_addition(self, addition: Addition) -> Addition:
        """Keep an addition; return it with its number, which counts within the quote."""
        row = self._session.row(
            "SELECT coalesce(max(number), 0) + 1 FROM additions WHERE quote = ?",
            (addition.quote,),
        )
        kept = structs.replace(addition, number=1 if row is None else row[0])
        self._session.insert("additions", _addition_columns(kept))
        return kept

    def additions(self, quote: int) -> tuple[Addition, ...]:
        """Return the additions of a quote, oldest first."""
        found = self._session.rows(
            "SELECT quote, number, revision, at, day, description, kind, tax_kind, price, net,"
            " amount, currency FROM additions WHERE quote = ? ORDER BY number",
            (quote,),
        )
        return tuple(
            Addition(
                quote=row[0],
                number=row[1],
                revision=row[2],
                at=read_moment(row[3]),
                day=date.fromisoformat(row[4]),
                description=row[5],
                kind=row[6],
                tax_kind=row[7],
                price=Money(row[8], row[11]),
                net=Money(row[9], row[11]),
                amount=Money(row[10], row[11]),
            )
            for row in found
        )

    def put_addition(self, addition: Addition) -> None:
        """Replace an addition, to erase its words."""
        self._session.update(
            "additions",
            _addition_columns(addition),
            {"quote": addition.quote, "number": addition.number},
        )


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


def _quote_columns(quote: KeptQuote) -> dict[str, object]:
    return {
        "number": quote.number or None,
        "version": quote.version,
        "state": quote.state.value,
        "latest": quote.latest,
        "offered": quote.offered,
        "agreed": quote.agreed,
        "shown": quote.shown,
        "customer": quote.customer,
        "machine": quote.machine,
        "family": quote.family,
        "serial": quote.serial,
        "net": quote.net.minor,
        "gross": None if quote.gross is None else quote.gross.minor,
        "currency": quote.net.currency,
        "valid_until": quote.valid_until.isoformat(),
        "made_at": moment(quote.made_at),
        "made_on": quote.made_on.isoformat(),
        "changed_at": moment(quote.changed_at),
    }


def _quote(row: Row) -> KeptQuote:
    return KeptQuote(
        number=row[0],
        version=row[1],
        state=QuoteState(row[2]),
        latest=row[3],
        offered=row[4],
        agreed=row[5],
        shown=row[6],
        customer=row[7],
        machine=row[8],
        family=row[9],
        serial=row[10],
        net=Money(row[11], row[13]),
        gross=money_or_none(row[12], row[13]),
        valid_until=date.fromisoformat(row[14]),
        made_at=read_moment(row[15]),
        made_on=date.fromisoformat(row[16]),
        changed_at=read_moment(row[17]),
    )


def _revision_columns(revision: Revision) -> dict[str, object]:
    return {
        "quote": revision.quote,
        "number": revision.number,
        "state": revision.state.value,
        "customer": revision.customer,
        "machine": revision.machine,
        "made_at": moment(revision.made_at),
        "issued_at": moment_or_none(revision.issued_at),
        "valid_until": revision.valid_until.isoformat(),
        "catalogue_revision": revision.catalogue_revision,
        "tax_state": revision.tax_state,
        "is_provisional": int(revision.is_provisional),
        "net": revision.net.minor,
        "gross": None if revision.gross is None else revision.gross.minor,
        "currency": revision.net.currency,
        "sha256": revision.sha256,
        "is_erased": int(revision.is_erased),
        "request": packed(revision.request),
        "answer": packed(revision.answer),
        "reckoning": packed(revision.reckoning),
        "shown": packed(revision.shown),
    }


def _revision(row: Row, request: bytes, answer: bytes, reckoning: bytes, shown: bytes) -> Revision:
    return Revision(
        quote=row[0],
        number=row[1],
        state=RevisionState(row[2]),
        customer=row[3],
        machine=row[4],
        made_at=read_moment(row[5]),
        issued_at=read_moment_or_none(row[6]),
        valid_until=date.fromisoformat(row[7]),
        catalogue_revision=row[8],
        tax_state=row[9],
        is_provisional=bool(row[10]),
        net=Money(row[11], row[13]),
        gross=money_or_none(row[12], row[13]),
        sha256=row[14],
        is_erased=bool(row[15]),
        request=request,
        answer=answer,
        reckoning=reckoning,
        shown=shown,
    )


def _authorisation_columns(given: Authorisation) -> dict[str, object]:
    return {
        "quote": given.quote,
        "revision": given.revision,
        "at": moment(given.at),
        "who": given.who,
        "means": given.means.value,
        "contact": given.contact,
        "amount": given.amount.minor,
        "upper": given.limit.minor,
        "currency": given.amount.currency,
        "includes_tax": int(given.includes_tax),
        "text": given.text,
        "sha256": given.sha256,
    }


def _addition_columns(addition: Addition) -> dict[str, object]:
    return {
        "quote": addition.quote,
        "number": addition.number,
        "revision": addition.revision,
        "at": moment(addition.at),
        "day": addition.day.isoformat(),
        "description": addition.description,
        "kind": addition.kind,
        "tax_kind": addition.tax_kind,
        "price": addition.price.minor,
        "net": addition.net.minor,
        "amount": addition.amount.minor,
        "currency": addition.amount.currency,
    }
