"""What the doctor finds: nothing in a sound data folder, and each fault by its code."""

import os
import shutil
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.store.hardship import add_event
from tests.store.pictures import a_png
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    STAMP,
    TODAY,
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
    a_retention,
    a_statement,
    a_ticket,
    an_allocation,
    an_answer,
    an_entry,
    an_erasure,
    an_estimate_entry,
    an_order,
    figures,
)

from kitwright.keeping.consent import More, Yes, accept, ask_addition
from kitwright.keeping.erasure_steps import erase_now
from kitwright.keeping.ledger import ReorderPoint
from kitwright.keeping.life import finish, keep_quote, ordered, revise, start
from kitwright.keeping.offer import decline, expire_overdue, issue, withdraw
from kitwright.keeping.people import change_customer
from kitwright.keeping.record import Disposal, DisposalKind, KeptQuote, Means
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.store.doctor import Finding, Severity, examine
from kitwright.store.engine import FILE, SqliteStore, connect
from kitwright.store.files import PhotoFiles
from kitwright.store.schema import MIGRATIONS
from kitwright.store.seal import SEALED, seal_of, seal_rows, sealed_names

YES = Yes(who="Ada", means=Means.in_person, text="I agree.", limit=Money(12000, "USD"))

LATER = structs.replace(STAMP, today=TODAY + DAY)


def live(records: Records) -> None:
    """Bring quotes to every state that there is, some of them twice round."""
    customer = records.customers.add(a_customer("Zoë Müller"))
    machine = records.machines.add(a_machine(customer=customer.number))
    other = records.customers.add(a_customer("Ada"))
    asked = figures(customer=customer.number, machine=machine.number, serial=77)

    def issued(**said: object) -> KeptQuote:
        return issue(records, STAMP, keep_quote(records, STAMP, figures(**said)))

    def agreed() -> KeptQuote:
        return accept(records, STAMP, issued(), 1, yes=YES, preset=None)

    def again(quote: KeptQuote) -> KeptQuote:
        return issue(records, STAMP, revise(records, STAMP, quote, figures(net=Money(9000, "USD"))))

    keep_quote(records, STAMP, asked)
    revise(records, STAMP, keep_quote(records, STAMP, asked), asked)
    withdraw(records, STAMP, keep_quote(records, STAMP, asked))
    again(issued())
    declined = decline(records, STAMP, issued(), 1, "too dear")
    again(declined)
    withdraw(records, STAMP, issued())
    issued(valid_until=TODAY)
    decline(records, STAMP, again(agreed()), 2)
    withdraw(records, STAMP, decline(records, STAMP, again(agreed()), 2))
    accept(records, STAMP, again(agreed()), 2, yes=YES, preset=None)
    hose = More(description="a hose", kind="part", tax_kind="part", net=Money(1000, "USD"))
    quote, ruling = ask_addition(records, STAMP, agreed(), hose)
    assert ruling.addition is not None
    again(start(records, STAMP, ordered(records, STAMP, quote, 1), ()))
    finish(records, STAMP, start(records, STAMP, agreed(), ()))
    begun = revise(records, STAMP, agreed(), figures(net=Money(9000, "USD")))
    finish(records, STAMP, start(records, STAMP, begun, ()))
    expire_overdue(records, LATER)
    change_customer(records, STAMP, other, a_customer("Grace"))
    erased = records.customers.add(a_customer("Gone"))
    theirs = issued(customer=erased.number)
    decline(records, STAMP, theirs, 1)
    erase_now(records, STAMP, erased, redact=lambda revision: revision)


CHANGES = {
    "customers": "note = 'other'",
    "machines": "hours = '1'",
    "quotes": "changed_at = '2027-03-01T00:00:00.000000Z'",
    "revisions": "request = x'00'",
    "authorisations": "who = 'other'",
    "additions": "description = 'other'",
    "orders": "body = x'00'",
    "photos": "code = 'other'",
    "keys": "name = 'other'",
    "secrets": "value = x'00'",
    "events": "facts = '{}'",
    "hooks": "url = 'https://other.example'",
    "deliveries": "attempt = attempt + 1",
    "mails": "failure = 'other'",
    "answers": "status = 299",
    "erasures": "counts = '{}'",
    "retentions": "until = '2099-01-01'",
    "disposals": "name = 'other'",
    "holdings": "bin = 'other'",
    "moves": "reason = 'other'",
    "reorder_points": "wanted = wanted + 1",
    "generations": "epoch = 'ffffffffff'",
    "counters": "floor = floor + 1",
    "folder": "shop = 'other'",
    "allocations": "goods = goods + 1",
    "order_entries": "who = 'other'",
    "statements": "who = 'other'",
    "payments": "amount = amount + 1",
    "handovers": "who = 'other'",
    "bills": "gross = gross + 1",
    "clock_entries": "who = 'other'",
    "come_backs": "who = 'other'",
    "claims": "who = 'other'",
    "notices": "who = 'other'",
    "tickets": "complaint = 'other'",
    "estimates": "by = 'other'",
    "catalogues": "body = x'00'",
}
"""Table -> a change that only its checksum tells."""


def add_rest(records: Records) -> None:
    """Keep one of everything that no quote brings with it."""
    records.keys.add(a_key())
    records.keys.add_secret("links", bytes(32))
    order = records.orders.add(an_order(4)).number
    records.allocations.add(an_allocation(order, 4))
    records.order_entries.add(an_entry(order))
    records.statements.add(a_statement(4))
    records.payments.add(a_payment(4))
    records.handovers.add(a_handover(4))
    records.bills.add(a_bill(4))
    records.clock_entries.add(a_clock_entry(4))
    records.come_backs.add(a_come_back(4, 3))
    records.claims.add(a_claim(4, 3))
    records.notices.add(a_notice(4))
    records.tickets.add(a_ticket(1, 1))
    records.estimates.add(an_estimate_entry())
    records.catalogues.add(a_catalogue())
    records.mails.add(a_mail(4))
    records.answers.add(an_answer(), NOON)
    records.erasures.add(an_erasure(1, counts={"quotes": 1}))
    records.retentions.add(a_retention(1, 4))
    records.disposals.add(Disposal(number=0, kind=DisposalKind.photo, name="ab" * 32))
    records.shelf.add(a_move(records.shelf.hold(a_holding()).number))
    records.shelf.put_point(ReorderPoint(item="G-1", least=1, wanted=2))


@pytest.fixture(scope="module")
def busy_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder after a busy day, with two photographs, to be copied."""
    folder = tmp_path_factory.mktemp("busy") / "shop"
    files = PhotoFiles(folder)

    def work(records: Records) -> None:
        records.hooks.add(a_hook())
        live(records)
        for width in (1, 2):
            records.photos.add(a_photo(1, sha256=files.put(a_png(width))))

    with closing(SqliteStore.open(folder)) as store:
        store.write_now(work)
    return folder


@pytest.fixture
def shop(busy_shop: Path, tmp_path: Path) -> Path:
    """Return a busy shop's data folder of the test's own."""
    shutil.copytree(busy_shop, tmp_path / "shop")
    return tmp_path / "shop"


def found(folder: Path, now: datetime = NOON, **said: Any) -> list[tuple[str, str]]:
    """Return severity and code of every finding that is not of the machine it runs on."""
    findings = examine(folder, now=now, **{"version": (3, 53, 0), **said})
    return [
        (finding.severity.value, finding.code)
        for finding in findings
        if finding.code != "little-room"
    ]


def spoil(folder: Path, *statements: str, is_sealed: bool = True) -> None:
    """Change a database past all its rules; by default even its checksums fit the change."""
    with closing(connect(folder / FILE)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        for trigger in (
            "revisions_stay",
            "revisions_last",
            "events_stay",
            "events_last",
            "moves_stay",
            "allocations_stay",
            "order_entries_stay",
            "statements_stay",
            "payments_stay",
            "bills_stay",
            "clock_entries_stay",
            "estimates_stay",
            "catalogues_stay",
            "notices_stay",
        ):
            connection.execute(f"DROP TRIGGER {trigger}")
        for statement in statements:
            assert connection.execute(statement).rowcount > 0, statement
        if is_sealed:
            seal_rows(connection, tuple(SEALED))


def test_examine_finds_nothing_in_a_sound_folder(shop: Path) -> None:
    assert found(shop) == []


def test_examine_finds_nothing_while_the_service_runs(shop: Path) -> None:
    with closing(SqliteStore.open(shop)) as store:
        store.write_now(add_event)

        assert found(shop) == []


def test_examine_changes_nothing(shop: Path) -> None:
    before = {path: path.read_bytes() for path in shop.rglob("*") if path.is_file()}

    examine(shop, now=NOON)

    assert {path: path.read_bytes() for path in shop.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize(
    ("statement", "code"),
    [
        ("DELETE FROM events WHERE seq = 5", "feed-gap"),
        ("DELETE FROM events WHERE seq IN (1, 2)", "feed-gap"),
        ("UPDATE quotes SET latest = latest + 1 WHERE number = 4", "quote-inconsistent"),
        ("UPDATE quotes SET offered = NULL WHERE number = 4", "quote-inconsistent"),
        ("UPDATE quotes SET offered = 1 WHERE number = 4", "quote-inconsistent"),
        ("UPDATE quotes SET agreed = NULL WHERE state = 'done'", "quote-inconsistent"),
        ("UPDATE quotes SET agreed = 1 WHERE state = 'draft'", "quote-inconsistent"),
        ("UPDATE quotes SET state = 'issued' WHERE state = 'draft'", "quote-inconsistent"),
        ("UPDATE quotes SET state = 'done' WHERE state = 'declined'", "quote-inconsistent"),
        ("UPDATE quotes SET net = net + 1 WHERE number = 1", "quote-inconsistent"),
        ("UPDATE quotes SET gross = NULL WHERE number = 1", "quote-inconsistent"),
        ("UPDATE quotes SET valid_until = '2020-01-01' WHERE number = 1", "quote-inconsistent"),
        ("DELETE FROM authorisations", "quote-inconsistent"),
        ("UPDATE authorisations SET sha256 = 'x'", "quote-inconsistent"),
        ("UPDATE additions SET price = 100000", "quote-inconsistent"),
        ("UPDATE quotes SET shown = 1 WHERE number = 4", "quote-inconsistent"),
        ("UPDATE quotes SET shown = latest + 1 WHERE number = 1", "quote-inconsistent"),
        ("UPDATE authorisations SET upper = 11000", "quote-inconsistent"),
        ("UPDATE revisions SET state = 'issued' WHERE quote = 1", "quote-inconsistent"),
        ("UPDATE revisions SET answer = x'00' WHERE quote = 4 AND number = 1", "revision-changed"),
        (
            "UPDATE revisions SET shown = request WHERE quote = 4 AND number = 1",
            "revision-changed",
        ),
        ("UPDATE revisions SET sha256 = NULL WHERE quote = 4", "revision-changed"),
        ("UPDATE revisions SET issued_at = NULL WHERE quote = 4", "revision-changed"),
        ("DELETE FROM revisions WHERE quote = 1", "quote-inconsistent"),
        ("DELETE FROM customers WHERE number = 1", "lost-reference"),
        ("UPDATE customers SET name = 'Other' WHERE number = 1", "search-behind"),
        ("UPDATE machines SET name = 'Other' WHERE number = 1", "search-behind"),
        ("DELETE FROM customer_words WHERE rowid = 1", "search-behind"),
        ("DELETE FROM quote_words WHERE rowid = 1", "search-behind"),
    ],
)
def test_examine_finds_records_that_disagree(shop: Path, statement: str, code: str) -> None:
    spoil(shop, statement)

    assert ("error", code) in found(shop)


@pytest.mark.parametrize("table", SEALED)
def test_examine_finds_a_changed_row_of_every_table(shop: Path, table: str) -> None:
    with closing(connect(shop / FILE)) as connection:
        if not connection.execute(f"SELECT 1 FROM {table}").fetchone():
            with closing(SqliteStore.open(shop)) as store:
                store.write_now(add_rest)
    spoil(shop, f"UPDATE {table} SET {CHANGES[table]}", is_sealed=False)

    assert ("error", "damaged-record") in found(shop)


def test_examine_finds_an_order_to_which_its_allocations_do_not_add_up(shop: Path) -> None:
    with closing(SqliteStore.open(shop)) as store:
        store.write_now(add_rest)
    assert ("error", "order-inconsistent") not in found(shop)

    spoil(shop, "UPDATE orders SET net = net + 1")

    assert ("error", "order-inconsistent") in found(shop)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET kind = 'quote.issued' WHERE seq = 5",
        "UPDATE events SET chain = x'00' WHERE seq = 5",
    ],
)
def test_examine_finds_an_event_that_was_rewritten_with_its_checksum(
    shop: Path, statement: str
) -> None:
    spoil(shop, statement, is_sealed=False)
    with closing(connect(shop / FILE)) as connection:
        names, row = row_of(connection, "SELECT * FROM events WHERE seq = 5")
        kept = dict(zip(names, row, strict=True))
        seal = seal_of("events", [(name, kept[name]) for name in sealed_names("events", kept)])
        connection.execute("UPDATE events SET seal = ? WHERE seq = 5", (seal,))

    assert ("error", "history-broken") in found(shop)
    assert ("error", "damaged-record") not in found(shop)


def row_of(connection: Any, query: str) -> tuple[list[str], tuple[Any, ...]]:
    read = connection.execute(query)
    return [column[0] for column in read.description], read.fetchone()


def test_examine_bears_what_was_erased(shop: Path) -> None:
    spoil(shop, "UPDATE revisions SET is_erased = 1, answer = x'00' WHERE quote = 4")

    assert found(shop) == []


def test_examine_finds_a_damaged_page(shop: Path) -> None:
    file = shop / FILE
    data = bytearray(file.read_bytes())
    data[4096 * 10 : 4096 * 11] = os.urandom(4096)
    file.write_bytes(data)

    codes = {code for severity, code in found(shop) if severity == "error"}

    assert codes & {"damaged-database", "unreadable"}


def test_examine_of_no_database_says_so(tmp_path: Path) -> None:
    assert found(tmp_path) == [("error", "no-database")]
    assert found(tmp_path / "nowhere") == [("error", "no-database")]
    (tmp_path / FILE).write_bytes(b"a letter" * 999)
    (tmp_path / FILE).chmod(0o600)
    assert found(tmp_path) == [("error", "unreadable")]


def test_examine_tells_another_schema(shop: Path, tmp_path: Path) -> None:
    table = MIGRATIONS.migrations_table
    shutil.copytree(shop, tmp_path / "older")
    spoil(tmp_path / "older", f"DELETE FROM {table} WHERE name = '0003'", is_sealed=False)
    spoil(
        shop, f"INSERT INTO {table} (migration_set, name, applied_at) VALUES ('kitwright', 'z', '')"
    )

    assert found(tmp_path / "older") == [("warning", "older-schema")]
    assert found(shop) == [("error", "newer-schema")]


def later(now: timedelta = DAY) -> datetime:
    return datetime.now(UTC) + now


def test_examine_finds_photographs_that_are_lost_or_changed(shop: Path) -> None:
    files = PhotoFiles(shop)
    first, second = files.every()
    files.path(first).write_bytes(b"changed")
    files.path(second).unlink()

    assert found(shop) == [("error", "missing-photo"), ("error", "damaged-photo")]


@pytest.mark.parametrize(
    ("place", "code"),
    [
        ("photos/ab/.new-1", "stray-file"),
        ("photos/note.txt", "stray-file"),
        (".room-1", "stray-file"),
        (".restore-1", "stray-file"),
        (f"photos/00/{'0' * 64}", "orphaned-photo"),
    ],
)
def test_examine_finds_files_that_belong_to_nothing(shop: Path, place: str, code: str) -> None:
    (shop / place).parent.mkdir(exist_ok=True)
    (shop / place).write_bytes(b"")

    # what a running service is about to keep looks alike
    assert found(
        shop,
        datetime.now(UTC),
    )[-1] == ("note", code)
    assert ("warning", code) in found(shop, later())


def test_examine_finds_deliveries_that_are_stuck(shop: Path) -> None:
    assert ("warning", "stuck-deliveries") not in found(shop, NOON + DAY)
    assert ("warning", "stuck-deliveries") in found(shop, NOON + DAY + HOUR)


def test_examine_tells_what_the_machine_lacks(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def codes(free: int) -> set[str]:
        monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9, 9, free))
        return {one.code for one in examine(shop, now=NOON, version=(3, 53, 0))}

    size = (shop / FILE).stat().st_size
    assert codes(200 * 1024**2) == set()
    assert codes(200 * 1024**2 - 1) == {"little-room"}
    monkeypatch.setattr("kitwright.store.doctor.LEAST_FREE", 0)
    assert codes(size) == set()
    assert codes(size - 1) == {"little-room"}


@pytest.mark.parametrize(
    ("version", "is_old"), [((3, 40, 1), True), ((3, 50, 9), True), ((3, 51, 0), False)]
)
def test_examine_tells_an_old_sqlite(
    shop: Path, version: tuple[int, int, int], is_old: bool
) -> None:
    assert (("warning", "old-sqlite") in found(shop, version=version)) is is_old


def test_examine_tells_a_log_without_end(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kitwright.store.doctor._LARGEST_LOG", 4096)
    with closing(SqliteStore.open(shop)) as store:
        store.write_now(add_event)

        assert ("warning", "long-log") in found(shop)


def test_examine_tells_the_worst_first(shop: Path) -> None:
    spoil(shop, "DELETE FROM events WHERE seq = 5")
    (shop / ".room-1").write_bytes(b"")

    severities = [severity for severity, _ in found(shop, datetime.now(UTC), version=(3, 40, 1))]

    assert severities == sorted(severities, key=[one.value for one in Severity].index)
    assert set(severities) == {"error", "warning", "note"}


def test_finding_is_one_line() -> None:
    finding = Finding(severity=Severity.error, code="feed-gap", detail="events 5 to 5 are missing")

    assert str(finding) == "error feed-gap: events 5 to 5 are missing"
