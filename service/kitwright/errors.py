"""The base of every error that Kitwright raises on purpose."""

from __future__ import annotations

Path = tuple[str | int, ...]
"""Where in a request a fault stands: member names and list indexes, outermost first."""


class KitwrightError(Exception):
    """Something that the caller can name, report and mend.

    A leaf has a stable `code`, its facts as attributes and a message made of them. `path` says
    where in a request the fault stands, where that is known.
    """

    code = "kitwright-error"
    path: Path = ()

    def at(self, *path: str | int) -> KitwrightError:
        """Return the same error, placed at a path of the request."""
        self.path = path
        return self
