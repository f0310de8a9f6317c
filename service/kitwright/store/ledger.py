"""Ledger: checks that the records agree with each other, beyond the rules of the schema."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator
from typing import Any, Final

from kitwright.store.rows import indexed, unpacked
from kitwright.store.shelf import check_shelf

Problem = tuple[str, str]
"""A stable code, and the error in words."""

_AGREED: Final = "('accepted', 'ordered', 'in_work', 'done')"
_QUOTES: Final = (
    (
        "the revisions are not numbered from 1 to the latest",
        "latest <> (SELECT count(*) FROM revisions WHERE quote = quotes.number) OR latest <>"
        " (SELECT coalesce(max(number), 0) FROM revisions WHERE quote = quotes.number)",
    ),
    (
        "the revision shown is neither the agreed nor the offered one",
        "coalesce(agreed, offered, shown) <> shown",
    ),
    (
        "the amounts are not those of the revision shown and its additions",
        # prices are with or without tax, so one of the totals grows by exactly the added amount
        "NOT EXISTS (SELECT 1, (SELECT coalesce(sum(price), 0) FROM additions AS a"
        " WHERE a.quote = r.quote AND r.number = agreed"
        " AND (a.revision = agreed OR a.at >= r.made_at)) AS added FROM revisions AS r"
        " WHERE r.quote = quotes.number AND r.number = quotes.shown"
        " AND CASE added WHEN 0 THEN r.net = quotes.net AND r.gross IS quotes.gross"
        " ELSE r.net + added = quotes.net OR r.gross + added = quotes.gross END"
        " AND r.currency = quotes.currency AND r.valid_until = quotes.valid_until)",
    ),
    (
        "the offered revision is not the issued one",
        "(SELECT group_concat(number) FROM revisions WHERE quote = quotes.number"
        " AND state = 'issued') IS NOT CAST(offered AS TEXT)",
    ),
    (
        "the agreed revision is not the accepted one",
        "(SELECT group_concat(number) FROM revisions WHERE quote = quotes.number"
        " AND state = 'accepted') IS NOT CAST(agreed AS TEXT)",
    ),
    (
        "the agreed revision has no authorisation for what was issued",
        "agreed IS NOT NULL AND NOT EXISTS (SELECT 1 FROM authorisations AS a JOIN revisions AS r"
        " ON r.quote = a.quote AND r.number = a.revision AND r.sha256 = a.sha256"
        " WHERE a.quote = quotes.number AND a.revision = agreed)",
    ),
    (
        "the state does not fit the offered and agreed revisions",
        # an offer that was declined and owes its diagnosis is done once that is billed
        f"(agreed IS NOT NULL) <> (state IN {_AGREED}) AND NOT (agreed IS NULL AND state = 'done'"
        " AND EXISTS (SELECT 1 FROM statements WHERE quote = quotes.number))"
        " OR (state = 'issued') <> (offered IS NOT NULL AND agreed IS NULL)",
    ),
    (
        "the additions exceed the authorised amount",
        # additions under an earlier consent, after the revision was made, are outside its limit
        "EXISTS (SELECT 1 FROM authorisations AS a WHERE a.quote = quotes.number AND a.revision ="
        " agreed AND a.upper + (SELECT coalesce(sum(amount), 0) FROM additions AS x"
        " WHERE x.quote = quotes.number AND x.revision <> agreed)"
        " < CASE a.includes_tax WHEN 1 THEN quotes.gross ELSE quotes.net END)",
    ),
)
"""What can be wrong with a quote -> the condition that finds it."""


def check_ledger(connection: Any) -> Iterator[Problem]:
    """Yield every error in the records. Raises: sqlite3.Error."""
    yield from _check_feed(connection)
    for wrong, condition in _QUOTES:
        for (number,) in connection.execute(
            f"SELECT number FROM quotes WHERE {condition} ORDER BY number"
        ):
            yield "quote-inconsistent", f"quote {number}: {wrong}"
    yield from _check_revisions(connection)
    yield from _check_search(connection)
    yield from check_shelf(connection)
    for (number,) in connection.execute(
        "SELECT number FROM orders WHERE net IS NOT (SELECT sum(goods + fees + freight)"
        " FROM allocations WHERE order_number = orders.number) ORDER BY number"
    ):
        yield "order-inconsistent", f"order {number}: its allocations do not add up to it"


def _check_feed(connection: Any) -> Iterator[Problem]:
    before = 0
    # a restore leaves out numbers after the last event of the generation before it
    ends = {
        after for (after,) in connection.execute("SELECT after FROM generations WHERE number > 1")
    }
    for (seq,) in connection.execute("SELECT seq FROM events ORDER BY seq"):
        if seq != before + 1 and before not in ends:
            yield "feed-gap", f"missing from the feed: events {before + 1} to {seq - 1}"
        before = seq


def _check_revisions(connection: Any) -> Iterator[Problem]:
    for quote, number, sha256, answer, shown in connection.execute(
        "SELECT quote, number, sha256, answer, shown FROM revisions"
        " WHERE issued_at IS NOT NULL AND is_erased = 0 ORDER BY quote, number"
    ):
        try:
            is_same = hashlib.sha256(unpacked(shown)).hexdigest() == sha256
            unpacked(answer)
        except zlib.error:
            is_same = False
        if not is_same:
            yield (
                "revision-changed",
                f"quote {quote}, revision {number}: changed since it was issued",
            )
    for quote, number in connection.execute(
        "SELECT quote, number FROM revisions AS r WHERE issued_at IS NULL"
        " AND state NOT IN ('draft', 'withdrawn')"
        # finishing the work supersedes a draft that was never offered
        " AND NOT (state = 'superseded' AND EXISTS (SELECT 1 FROM quotes AS q"
        " WHERE q.number = r.quote AND q.latest = r.number AND q.state = 'done'))"
        " ORDER BY quote, number"
    ):
        yield "revision-changed", f"quote {quote}, revision {number}: never issued"


def _check_search(connection: Any) -> Iterator[Problem]:
    for number, name, words in connection.execute(
        "SELECT customers.number, name, (SELECT name FROM customer_words"
        " WHERE rowid = customers.number) FROM customers"
    ):
        if words != indexed(name):
            yield "search-behind", f"customer {number}: the search index lacks its name"
    for number, customer, machine, words in connection.execute(
        "SELECT quotes.number, customers.name, machines.name, (SELECT customer || '|' || machine"
        " FROM quote_words WHERE rowid = quotes.number) FROM quotes"
        " LEFT JOIN customers ON customers.number = quotes.customer"
        " LEFT JOIN machines ON machines.number = quotes.machine"
    ):
        if words != f"{indexed(customer or '')}|{indexed(machine or '')}":
            yield "search-behind", f"quote {number}: the search index lacks its customer or machine"
