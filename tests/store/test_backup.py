"""A data folder as one file, and back."""

import hashlib
import json
import shutil
import signal
import tarfile
from collections.abc import Callable, Iterator
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from tests.store.make_version import found
from tests.store.pictures import a_jpeg, a_png
from tests.store.small import HOUR, NOON, STAMP, a_hook, a_key, a_photo, figures
from tests.store.test_failing import start

from kitwright.keeping.life import keep_quote
from kitwright.keeping.offer import issue
from kitwright.keeping.store import QuoteFilter, Records, StoreFull, StoreUnavailable
from kitwright.store.backup import (
    BackupTaken,
    NothingToBackUp,
    back_up,
    photo_member,
)
from kitwright.store.closings import LEDGER, MANIFEST
from kitwright.store.doctor import Severity, examine
from kitwright.store.engine import FILE, NewerSchema, SqliteStore, all_names
from kitwright.store.files import PhotoFiles
from kitwright.store.lock import LOCK
from kitwright.store.restore import BackupDamaged, BackupNewer, FolderTaken, Restored
from kitwright.store.restore import restore as restore_with
from kitwright.web.calls.erasure import redact

PHOTOS = (a_png(), a_jpeg())


def restore(source: Path, folder: Path) -> Restored:
    return restore_with(source, folder, redact=redact, at=NOON + HOUR)


def faults(folder: Path) -> list[str]:
    found = examine(folder, now=NOON)
    return [str(finding) for finding in found if finding.severity is Severity.error]


@pytest.fixture(scope="module")
def small_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a data folder with a quote and two photographs of it, to be copied."""
    folder = tmp_path_factory.mktemp("small") / "shop"
    files = PhotoFiles(folder)

    def work(records: Records) -> None:
        number = issue(records, STAMP, keep_quote(records, STAMP, figures())).number
        for data in PHOTOS:
            records.photos.add(a_photo(number, sha256=files.put(data), size=len(data)))
        records.keys.add(a_key())
        records.hooks.add(a_hook())

    with closing(SqliteStore.open(folder)) as store:
        store.write_now(work)
    return folder


@pytest.fixture
def shop(small_shop: Path, tmp_path: Path) -> Path:
    """Return a small shop's data folder of the test's own."""
    shutil.copytree(small_shop, tmp_path / "shop")
    return tmp_path / "shop"


def held(folder: Path) -> dict[str, Any]:
    with closing(SqliteStore.open(folder)) as store:
        return store.read(found)


def test_restored_backup_is_what_was_backed_up(shop: Path, tmp_path: Path) -> None:
    target, regained = tmp_path / "monday.tar", tmp_path / "new" / "regained"

    taken = back_up(shop, target, at=NOON)
    # erased and lost here, but not there
    before = held(shop)
    shutil.rmtree(shop)
    given = restore(target, regained)

    assert given.manifest == taken
    assert (taken.photos, taken.missing, taken.taken_at) == (2, (), NOON)
    assert (given.generation.number, given.generation.is_held) == (2, True)
    after = held(regained)
    told = ("generations", "events", "waiting", "soonest")
    assert {name: after[name] for name in after if name not in told} == {
        name: before[name] for name in before if name not in told
    }
    assert [event["kind"] for event in after["events"][len(before["events"]) :]] == [
        "records.restored"
    ]
    assert [PhotoFiles(regained).get(hashlib.sha256(one).hexdigest()) for one in PHOTOS] == [
        *PHOTOS
    ]
    assert faults(regained) == []
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    assert sorted(path.name for path in regained.iterdir()) == [LEDGER, FILE, LOCK, "photos"]


def test_backup_is_its_owners_alone(shop: Path, tmp_path: Path) -> None:
    back_up(shop, tmp_path / "monday.tar", at=NOON)

    assert (tmp_path / "monday.tar").stat().st_mode & 0o777 == 0o600


def test_back_up_names_the_hash_of_every_member(shop: Path, tmp_path: Path) -> None:
    back_up(shop, tmp_path / "monday.tar", at=NOON)

    with tarfile.open(tmp_path / "monday.tar", "r:") as tar:
        members = {one.name: tar.extractfile(one) for one in tar.getmembers()}
        told = {name: file.read() for name, file in members.items() if file is not None}
    manifest = json.loads(told.pop(MANIFEST))
    assert {name: hashlib.sha256(data).hexdigest() for name, data in told.items()} == (
        manifest["sha256"]
    )
    assert manifest["schema"] == [*all_names()]
    assert manifest["format"] == 2


def test_backup_of_a_shop_at_work_holds_all_that_was_acknowledged(tmp_path: Path) -> None:
    shop, regained = tmp_path / "shop", tmp_path / "regained"
    with start(shop) as running:
        assert running.stdout is not None
        told = [int(running.stdout.readline()) for _ in range(10)]

        back_up(shop, tmp_path / "one.tar", at=NOON)
        told_between = int(running.stdout.readline())
        back_up(shop, tmp_path / "two.tar", at=NOON)

        assert running.poll() is None, "nobody wrote meanwhile"
        running.send_signal(signal.SIGKILL)
        running.communicate(timeout=20)
    restore(tmp_path / "one.tar", regained / "one")
    restore(tmp_path / "two.tar", regained / "two")

    for name, last in (("one", told[-1]), ("two", told_between)):
        assert faults(regained / name) == []
        with closing(SqliteStore.open(regained / name)) as store:
            quotes = store.read(lambda records: records.quotes.find(QuoteFilter(most=2**40)))
        numbers = [quote.number for quote in quotes]
        assert numbers == list(range(len(numbers), 0, -1))
        assert len(numbers) >= last


def test_back_up_takes_no_other_files_place(shop: Path, tmp_path: Path) -> None:
    target = tmp_path / "monday.tar"
    target.write_text("another")

    with pytest.raises(BackupTaken):
        back_up(shop, target, at=NOON)

    assert target.read_text() == "another"


def test_back_up_of_nothing_says_so(tmp_path: Path) -> None:
    with pytest.raises(NothingToBackUp):
        back_up(tmp_path, tmp_path / "monday.tar", at=NOON)

    assert list(tmp_path.iterdir()) == []


def test_back_up_into_no_folder_says_so(shop: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match=r"can't write .*nowhere"):
        back_up(shop, tmp_path / "nowhere" / "monday.tar", at=NOON)


def test_back_up_without_room_leaves_nothing(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    (tmp_path / "backups").mkdir()
    monkeypatch.setattr("os.fsync", full)

    with pytest.raises(StoreFull):
        back_up(shop, tmp_path / "backups" / "monday.tar", at=NOON)

    assert list((tmp_path / "backups").iterdir()) == []


def test_back_up_goes_on_without_a_lost_photograph_and_tells(shop: Path, tmp_path: Path) -> None:
    lost = hashlib.sha256(PHOTOS[0]).hexdigest()
    PhotoFiles(shop).path(lost).unlink()

    taken = back_up(shop, tmp_path / "monday.tar", at=NOON)

    assert (taken.photos, taken.missing) == (1, (lost,))
    restore(tmp_path / "monday.tar", tmp_path / "regained")
    assert faults(tmp_path / "regained") == [f"error missing-photo: photograph {lost} has no file"]


def test_backup_leaves_out_what_was_erased(shop: Path, tmp_path: Path) -> None:
    secret = b"whsec_" + b"very private" * 40
    with closing(SqliteStore.open(shop)) as store:
        hook = store.write_now(lambda records: records.hooks.add(a_hook(secret=secret.decode())))
        store.write_now(lambda records: records.hooks.drop(hook.number))

    back_up(shop, tmp_path / "monday.tar", at=NOON)

    assert secret not in (tmp_path / "monday.tar").read_bytes()


@pytest.fixture(scope="module")
def whole_backup(small_shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("whole") / "monday.tar"
    back_up(small_shop, target, at=NOON)
    return target


@pytest.fixture
def backup(whole_backup: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(whole_backup, tmp_path / "monday.tar"))


def test_restore_spares_a_folder_with_a_database(backup: Path, shop: Path) -> None:
    before = held(shop)

    with pytest.raises(FolderTaken):
        restore(backup, shop)

    assert held(shop) == before


def test_restore_spares_a_folder_with_a_log_alone(backup: Path, tmp_path: Path) -> None:
    folder = tmp_path / "regained"
    folder.mkdir()
    (folder / f"{FILE}-wal").write_bytes(b"of another database")

    with pytest.raises(FolderTaken):
        restore(backup, folder)


def test_restore_into_a_folder_with_other_things_leaves_them(backup: Path, tmp_path: Path) -> None:
    folder = tmp_path / "regained"
    folder.mkdir()
    (folder / "note.txt").write_text("mine")
    PhotoFiles(folder).put(PHOTOS[0])

    restore(backup, folder)

    assert (folder / "note.txt").read_text() == "mine"
    assert faults(folder) == []


Members = dict[str, bytes]


def repacked(backup: Path, change: Callable[[Members], object], *, hashes: bool = True) -> None:
    """Change the members of a backup, and their hashes with them."""
    with tarfile.open(backup, "r:") as tar:
        files = [(one.name, tar.extractfile(one)) for one in tar.getmembers()]
        members = {name: file.read() for name, file in files if file is not None}
    change(members)
    if hashes:
        manifest = json.loads(members[MANIFEST])
        manifest["sha256"] = {
            name: hashlib.sha256(data).hexdigest()
            for name, data in members.items()
            if name != MANIFEST
        }
        members[MANIFEST] = json.dumps(manifest).encode()
    with tarfile.open(backup, "w") as tar:
        for name, data in members.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            tar.addfile(member, BytesIO(data))


def manifest_says(**said: object) -> Callable[[Members], object]:
    def change(members: Members) -> None:
        members[MANIFEST] = json.dumps({**json.loads(members[MANIFEST]), **said}).encode()

    return change


def spoil_database(members: Members) -> None:
    data = bytearray(members[FILE])
    # one page of an index or a table, never the first, which names them
    data[4096 * 8 : 4096 * 9] = bytes(4096)
    members[FILE] = bytes(data)


def refuses(backup: Path, folder: Path, error: type[Exception], match: str) -> None:
    with pytest.raises(error, match=match):
        restore(backup, folder)

    assert not folder.exists()


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda members: members.pop(MANIFEST), "has no manifest"),
        (lambda members: members.pop(FILE), "files are not those"),
        (lambda members: members.update({FILE: b"x" * 5000}), "has changed"),
        (
            lambda members: members.update({photo_member("0" * 64): b"x"}),
            "files are not those",
        ),
        (lambda members: members.update({"../kitwright.db": b"x"}), "does not belong"),
        (lambda members: members.update({"/photos/x": b"x"}), "does not belong"),
        (lambda members: members.update({"photos/ab/" + "0" * 64: b"x"}), "does not belong"),
        (lambda members: members.update({f"{FILE}-wal": b"x"}), "does not belong"),
        (lambda members: members.update({f"{FILE}\n": b"x"}), "does not belong"),
        (lambda members: members.update({MANIFEST: b"{"}), "can't be read"),
        (lambda members: members.update({MANIFEST: b"[]"}), "can't be read"),
        (lambda members: members.update({MANIFEST: b"{}"}), "can't be read"),
        (lambda members: members.update({MANIFEST: b'{"format": 1}'}), "can't be read"),
        (manifest_says(sha256={}), "has no kitwright.db"),
        (manifest_says(sha256=None), "can't be read"),
    ],
)
def test_restore_refuses_members_that_are_not_those_taken(
    backup: Path, tmp_path: Path, change: Callable[[Members], object], match: str
) -> None:
    repacked(backup, change, hashes=False)

    refuses(backup, tmp_path / "regained", BackupDamaged, match)


@pytest.mark.parametrize(
    ("change", "error", "match"),
    [
        (spoil_database, BackupDamaged, "kitwright.db"),
        (lambda members: members.update({FILE: b"x" * 5000}), BackupDamaged, "not a database"),
        (
            lambda members: members.update({FILE: b""}),
            BackupDamaged,
            "not the one that its manifest names",
        ),
        (manifest_says(schema=[]), BackupDamaged, "not the one that its manifest names"),
        (manifest_says(schema=["0002", "9999"]), NewerSchema, "9999"),
        (manifest_says(format=3, more=1), BackupNewer, "format 3"),
    ],
)
def test_restore_refuses_what_it_could_not_serve(
    backup: Path,
    tmp_path: Path,
    change: Callable[[Members], object],
    error: type[Exception],
    match: str,
) -> None:
    repacked(backup, change)

    refuses(backup, tmp_path / "regained", error, match)


@pytest.mark.parametrize("kind", [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.DIRTYPE, b"S"])
def test_restore_refuses_what_is_no_plain_file(backup: Path, tmp_path: Path, kind: bytes) -> None:
    with tarfile.open(backup, "a") as tar:
        member = tarfile.TarInfo(photo_member("0" * 64))
        member.type = kind
        member.linkname = str(tmp_path)
        tar.addfile(member)

    refuses(backup, tmp_path / "regained", BackupDamaged, "does not belong")


def test_restore_refuses_a_member_that_is_there_twice(backup: Path, tmp_path: Path) -> None:
    with tarfile.open(backup, "a") as tar:
        tar.addfile(tarfile.TarInfo(FILE))

    refuses(backup, tmp_path / "regained", BackupDamaged, "twice")


def cuts(size: int) -> Iterator[int]:
    yield from (0, 1, 512, 700)
    # the last blocks are only the end of the tar
    yield from range(4096, size - 12_000, max(1, size // 15))


def test_restore_refuses_a_backup_that_was_cut_off(backup: Path, tmp_path: Path) -> None:
    whole = backup.read_bytes()
    for cut in cuts(len(whole)):
        backup.write_bytes(whole[:cut])

        refuses(backup, tmp_path / "regained", BackupDamaged, "not a valid backup")


def test_restore_refuses_a_backup_with_any_changed_block(backup: Path, tmp_path: Path) -> None:
    whole = backup.read_bytes()
    end = whole.rindex(b"}") + 1
    for at in range(0, end, max(512, end // 40)):
        changed = bytearray(whole)
        changed[at] ^= 0xFF
        backup.write_bytes(changed)

        refuses(backup, tmp_path / "regained", BackupDamaged, "not a valid backup")


def test_restore_of_no_file_says_so(tmp_path: Path) -> None:
    refuses(tmp_path / "none.tar", tmp_path / "regained", StoreUnavailable, "none.tar")


def test_restore_that_fails_leaves_a_folder_as_it_was(backup: Path, tmp_path: Path) -> None:
    repacked(backup, spoil_database)
    folder = tmp_path / "regained"
    folder.mkdir()
    (folder / "note.txt").write_text("mine")

    with pytest.raises(BackupDamaged):
        restore(backup, folder)

    assert {path.name for path in folder.iterdir()} == {"note.txt", LOCK}
