"""Photographs in the data folder."""

import hashlib
import os
from pathlib import Path

import pytest

from kitwright.keeping.store import StoreFull, StoreUnavailable
from kitwright.store.files import PhotoFiles

DATA = b"\xff\xd8\xff a photograph"
SHA256 = hashlib.sha256(DATA).hexdigest()


@pytest.fixture
def files(tmp_path: Path) -> PhotoFiles:
    return PhotoFiles(tmp_path / "kept")


def test_put_keeps_bytes_under_their_hash(files: PhotoFiles, tmp_path: Path) -> None:
    assert files.put(DATA) == SHA256

    assert files.get(SHA256) == DATA
    assert (tmp_path / "kept" / "photos" / SHA256[:2] / SHA256).read_bytes() == DATA
    assert list(files.strays()) == []


def test_put_twice_keeps_one_and_mends_a_damaged_one(files: PhotoFiles) -> None:
    files.put(DATA)
    files.put(DATA)
    assert list(files.every()) == [SHA256]
    before = files.path(SHA256).stat().st_ino
    files.put(DATA)
    assert files.path(SHA256).stat().st_ino == before

    files.path(SHA256).write_bytes(b"damaged")
    files.put(DATA)

    assert files.get(SHA256) == DATA


def test_every_gives_all_in_order(files: PhotoFiles) -> None:
    assert list(files.every()) == []

    kept = sorted(files.put(bytes((number,))) for number in range(20))

    assert list(files.every()) == kept


def test_strays_are_what_is_no_photograph(files: PhotoFiles) -> None:
    files.put(DATA)
    strays = {
        files.folder / ".new-abc",
        files.folder / SHA256[:2] / "note.txt",
        files.folder / "zz" / SHA256,
    }
    for path in strays:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"?")

    assert set(files.strays()) == strays
    assert list(files.every()) == [SHA256]


def test_drop_forgets_and_bears_what_is_not_there(files: PhotoFiles) -> None:
    files.drop(SHA256)
    files.put(DATA)
    files.drop(SHA256)
    files.drop(SHA256)

    assert files.get(SHA256) is None
    assert list(files.every()) == []


@pytest.mark.parametrize(
    "name", ["", "..", "../../kitwright.db", "a/" * 32, SHA256.upper(), SHA256 + "\n", SHA256[1:]]
)
def test_nothing_but_a_hash_becomes_a_path(files: PhotoFiles, name: str) -> None:
    files.put(DATA)

    assert files.get(name) is None
    files.drop(name)
    assert files.get(SHA256) == DATA
    with pytest.raises(ValueError, match="not a SHA-256 hash"):
        files.path(name)


def test_put_syncs_the_file_before_it_is_named(
    files: PhotoFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = list[str]()
    fsync, replace = os.fsync, Path.replace

    def noted_fsync(handle: int) -> None:
        done.append("folder" if Path(f"/proc/self/fd/{handle}").resolve().is_dir() else "file")
        fsync(handle)

    def noted_replace(path: Path, target: Path) -> Path:
        done.append("rename")
        return replace(path, target)

    files.put(b"makes the folders")
    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(Path, "replace", noted_replace)
    files.put(DATA)

    assert done[-3:] == ["file", "rename", "folder"]


def test_put_that_fails_leaves_nothing(files: PhotoFiles, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    files.put(b"makes the folders")
    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(StoreFull, match="a photograph can't be stored"):
        files.put(DATA)

    assert files.get(SHA256) is None
    assert list(files.strays()) == []


def test_put_where_no_folder_can_be_made_says_so(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("a file")

    with pytest.raises(StoreUnavailable, match="a photograph can't be stored"):
        PhotoFiles(tmp_path / "kept").put(DATA)
