"""The base of every error that Kitwright raises on purpose."""

from __future__ import annotations

import errno
from typing import Final

Path = tuple[str | int, ...]
"""The place of an error in a request: member names and list indexes, outermost first."""


class KitwrightError(Exception):
    """An error that the caller can identify, report and correct.

    A concrete class has a stable `code`, its facts as attributes and a message made of them. `path`
    is the place of the error in a request, if that is known.
    """

    code = "kitwright-error"
    path: Path = ()

    def at(self, *path: str | int) -> KitwrightError:
        """Return the same error, placed at a path of the request."""
        self.path = path
        return self


_REASONS: Final = {
    errno.ENOENT: "there is no such file or folder",
    errno.EISDIR: "it is a folder, not a file",
    errno.ENOTDIR: "a part of its path is a file, not a folder",
    errno.EEXIST: "there is a file in the place of the folder",
    errno.EACCES: "permission denied",
    errno.EPERM: "permission denied",
    errno.EROFS: "the file system is read-only",
    errno.ENAMETOOLONG: "its name is too long",
    errno.EADDRINUSE: "another program is using this address",
    errno.EADDRNOTAVAIL: "this machine does not have that address",
}


def reason_of(error: OSError) -> str:
    """Return the operating system's message about a file or an address."""
    return _REASONS.get(error.errno or 0) or error.strerror or str(error)
