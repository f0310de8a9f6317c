"""No kill during a backup, a restore or a release loses, doubles or brings back anything."""

import os
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.attack.restore.victim import Victim
from tests.store.test_closings import LATER, NAME, as_of, did, erase, fill

from kitwright.keeping.record import MailState
from kitwright.keeping.store import Records
from kitwright.store.backup import back_up
from kitwright.store.doctor import Severity, examine
from kitwright.store.drill import drill
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.snapshots import snapshots
from kitwright.web.calls.erasure import redact

ROUNDS = 60 if os.environ.get("KITWRIGHT_LONG") == "1" else 12
"""Kills of each act."""


@pytest.fixture(scope="module")
def victim() -> Iterator[Victim]:
    with closing(Victim()) as victim:
        yield victim


@pytest.fixture
def lost(tmp_path: Path) -> tuple[Path, Path]:
    """Return a backup, and the ledger of the folder, in which a customer was erased since."""
    shop = tmp_path / "shop"
    fill(shop)
    # the victim's clock is the real one, so the backup can't be of a test's day
    back_up(shop, tmp_path / "monday.tar")
    did(shop, erase)
    return tmp_path / "monday.tar", as_of(shop, LATER)


def errors(folder: Path) -> list[str]:
    return [str(one) for one in examine(folder) if one.severity is Severity.error]


def state(folder: Path) -> dict[str, Any]:
    def read(records: Records) -> dict[str, Any]:
        customer, key = records.customers.get(1), records.keys.get("k2")
        assert customer is not None
        assert key is not None
        return {
            "name": customer.name,
            "is_revoked": key.revoked_at is not None,
            "generations": len(records.generations.every()),
            "is_held": records.generations.current().is_held,
            "kinds": [one.kind for one in records.events.after(0, 999)],
            "mails": [one.state for one in records.mails.of_quote(1)],
        }

    with closing(SqliteStore.open(folder)) as store:
        return store.read(read)


def named(folder: Path) -> list[Path]:
    """Return the files in which the erased customer's name stands."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    return [path for path in files if NAME.encode() in path.read_bytes()]


def test_killed_restore_is_whole_or_absent_and_brings_nobody_back(
    victim: Victim, lost: tuple[Path, Path], tmp_path: Path
) -> None:
    backup, ledger = lost
    whole = victim.act("restore", backup, tmp_path / "whole", ledger)
    ended = 0
    for number in range(ROUNDS):
        folder = tmp_path / f"new{number}"
        if victim.at_once("restore", backup, folder, ledger, within=whole):
            ended += 1
        elif not (folder / FILE).exists():
            assert victim.act("restore", backup, folder, ledger)

        found = state(folder)
        assert (found["name"], found["is_revoked"]) == ("erased", True)
        assert (found["generations"], found["is_held"]) == (2, True)
        assert found["kinds"].count("records.restored") == 1
        assert errors(folder) == []
        assert named(folder) == []
        shutil.rmtree(folder)
    assert ended < ROUNDS, "some have to be killed"


def test_killed_release_is_done_or_not(victim: Victim, tmp_path: Path) -> None:
    fill(tmp_path / "shop")
    back_up(tmp_path / "shop", tmp_path / "monday.tar")
    # its own ledger, which closes nothing
    assert victim.act(
        "restore", tmp_path / "monday.tar", tmp_path / "held", tmp_path / "monday.tar"
    )
    shutil.copytree(tmp_path / "held", tmp_path / "whole")
    whole = victim.act("release", tmp_path / "whole")
    for number in range(ROUNDS):
        folder = tmp_path / f"copy{number}"
        shutil.copytree(tmp_path / "held", folder)
        victim.at_once("release", folder, within=whole)

        found = state(folder)
        assert (found["mails"] == [MailState.failed]) == (not found["is_held"])
        assert found["kinds"].count("records.released") == (not found["is_held"])
        assert errors(folder) == []
        if found["is_held"]:
            assert victim.act("release", folder)
        assert state(folder)["kinds"].count("records.released") == 1
        shutil.rmtree(folder)


def test_killed_backup_leaves_no_half_snapshot(victim: Victim, tmp_path: Path) -> None:
    fill(tmp_path / "shop")
    into = tmp_path / "copies"
    whole = victim.act("back up", tmp_path / "shop", into)
    for _ in range(ROUNDS):
        victim.at_once("back up", tmp_path / "shop", into, within=whole)

    found = snapshots(into)

    assert 1 <= len(found) <= ROUNDS + 1
    for file in found.values():
        tried = drill(file, redact=redact, within=tmp_path)
        assert [one for one in tried.findings if one.severity is Severity.error] == []
