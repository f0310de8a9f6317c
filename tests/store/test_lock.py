"""One folder, one process; and files that are their owner's alone."""

import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from tests.store.pictures import a_png
from tests.store.small import NOON, a_key

from kitwright.store.backup import back_up
from kitwright.store.doctor import examine
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.files import PhotoFiles
from kitwright.store.lock import LOCK, FolderLocked, hold_folder, hold_or_join
from kitwright.store.restore import restore
from kitwright.store.snapshots import take_snapshot
from kitwright.web.calls.erasure import redact

HOLD = """
import sys, time
from pathlib import Path
from kitwright.store.lock import hold_folder
with hold_folder(Path(sys.argv[1]), "a long work"):
    print("held", flush=True)
    time.sleep(60)
"""


def test_second_process_is_told_who_holds_a_folder(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"

        with (
            pytest.raises(FolderLocked, match=rf"a long work \(process {holder.pid}, since 20"),
            hold_folder(tmp_path, "another work"),
        ):
            pass
        holder.send_signal(signal.SIGKILL)
        holder.wait(10)

    # the lock of a process that was killed holds nothing
    with hold_folder(tmp_path, "another work"):
        assert (tmp_path / LOCK).read_text().startswith("another work (process ")
    assert (tmp_path / LOCK).read_text() == ""


def test_work_beside_a_certain_holder_holds_nothing(tmp_path: Path) -> None:
    def join(holder: str) -> bool:
        with hold_or_join(tmp_path, "kitwright prices apply", holder=holder) as is_held:
            return is_held

    assert join("kitwright serve")
    with hold_folder(tmp_path, "kitwright serve"):
        assert not join("kitwright serve")
    with hold_folder(tmp_path, "kitwright restore"), pytest.raises(FolderLocked, match="restore"):
        join("kitwright serve")
    # an error of the work itself is not taken for a folder in use
    with (
        pytest.raises(FolderLocked, match="another"),
        hold_or_join(tmp_path, "kitwright prices apply", holder="kitwright serve"),
    ):
        raise FolderLocked(tmp_path, "another")


def test_restore_takes_no_folder_in_use(tmp_path: Path) -> None:
    SqliteStore.open(tmp_path / "shop").close()
    back_up(tmp_path / "shop", tmp_path / "monday.tar")

    with hold_folder(tmp_path / "new", "kitwright serve"), pytest.raises(FolderLocked):
        restore(tmp_path / "monday.tar", tmp_path / "new", redact=redact)

    assert [path.name for path in (tmp_path / "new").iterdir()] == [LOCK]


@pytest.mark.usefixtures("no_umask")
def test_every_file_is_its_owners_alone_whatever_the_umask(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    with hold_folder(shop, "test"), closing(SqliteStore.open(shop)) as store:
        store.write_now(lambda records: records.keys.add(a_key()))
        PhotoFiles(shop).put(a_png())
        taken = take_snapshot(shop, tmp_path / "copies", at=NOON)
        exposed = [one for one in examine(shop) if one.code == "open-to-others"]
        names = {path.name for path in shop.iterdir()}
        modes = {path: path.stat().st_mode & 0o777 for path in tmp_path.rglob("*")}
    restore(taken.file, tmp_path / "new", redact=redact, at=NOON)
    modes |= {path: path.stat().st_mode & 0o777 for path in (tmp_path / "new").rglob("*")}

    assert {FILE, f"{FILE}-wal", "photos", LOCK} <= names
    assert exposed == []
    assert {path for path, mode in modes.items() if mode & 0o077} == set()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_examine_warns_of_a_file_that_others_may_read(tmp_path: Path, mode: int) -> None:
    SqliteStore.open(tmp_path / "shop").close()
    (tmp_path / "shop" / FILE).chmod(mode)

    (found,) = (one for one in examine(tmp_path / "shop") if one.code == "open-to-others")

    assert FILE in found.detail
    assert "chmod" in found.detail
