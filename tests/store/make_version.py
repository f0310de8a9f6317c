"""Makes the database that `tests/store/versions` keeps of the newest schema: one of everything.

`python -m tests.store.make_version`, once for each new step of the schema and before it is
released; later only that version's own code could do it. Beside it stands what it holds, as JSON.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import msgspec
from msgspec import structs
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    SHOWN,
    TODAY,
    USD,
    a_bill,
    a_catalogue,
    a_claim,
    a_clock_entry,
    a_come_back,
    a_customer,
    a_handover,
    a_holding,
    a_hook,
    a_key,
    a_machine,
    a_mail,
    a_move,
    a_notice,
    a_payment,
    a_photo,
    a_quote,
    a_retention,
    a_revision,
    a_statement,
    a_ticket,
    an_addition,
    an_allocation,
    an_answer,
    an_authorisation,
    an_entry,
    an_erasure,
    an_estimate_entry,
    an_event,
    an_issued_revision,
    an_order,
)

from kitwright.keeping.generation import Belonging
from kitwright.keeping.ledger import UNIT, MoveKind, Owner, ReorderPoint
from kitwright.keeping.record import (
    ClockKind,
    Disposal,
    DisposalKind,
    EstimateKind,
    KeptQuote,
    MailState,
    Means,
    QuoteState,
    RevisionState,
)
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.money import Money
from kitwright.quote import for_customer
from kitwright.store.engine import FILE, SqliteStore, all_names
from kitwright.store.schema import MIGRATIONS
from kitwright.store.sqlite import sqlite3

FOLDER: Final = Path(__file__).with_name("versions")
MOST: Final = 2**40
CASE: Final = "v68-zero-turn-exempt"


def fill(records: Records) -> None:
    """Keep one of everything that goes together."""
    quotes, revisions = records.quotes, records.revisions
    customer = records.customers.add(a_customer("Zoë Müller")).number
    records.customers.add(a_customer("erased", email=None, erased_at=NOON))
    machine = records.machines.add(a_machine(customer=customer)).number
    agreed = quotes.add(
        a_quote(
            state=QuoteState.ordered,
            latest=3,
            offered=2,
            agreed=1,
            customer=customer,
            machine=machine,
            serial=2140077,
        )
    ).number
    digest = hashlib.sha256(SHOWN).hexdigest()
    revisions.add(
        an_issued_revision(
            agreed, 1, state=RevisionState.accepted, customer=customer, machine=machine
        )
    )
    revisions.add(an_issued_revision(agreed, 2, is_erased=True, answer=b"{}", shown=b"{}"))
    revisions.add(a_revision(agreed, 3, is_provisional=True))
    records.authorisations.add(an_authorisation(agreed, 1, sha256=digest))
    records.additions.add(an_addition(agreed))
    ticket = records.tickets.add(a_ticket(customer, machine)).number
    records.tickets.add(
        a_ticket(
            customer,
            machine,
            brought_by=None,
            accessories=(),
            most=Money(9000, USD),
            agreed_at=NOON,
            agreed_by="Zoë Müller",
            means=Means.link,
        )
    )
    lone = quotes.add(a_quote(gross=None, made_on=TODAY + DAY, fleet=agreed, ticket=ticket)).number
    revisions.add(a_revision(lone, gross=None, tax_state="unknown"))
    records.come_backs.add(a_come_back(lone, agreed))
    records.claims.add(a_claim(lone, agreed))
    records.notices.add(a_notice(agreed))
    for of_quote in ((agreed, 1), (None, None)):
        order = records.orders.add(an_order(*of_quote)).number
        records.allocations.add(an_allocation(order, agreed))
        records.order_entries.add(an_entry(order))
    records.mails.add(a_mail(None, None, order=2, message_id="<m3@shop.example>", next_at=None))
    records.payments.add(a_payment(agreed, means="card", reference="R-1", is_advance=True))
    records.statements.add(a_statement(agreed))
    records.payments.add(a_payment(agreed))
    records.handovers.add(a_handover(agreed))
    records.bills.add(a_bill(agreed))
    records.clock_entries.add(a_clock_entry(agreed))
    records.clock_entries.add(
        a_clock_entry(
            agreed, kind=ClockKind.stopped, moment=NOON + HOUR, about=1, phase=None, step=None
        )
    )
    records.catalogues.add(a_catalogue())
    applied = records.estimates.add(an_estimate_entry()).number
    records.estimates.add(
        an_estimate_entry(kind=EstimateKind.taken_back, since=None, figures=None, about=applied)
    )
    records.photos.add(a_photo(agreed))
    records.photos.add(a_photo(None, ticket=ticket, subject="take_in", code="take-in"))
    records.mails.add(a_mail(agreed, next_at=NOON + HOUR))
    records.mails.add(
        a_mail(
            agreed,
            message_id="<m2@shop.example>",
            to="",
            body=b"",
            state=MailState.sent,
            attempts=2,
            next_at=None,
            failure="busy",
            sent_at=NOON,
        )
    )
    records.keys.add(a_key())
    records.keys.add(a_key("k2", last_used_on=TODAY, revoked_at=NOON, scopes=frozenset()))
    records.keys.add_secret("links", bytes(range(32)))
    records.hooks.add(a_hook(kinds=("quote.created",)))
    records.hooks.add(a_hook(is_active=False, failure="gone"))
    records.events.add(an_event())
    records.events.add(an_event("quote.issued", subject="quote:2"))
    records.events.defer(1, 1, NOON + HOUR)
    records.answers.add(an_answer(epoch="0123456789"), NOON)
    # in place of a random epoch and the present time
    records.generations.put(
        structs.replace(
            records.generations.current(), epoch="0123456789", begun_at=NOON, released_at=NOON
        )
    )
    records.generations.belong(
        Belonging(shop="hire-yard", currency="USD", tax_area="area", families=("QM-H27",))
    )
    records.erasures.add(an_erasure(2))
    records.retentions.add(a_retention(2, agreed))
    records.disposals.add(Disposal(number=0, kind=DisposalKind.photo, name="ab" * 32))
    records.shelf.open(NOON)
    holding = records.shelf.hold(a_holding()).number
    records.shelf.add(a_move(holding))
    records.shelf.add(
        a_move(
            holding,
            kind=MoveKind.reserve,
            quote=agreed,
            stock=0,
            promised=UNIT,
            worth=0,
            reserved=UNIT,
        )
    )
    own = records.shelf.hold(a_holding(brand=None, owner=Owner.customer, quote=agreed)).number
    records.shelf.add(a_move(own, is_doubtful=True, day=TODAY + DAY))
    records.shelf.put_point(ReorderPoint(item="G-1", least=UNIT, wanted=3 * UNIT))


def _quotes(records: Records) -> tuple[KeptQuote, ...]:
    return records.quotes.find(QuoteFilter(most=MOST))


def _of_each(records: Records, kind: str) -> list[Any]:
    kept = getattr(records, kind)
    return [kept.of_quote(quote.number) for quote in _quotes(records)]


def _payments(records: Records, *, is_advance: bool) -> list[Any]:
    """Return the advances of each quote, numbered by themselves as they once were, or what was
    paid later.
    """
    return [
        [
            structs.replace(one, number=place) if is_advance else one
            for place, one in enumerate(
                (one for one in paid if one.is_advance is is_advance), start=1
            )
        ]
        for paid in _of_each(records, "payments")
    ]


def _revisions(records: Records) -> list[Any]:
    return [
        records.revisions.get(quote.number, number)
        for quote in _quotes(records)
        for number in range(1, quote.latest + 1)
    ]


def _keys(records: Records) -> list[Any]:
    keys = records.keys.every()
    return [{**structs.asdict(key), "scopes": sorted(key.scopes)} for key in keys]


ASKED: Final[dict[str, Callable[[Records], Any]]] = {
    "quotes": _quotes,
    "found by words": lambda r: r.quotes.find(QuoteFilter(words=("MULL", "trac", "214"))),
    "revisions": _revisions,
    "authorisations": lambda r: _of_each(r, "authorisations"),
    "additions": lambda r: _of_each(r, "additions"),
    "customers": lambda r: r.customers.find((), None, MOST),
    "customers by words": lambda r: r.customers.find(("zoe",), None, MOST),
    "machines": lambda r: r.machines.find(None, None, MOST),
    "orders": lambda r: r.orders.find(None, None, None, MOST),
    "allocations": lambda r: [r.allocations.of_order(order) for order in (1, 2)],
    "order entries": lambda r: [r.order_entries.of_order(order) for order in (1, 2)],
    "advances": lambda r: _payments(r, is_advance=True),
    "payments": lambda r: _payments(r, is_advance=False),
    "statement": lambda r: [r.statements.get(quote) for quote in (1, 2, 3)],
    "handover": lambda r: [r.handovers.get(quote) for quote in (1, 2, 3)],
    "bills": lambda r: [r.bills.find(None, MOST), r.bills.series()],
    "clock entries": lambda r: _of_each(r, "clock_entries"),
    "come-backs": lambda r: r.come_backs.of_visit(1),
    "claims": lambda r: r.claims.find(None, None, None, MOST),
    "notices": lambda r: _of_each(r, "notices"),
    "estimates": lambda r: r.estimates.every(),
    "catalogue": lambda r: r.catalogues.get("c" * 64),
    "order mails": lambda r: r.mails.of_order(2),
    "photos": lambda r: _of_each(r, "photos"),
    "photos of tickets": lambda r: r.photos.of_ticket(1),
    "tickets": lambda r: r.tickets.find(None, None, None, MOST),
    "quotes of a fleet": lambda r: [r.quotes.of_fleet(1), r.quotes.of_ticket(1)],
    "mails": lambda r: _of_each(r, "mails"),
    "quotes that name": lambda r: [r.quotes.naming(1, None), r.quotes.naming(None, 1)],
    "mail due": lambda r: r.mails.due(NOON + DAY, MOST),
    "mail soonest": lambda r: r.mails.soonest(),
    "keys": _keys,
    "secret": lambda r: r.keys.secret("links"),
    "events": lambda r: r.events.after(0, MOST),
    "hooks": lambda r: r.hooks.every(),
    "waiting": lambda r: r.events.due(NOON + DAY, MOST),
    "soonest": lambda r: r.events.soonest(),
    "erasures": lambda r: r.erasures.every(),
    "retentions": lambda r: r.retentions.every(),
    "disposals": lambda r: r.disposals.next(0, MOST),
    "generations": lambda r: r.generations.every(),
    "belonging": lambda r: r.generations.belonging(),
    "answer": lambda r: r.answers.get("k1", "once", NOON),
    "shelf opened": lambda r: r.shelf.is_opened(),
    "shelf": lambda r: r.shelf.of_item("G-1"),
    "moves": lambda r: r.shelf.moves("G-1", None, MOST),
    "shares": lambda r: [r.shelf.shares(quote.number) for quote in _quotes(r)],
    "stock of a day": lambda r: r.shelf.value_on(TODAY),
    "reorder points": lambda r: r.shelf.points(),
}
"""Everything that is kept, by what is asked for."""


def plain(answer: object) -> Any:
    """Return an answer as plain values."""
    return msgspec.json.decode(msgspec.json.encode(answer))


def found(records: Records) -> dict[str, Any]:
    """Return everything that is kept, as plain values."""
    return {name: plain(ask(records)) for name, ask in ASKED.items()}


def make(target: Path) -> dict[str, Any]:
    """Make the newest schema's database, always alike; return what it holds."""
    with tempfile.TemporaryDirectory() as place:
        with closing(SqliteStore.open(Path(place))) as store:
            store.write_now(fill)
            held = store.read(found)
        file = Path(place) / FILE
        with closing(sqlite3.connect(str(file), isolation_level=None)) as connection:
            connection.execute(
                f"UPDATE {MIGRATIONS.migrations_table} SET applied_at = '2027-03-01 12:00:00+00:00'"
            )
            # one small file: no log beside it, and pages that are not mostly empty
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA page_size = 512")
            connection.execute("VACUUM")
        target.write_bytes(file.read_bytes())
    return held


if __name__ == "__main__":
    newest = all_names()[-1]
    content = make(FOLDER / f"{newest}.db")
    text = msgspec.json.format(msgspec.json.encode(content), indent=1).decode()
    (FOLDER / f"{newest}.json").write_text(f"{text}\n", encoding="utf-8")
    # a quote with as much in it as one can have, as it is kept and as its customer sees it
    case = Path(__file__).parents[1] / "cases" / f"{CASE}.answer.json"
    answer = msgspec.json.encode(msgspec.json.decode(case.read_bytes()))
    (FOLDER / f"{newest}.quote.json").write_bytes(answer + b"\n")
    (FOLDER / f"{newest}.shown.json").write_bytes(for_customer(answer) + b"\n")
