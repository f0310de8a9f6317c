"""Files: photographs in the data folder, named by their content."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path


class PhotoFiles:
    """The photographs of a data folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "photos"

    def put(self, data: bytes) -> str:
        """Keep a file; return its SHA-256 in hex."""
        name = hashlib.sha256(data).hexdigest()
        target = self._folder / name[:2] / name
        target.parent.mkdir(parents=True, exist_ok=True)
        with (target.parent / f"{name}.part").open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(file.name).replace(target)
        return name

    def get(self, sha256: str) -> bytes | None:
        """Return a file."""
        target = self._folder / sha256[:2] / sha256
        return target.read_bytes() if target.is_file() else None

    def drop(self, sha256: str) -> None:
        """Forget a file."""
        (self._folder / sha256[:2] / sha256).unlink(missing_ok=True)


def kind_of(data: bytes) -> str | None:
    """Return the media type of a photograph."""
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    return None
