"""Files: photographs in the data folder, each stored under the SHA-256 of its bytes."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from kitwright.keeping.store import RecordDamaged
from kitwright.store.failure import PROBE, of_disk
from kitwright.store.picture import kind_of as kind_of

PHOTOS: Final = "photos"
"""Name of the photographs' folder in the data folder."""
MAIL: Final = "mail"
"""Name of the folder of letters in the data folder."""
NEW: Final = ".new-"
"""The prefix of the name of a file that is not complete yet."""
PRIVATE: Final = 0o600
"""The mode of every file of a data folder."""
PRIVATE_FOLDER: Final = 0o700
"""The mode of a data folder and of the folders in it."""
STAGE: Final = ".restore-"
"""The prefix of the name of the folder in which a backup is verified."""
_SHA256: Final = re.compile(r"[0-9a-f]{64}", re.ASCII)


def is_sha256(text: str) -> bool:
    """Return whether a text is a SHA-256 in lower-case hex. Only such a text may become a path."""
    return _SHA256.fullmatch(text) is not None


class PhotoFiles:
    """The photographs of a data folder: `photos/ab/abcd...`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / PHOTOS

    def put(self, data: bytes) -> str:
        """Store bytes; return their SHA-256 once they would survive a power failure.

        Raises: StoreFull, StoreUnavailable.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256)
        try:
            # a damaged file is replaced
            if not path.is_file() or path.read_bytes() != data:
                write_whole(path, data)
        except OSError as error:
            raise of_disk(error, "a photograph can't be stored") from error
        return sha256

    def get(self, sha256: str) -> bytes | None:
        """Return the bytes stored under a SHA-256. Raises: StoreUnavailable, RecordDamaged."""
        if not is_sha256(sha256):
            return None
        try:
            data = self.path(sha256).read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise of_disk(error, "a photograph can't be read") from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise RecordDamaged("the file of photograph", (sha256,))
        return data

    def drop(self, sha256: str) -> None:
        """Delete the bytes stored under a SHA-256. Does nothing if there are none.

        Raises: StoreUnavailable.
        """
        if not is_sha256(sha256):
            return
        path = self.path(sha256)
        try:
            path.unlink(missing_ok=True)
            if path.parent.is_dir():
                sync_folder(path.parent)
        except OSError as error:
            raise of_disk(error, "a photograph can't be deleted") from error

    def every(self) -> Iterator[str]:
        """Return the SHA-256 of every photograph that has a file, in order."""
        return (path.name for path in self._files() if self._is_in_place(path))

    def strays(self) -> Iterator[Path]:
        """Return every file that is not a photograph: files left by a process that broke off."""
        return (path for path in self._files() if not self._is_in_place(path))

    def path(self, sha256: str) -> Path:
        """Return the path of a photograph's file, which need not exist.

        Raises: ValueError, if the text is not a SHA-256.
        """
        if not is_sha256(sha256):
            raise ValueError(f"{sha256!r} is not a SHA-256 hash")
        return self.folder / sha256[:2] / sha256

    def _files(self) -> Iterator[Path]:
        return (path for path in sorted(self.folder.rglob("*")) if not path.is_dir())

    def _is_in_place(self, path: Path) -> bool:
        return is_sha256(path.name) and path == self.path(path.name)


def temporary(folder: Path) -> tuple[Path, ...]:
    """Return the files and folders in a data folder that only a process at work needs: of a backup,
    a restore, an upload, a letter or a test of the disk.
    """
    own = (path for path in folder.glob(".*") if path.name.startswith((NEW, PROBE, STAGE)))
    below = (path for name in (PHOTOS, MAIL) for path in folder.glob(f"{name}/**/{NEW}*"))
    return tuple(sorted((*own, *below)))


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is complete or absent, even after a power failure.

    Missing folders above it are created. Raises: OSError.
    """
    make_folders(path.parent)
    handle, name = tempfile.mkstemp(prefix=NEW, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
    sync_folder(path.parent)


def make_folders(folder: Path) -> None:
    """Create a folder and those above it, durably. Raises: OSError."""
    if not folder.is_dir():
        if not folder.parent.exists():
            make_folders(folder.parent)
        folder.mkdir(exist_ok=True)
        # whatever the umask is: a data folder holds customers' data and secrets
        folder.chmod(PRIVATE_FOLDER)
        sync_folder(folder.parent)


def make_private(file: Path) -> None:
    """Create an empty file for its owner alone, unless it exists. Raises: OSError."""
    with contextlib.suppress(FileExistsError):
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE)
        os.close(handle)


def open_to_others(folder: Path) -> Iterator[Path]:
    """Yield every file and folder of a data folder, and itself, that others than its owner may
    read or write. Windows has no such modes.
    """
    if os.name != "posix":
        return
    for path in (folder, *sorted(folder.rglob("*"))):
        with contextlib.suppress(OSError):
            if not path.is_symlink() and path.stat().st_mode & 0o077:
                yield path


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder would survive a power failure. Raises: OSError."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
