"""The ledger of erasures and revocations, and what a restore does with it."""

from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest
from msgspec import structs
from tests.store.pictures import a_png
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    STAMP,
    a_customer,
    a_key,
    a_mail,
    a_photo,
    figures,
)

from kitwright.keeping.closing import Ledger
from kitwright.keeping.erasing import begin_erasure
from kitwright.keeping.erasure_steps import erase_now
from kitwright.keeping.life import keep_quote
from kitwright.keeping.link_rounds import revoke_links, round_of
from kitwright.keeping.offer import issue
from kitwright.keeping.release import (
    ChoiceMissing,
    NotConfirmed,
    NotHeld,
    release,
    report,
)
from kitwright.keeping.store import RecordDamaged, Records
from kitwright.store.backup import back_up
from kitwright.store.closings import (
    LEDGER,
    LedgerOfAnother,
    LedgerUnreadable,
    encode_ledger,
    read_ledger,
)
from kitwright.store.doctor import examine
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.files import PhotoFiles
from kitwright.store.restore import Restored, restore
from kitwright.store.sqlite import sqlite3
from kitwright.web.calls.erasure import redact

LATER = NOON + 2 * DAY
NAME = "Zoe Unforgettable"


def did(folder: Path, work: Callable[[Records], object]) -> None:
    with closing(SqliteStore.open(folder)) as store:
        store.write_now(work)


def fill(folder: Path) -> None:
    """Store a customer with an offer, a photograph and a waiting e-mail, and two keys."""
    files = PhotoFiles(folder)

    def work(records: Records) -> None:
        customer = records.customers.add(a_customer(NAME)).number
        quote = keep_quote(records, STAMP, structs.replace(figures(), customer=customer))
        number = issue(records, STAMP, quote).number
        records.photos.add(a_photo(number, sha256=files.put(a_png())))
        records.mails.add(a_mail(number))
        records.keys.add(a_key())
        records.keys.add(a_key("k2"))

    did(folder, work)


def erase(records: Records) -> None:
    """Revoke a key and links, and erase the customer, though the offer still stands."""
    key, quote = records.keys.get("k2"), records.quotes.get(1)
    customer = records.customers.get(1)
    assert key is not None
    assert quote is not None
    assert customer is not None
    records.keys.put(structs.replace(key, revoked_at=STAMP.at))
    revoke_links(records, STAMP, quote)
    erase_now(records, STAMP, customer, redact=redact, even_at_work=True)


CLOSED = [("customer", "1"), ("key", "k2"), ("links", "1.1")]


def closed_in(ledger: Path) -> list[tuple[str, str]]:
    """Return what a ledger says was closed."""
    return [(one.kind, one.id) for one in read_ledger(ledger).closings]


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    fill(tmp_path / "shop")
    return tmp_path / "shop"


@pytest.fixture
def backup(shop: Path, tmp_path: Path) -> Path:
    back_up(shop, tmp_path / "monday.tar", at=NOON)
    return tmp_path / "monday.tar"


def regained(
    backup: Path, folder: Path, ledger: Path | None = None, at: datetime = LATER
) -> Restored:
    given = None if ledger is None else (ledger, read_ledger(ledger))
    return restore(backup, folder, redact=redact, ledger=given, at=at)


def as_of(shop: Path, time: datetime) -> Path:
    """Return the shop's ledger with a time of its own, for it is written by the real clock."""
    ledger = structs.replace(read_ledger(shop / LEDGER), as_of=time)
    (shop.parent / "saved.json").write_bytes(encode_ledger(ledger))
    return shop.parent / "saved.json"


def test_ledger_says_what_was_closed_as_soon_as_it_was(shop: Path) -> None:
    with closing(SqliteStore.open(shop)) as store:
        assert read_ledger(shop / LEDGER).closings == ()

        store.write_now(erase)

        assert closed_in(shop / LEDGER) == CLOSED
    assert NAME not in (shop / LEDGER).read_text()


def test_ledger_does_not_say_what_was_undone(shop: Path) -> None:
    def slip(records: Records) -> None:
        erase(records)
        raise ZeroDivisionError

    with closing(SqliteStore.open(shop)) as store, pytest.raises(ZeroDivisionError):
        store.write_now(slip)

    assert read_ledger(shop / LEDGER).closings == ()


@pytest.mark.parametrize(
    "change",
    ["UPDATE generations SET epoch = 'ffffffffff'", "DELETE FROM generations"],
)
def test_ledger_stays_if_nothing_says_whose_it_is(shop: Path, change: str) -> None:
    did(shop, erase)
    before = (shop / LEDGER).read_bytes()
    with closing(sqlite3.connect(shop / FILE)) as connection, connection:
        connection.execute(change)

    with closing(SqliteStore.open(shop)) as store:
        store.mark()
        added = store.write_now(lambda records: records.customers.add(a_customer()))
        with pytest.raises(RecordDamaged):
            store.read(lambda records: records.generations.current())

    assert added.number == 2
    assert (shop / LEDGER).read_bytes() == before
    # a deleted row is no damaged one, but a restore needs it as well
    assert {one.code for one in examine(shop)} & {"damaged-record", "generation-missing"}


def test_ledger_is_marked_with_the_time_and_keeps_its_closings(shop: Path) -> None:
    did(shop, erase)
    with closing(SqliteStore.open(shop)) as store:
        first = read_ledger(shop / LEDGER)
        for _ in range(2):
            store.mark()
            store.write_now(lambda _: None)
            second = read_ledger(shop / LEDGER)
            assert second.as_of > first.as_of
            assert second.closings == first.closings
            first = second


@pytest.mark.parametrize("text", [None, b"", b"{", b"[]", b"\xff"])
def test_ledger_that_is_lost_or_damaged_is_written_again(shop: Path, text: bytes | None) -> None:
    did(shop, erase)
    before = read_ledger(shop / LEDGER).closings
    if text is None:
        (shop / LEDGER).unlink()
    else:
        (shop / LEDGER).write_bytes(text)
    told = {finding.code for finding in examine(shop)}

    SqliteStore.open(shop).close()

    assert told & {"ledger-missing", "ledger-damaged"}
    assert read_ledger(shop / LEDGER).closings == before
    assert not {f.code for f in examine(shop)} & {"ledger-missing", "ledger-damaged"}


def test_ledger_that_could_not_be_written_is_written_with_the_next_commit(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with closing(SqliteStore.open(shop)) as store:
        with monkeypatch.context() as full:
            full.setattr("kitwright.store.closings.write_whole", fail)
            store.write_now(erase)
        assert read_ledger(shop / LEDGER).closings == ()
        assert {one.code for one in examine(shop)} & {"ledger-behind"}

        store.write_now(lambda records: records.customers.add(a_customer()))

    assert closed_in(shop / LEDGER) == CLOSED


def test_backup_holds_the_ledger(shop: Path, tmp_path: Path) -> None:
    did(shop, erase)

    back_up(shop, tmp_path / "tuesday.tar", at=LATER)

    assert read_ledger(tmp_path / "tuesday.tar").as_of == LATER
    assert closed_in(tmp_path / "tuesday.tar") == CLOSED


def test_nobody_who_was_erased_comes_back_and_no_revoked_key(
    shop: Path, backup: Path, tmp_path: Path
) -> None:
    did(shop, erase)

    restored = regained(backup, tmp_path / "new", as_of(shop, NOON + HOUR))

    assert restored.closed == 3
    assert restored.generation.is_confirmed
    with closing(SqliteStore.open(tmp_path / "new")) as store:
        customer, key, revision, mails = store.read(
            lambda records: (
                records.customers.get(1),
                records.keys.get("k2"),
                records.revisions.get(1, 1),
                records.mails.of_quote(1),
            )
        )
    assert customer is not None
    assert customer.name == "erased"
    assert key is not None
    assert key.revoked_at is not None
    assert revision is not None
    assert revision.is_erased
    assert [mail.to for mail in mails] == [""]
    left = [path for path in (tmp_path / "new").rglob("*") if path.is_file()]
    assert [path for path in left if NAME.encode() in path.read_bytes()] == []
    assert list(PhotoFiles(tmp_path / "new").every()) == []
    errors = [one for one in examine(tmp_path / "new") if one.severity == "error"]
    assert errors == []
    # also the next restore knows
    assert sorted(closed_in(tmp_path / "new" / LEDGER)) == CLOSED


def test_links_revoked_since_the_backup_are_of_an_earlier_round(
    shop: Path, backup: Path, tmp_path: Path
) -> None:
    def revoke(records: Records) -> None:
        quote = records.quotes.get(1)
        assert quote is not None
        revoke_links(records, STAMP, quote)

    did(shop, revoke)
    did(shop, revoke)

    restored = regained(backup, tmp_path / "new", as_of(shop, NOON + HOUR))

    assert restored.closed == 2
    with closing(SqliteStore.open(tmp_path / "new")) as store:
        quote = store.read(lambda records: records.quotes.get(1))
        assert quote is not None
        assert store.read(lambda records: round_of(records, quote)) == 2
    assert closed_in(tmp_path / "new" / LEDGER) == [("links", "1.1"), ("links", "1.2")]


def test_erasure_under_way_in_a_backup_is_finished_by_the_restore(
    shop: Path, tmp_path: Path
) -> None:
    def begin(records: Records) -> None:
        customer = records.customers.get(1)
        assert customer is not None
        begin_erasure(records, STAMP, customer, even_at_work=True)

    did(shop, begin)
    back_up(shop, tmp_path / "monday.tar", at=NOON)

    regained(tmp_path / "monday.tar", tmp_path / "new")

    left = [path for path in (tmp_path / "new").rglob("*") if path.is_file()]
    assert [path for path in left if NAME.encode() in path.read_bytes()] == []
    assert list(PhotoFiles(tmp_path / "new").every()) == []


def test_damaged_row_closes_nothing(shop: Path) -> None:
    with closing(sqlite3.connect(shop / FILE)) as connection, connection:
        connection.execute("UPDATE keys SET revoked_at = made_at WHERE id = 'k1'")
        connection.execute("UPDATE customers SET erased_at = made_at")

    SqliteStore.open(shop).close()

    assert closed_in(shop / LEDGER) == []


def test_ledger_that_is_left_in_the_folder_is_repeated(shop: Path, backup: Path) -> None:
    (photo,) = PhotoFiles(shop).every()
    did(shop, erase)
    (shop / LEDGER).write_bytes(as_of(shop, NOON + HOUR).read_bytes())
    for path in shop.glob(f"{FILE}*"):
        path.unlink()

    restored = regained(backup, shop)

    assert (restored.closed, restored.generation.is_confirmed) == (3, True)
    # though a try that broke off, or the lost shop, has left it there
    assert not PhotoFiles(shop).path(photo).exists()
    assert sorted(closed_in(shop / LEDGER)) == CLOSED


def test_ledger_of_another_folder_that_is_left_there_is_refused(
    backup: Path, tmp_path: Path
) -> None:
    fill(tmp_path / "other")
    for path in (tmp_path / "other").glob(f"{FILE}*"):
        path.unlink()

    with pytest.raises(LedgerOfAnother):
        regained(backup, tmp_path / "other")


def test_ledger_from_a_newer_backup_does_as_well(shop: Path, backup: Path, tmp_path: Path) -> None:
    did(shop, erase)
    back_up(shop, tmp_path / "tuesday.tar", at=NOON + DAY)

    restored = regained(backup, tmp_path / "new", tmp_path / "tuesday.tar")

    assert (restored.closed, restored.generation.is_confirmed) == (3, True)
    assert restored.generation.known_until == NOON + DAY


@pytest.mark.parametrize("with_old", [False, True])
def test_without_a_newer_ledger_the_owner_has_to_confirm(
    shop: Path, backup: Path, tmp_path: Path, with_old: bool
) -> None:
    ledger = as_of(shop, NOON) if with_old else None

    generation = regained(backup, tmp_path / "new", ledger).generation

    assert (generation.is_held, generation.is_confirmed) == (True, False)
    assert generation.known_until == NOON


def test_ledger_of_a_folder_not_yet_confirmed_is_no_newer_than_what_it_knows(
    backup: Path, tmp_path: Path
) -> None:
    regained(backup, tmp_path / "one")

    again = regained(backup, tmp_path / "two", tmp_path / "one" / LEDGER)

    assert not again.generation.is_confirmed


def test_ledger_of_another_folder_is_refused(backup: Path, tmp_path: Path) -> None:
    fill(tmp_path / "other")

    with pytest.raises(LedgerOfAnother):
        regained(backup, tmp_path / "new", tmp_path / "other" / LEDGER)

    assert not (tmp_path / "new").exists()


def test_read_ledger_of_something_else_says_so(tmp_path: Path) -> None:
    (tmp_path / "letter").write_text("Dear shop")

    with pytest.raises(LedgerUnreadable, match="is not a ledger"):
        read_ledger(tmp_path / "letter")


def test_with_more_keeps_the_later_time_and_each_closing_once() -> None:
    one = Ledger(folder="a", as_of=NOON)

    assert one.with_more((), NOON - HOUR).as_of == NOON
    assert one.with_more((), NOON + HOUR).as_of == NOON + HOUR


def test_report_says_what_would_go_out_and_release_needs_a_word_for_each(
    backup: Path, tmp_path: Path
) -> None:
    regained(backup, tmp_path / "new")
    with closing(SqliteStore.open(tmp_path / "new")) as store:
        found = store.read(report)
        assert [mail.quote for mail in found.mails] == [1]
        assert found.offers == (1,)
        assert [key.id for key in found.keys] == ["k1", "k2"]

        def let_go(mail: object, *, is_confirmed: bool) -> None:
            store.write_now(
                lambda records: release(
                    records,
                    STAMP,
                    mail=mail,  # type: ignore[arg-type]
                    webhooks=None,
                    is_confirmed=is_confirmed,
                )
            )

        with pytest.raises(NotConfirmed):
            let_go("drop", is_confirmed=False)
        with pytest.raises(ChoiceMissing, match="1 e-mail waits"):
            let_go(None, is_confirmed=True)
        let_go("drop", is_confirmed=True)
        (mail,) = store.read(lambda records: records.mails.of_quote(1))
        with pytest.raises(NotHeld):
            let_go("drop", is_confirmed=True)
        assert not store.read(lambda records: records.generations.current()).is_held
    assert mail.failure == "dropped by the owner after a restore"


def more_quotes(folder: Path, count: int) -> None:
    """Store further quotes of the customer."""

    def work(records: Records) -> None:
        for _ in range(count):
            keep_quote(records, STAMP, structs.replace(figures(), customer=1))

    did(folder, work)


def erase_all_but_the_second(records: Records) -> None:
    customer = records.customers.get(1)
    assert customer is not None
    erase_now(records, STAMP, customer, redact=redact, even_at_work=True, held={2})


def erased_quotes(folder: Path) -> list[bool]:
    """Return of each quote whether its first revision is erased."""
    with closing(SqliteStore.open(folder)) as store:
        heads = store.read(
            lambda records: [
                records.revisions.of_quote(number)[0]
                for number in sorted(one.number for one in records.quotes.naming(1, None))
            ]
        )
        return [one.is_erased for one in heads]


def test_restore_repeats_an_erasure_in_part(shop: Path, tmp_path: Path) -> None:
    more_quotes(shop, 2)
    back_up(shop, tmp_path / "before.tar", at=NOON)
    did(shop, erase_all_but_the_second)
    assert erased_quotes(shop) == [True, False, True]
    assert closed_in(shop / LEDGER) == [
        ("part", f"1.2.{STAMP.at.isoformat().replace('+00:00', 'Z')}")
    ]
    assert NAME not in (shop / LEDGER).read_text()
    # what comes afterwards is no part of that erasure
    more_quotes(shop, 1)
    back_up(shop, tmp_path / "after.tar", at=NOON + HOUR)
    ledger = as_of(shop, NOON + DAY)

    before = regained(tmp_path / "before.tar", tmp_path / "one", ledger)
    after = regained(tmp_path / "after.tar", tmp_path / "two", ledger)

    assert (before.closed, after.closed) == (1, 0)
    assert erased_quotes(tmp_path / "one") == [True, False, True]
    assert erased_quotes(tmp_path / "two") == [True, False, True, False]
    for folder in ("one", "two"):
        with closing(SqliteStore.open(tmp_path / folder)) as store:
            customer = store.read(lambda records: records.customers.get(1))
            assert customer is not None
            assert (customer.name, customer.erased_at) == (NAME, None)
            assert [one.quote for one in store.read(lambda r: r.retentions.every())] == [2]


def test_restore_without_what_stayed_erases_the_whole_customer(shop: Path, tmp_path: Path) -> None:
    back_up(shop, tmp_path / "before.tar", at=NOON)
    more_quotes(shop, 1)
    did(shop, erase_all_but_the_second)

    regained(tmp_path / "before.tar", tmp_path / "one", as_of(shop, NOON + DAY))

    with closing(SqliteStore.open(tmp_path / "one")) as store:
        customer = store.read(lambda records: records.customers.get(1))
        assert customer is not None
        assert customer.erased_at is not None
