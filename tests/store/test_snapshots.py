"""Snapshots: which are kept, which is restored, and the drill."""

from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from tests.store.conftest import Run
from tests.store.small import DAY, HOUR, NOON, a_customer

from kitwright.store.drill import drill
from kitwright.store.engine import FILE, SqliteStore, connect
from kitwright.store.snapshots import (
    NoSnapshot,
    choose_snapshot,
    kept_times,
    newest_ledger,
    snapshots,
    take_snapshot,
)
from kitwright.web.calls.erasure import redact

MINUTE = timedelta(minutes=1)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    SqliteStore.open(tmp_path / "shop").close()
    return tmp_path / "shop"


def test_kept_times_are_the_newest_and_the_last_of_days_and_months() -> None:
    every = [NOON - hours * HOUR for hours in range(24 * 400)]

    kept = sorted(kept_times(every, 24))

    assert kept[-24:] == sorted(every)[-24:]
    days = {time.date() for time in kept}
    assert {(NOON - number * DAY).date() for number in range(14)} <= days
    assert len({(time.year, time.month) for time in kept}) == 12
    # one is in several of these at once
    assert len(kept) <= 24 + 14 + 12
    assert all(
        time == max(one for one in every if one.date() == time.date()) for time in kept[:-24]
    )


@pytest.mark.parametrize("newest", [0, 1])
def test_kept_times_always_hold_the_newest(newest: int) -> None:
    assert NOON in kept_times([NOON - DAY, NOON], newest)


def test_snapshots_are_thinned_out_and_other_files_stay(shop: Path, tmp_path: Path) -> None:
    into = tmp_path / "copies"
    into.mkdir()
    (into / "note.txt").write_text("mine")

    for number in range(5):
        take_snapshot(shop, into, newest=2, at=NOON + number * MINUTE)
    taken = take_snapshot(shop, into, newest=2, at=NOON + 5 * MINUTE)

    assert [*snapshots(into)] == [NOON + 4 * MINUTE, NOON + 5 * MINUTE]
    assert len(taken.dropped) == 1
    assert (into / "note.txt").read_text() == "mine"


def test_choose_snapshot_is_the_newest_that_is_not_later(shop: Path, tmp_path: Path) -> None:
    into = tmp_path / "copies"
    files = [take_snapshot(shop, into, at=NOON + n * HOUR).file for n in range(3)]

    assert choose_snapshot(into) == (files[2], None)
    assert choose_snapshot(into, NOON + HOUR) == (files[1], NOON + 2 * HOUR)
    assert choose_snapshot(into, NOON + 1.5 * HOUR) == (files[1], NOON + 2 * HOUR)
    with pytest.raises(NoSnapshot, match="the oldest is of"):
        choose_snapshot(into, NOON - HOUR)
    with pytest.raises(NoSnapshot, match="there is no snapshot"):
        choose_snapshot(shop)


def test_newest_ledger_passes_over_a_damaged_snapshot(shop: Path, tmp_path: Path) -> None:
    into = tmp_path / "copies"
    whole, damaged = (take_snapshot(shop, into, at=NOON + n * HOUR).file for n in range(2))
    damaged.write_bytes(damaged.read_bytes()[:2000])

    found = newest_ledger(into)

    assert found is not None
    assert (found[0], found[1].as_of) == (whole, NOON)


def test_restore_to_a_moment_says_what_is_missing(run: Run, shop: Path, tmp_path: Path) -> None:
    now = datetime.now(UTC)
    into = tmp_path / "copies"
    for number in (3, 2, 1):
        with_more = SqliteStore.open(shop)
        with_more.write_now(lambda records: records.customers.add(a_customer()))
        with_more.close()
        take_snapshot(shop, into, at=now - number * HOUR)

    moment = (now - 1.5 * HOUR).isoformat()
    code, said, complaint = run("restore", into, "--to", moment, "--data", tmp_path / "new")

    assert (code, complaint) == (0, "")
    assert "missing: everything done after that (2 hours until now)" in said
    assert "the next snapshot is of 20" in said
    # the newest snapshot's ledger knows more than the one restored
    assert "stay closed" not in said
    store = SqliteStore.open(tmp_path / "new")
    assert len(store.read(lambda records: records.customers.find((), None, 9))) == 2
    store.close()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("backup", "shop", "--every", "often"), "15m"),
        (("backup", "shop", "--every", "0m"), "15m"),
        (("backup", "shop", "--keep", "0"), "whole number from 1"),
        (("backup", "one.tar", "--keep", "3"), "for a folder of snapshots"),
        (
            ("restore", "one.tar", "--to", "2027-03-01", "--data", "new"),
            "for snapshots in a folder",
        ),
        (("restore", "shop", "--to", "noon", "--data", "new"), "must be a day or a time"),
        (("restore", "shop", "--data", "new"), "there is no snapshot in"),
        (("restore", "one.tar", "--ledger", "none.json", "--data", "new"), "none.json"),
        (("release", "--data", "new"), "no database in new"),
        (("drill", "one.tar"), "one.tar"),
    ],
)
def test_command_that_is_refused_says_what_is_expected(
    run: Run,
    shop: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    told: str,
) -> None:
    monkeypatch.chdir(shop.parent)

    code, said, complaint = run(*arguments)

    assert (code, said) == (1, "")
    assert told in complaint
    assert complaint.count("\n") == 1


def test_backup_into_a_folder_names_the_snapshot(run: Run, shop: Path, tmp_path: Path) -> None:
    (tmp_path / "copies").mkdir()

    code, said, _ = run("backup", tmp_path / "copies", "--data", shop)

    assert code == 0
    (taken,) = snapshots(tmp_path / "copies").values()
    assert said == f"backed up: the database and 0 photographs in {taken}\n"


def test_backup_every_goes_on_after_a_round_that_failed(
    run: Run, shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits = []

    def pass_time(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 1:
            (shop / FILE).rename(shop / "away")
        elif len(waits) == 2:
            (shop / "away").rename(shop / FILE)
        else:
            raise KeyboardInterrupt

    monkeypatch.setattr("time.sleep", pass_time)

    code, said, complaint = run("backup", tmp_path / "copies", "--every", "15m", "--data", shop)

    assert (code, waits) == (130, [900.0] * 3)
    assert said.count("backed up: the database") == 2
    assert "no snapshot: there is no kitwright.db" in complaint


def test_drill_restores_tells_and_deletes(run: Run, shop: Path, tmp_path: Path) -> None:
    taken = take_snapshot(shop, tmp_path / "copies")
    (tmp_path / "trial").mkdir()

    tried = drill(taken.file, redact=redact, within=tmp_path / "trial")
    code, said, complaint = run("drill", tmp_path / "copies", "--within", tmp_path / "trial")

    assert tried.counts["quotes"] == 0
    assert tried.counts["events"] == 1, "the event of the restore"
    assert (code, complaint) == (0, "")
    assert "this backup can be restored; the trial was deleted" in said
    assert "if the data folder were lost now, the last " in said
    assert list((tmp_path / "trial").iterdir()) == []


def test_drill_finds_a_record_that_was_damaged_before_the_backup(
    run: Run, shop: Path, tmp_path: Path
) -> None:
    with closing(SqliteStore.open(shop)) as store:
        store.write_now(lambda records: records.customers.add(a_customer("Ada")))
    with closing(connect(shop / FILE)) as connection:
        connection.execute("UPDATE customers SET name = 'Eve'")
    file = take_snapshot(shop, tmp_path / "copies").file

    code, said, complaint = run("drill", file)

    assert code == 1
    assert "damaged-record: customers 1" in said
    assert complaint.endswith(f" in {file}: restore an older backup\n")


def test_drill_of_a_damaged_backup_fails(run: Run, shop: Path, tmp_path: Path) -> None:
    file = take_snapshot(shop, tmp_path / "copies").file
    data = bytearray(file.read_bytes())
    data[5000] ^= 1
    file.write_bytes(data)

    code, _, complaint = run("drill", file)

    assert code == 1
    assert "is not a valid backup" in complaint
