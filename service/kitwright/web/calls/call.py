"""Call: one call on records as received, and the work that answers it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import cached_property
from typing import Any, Final, Protocol, TypeVar

from litestar.datastructures import State
from msgspec import Struct

from kitwright.keeping.record import Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.ids import NOUNS, missing, read_id, written
from kitwright.web.edge.body import decode
from kitwright.web.edge.conditions import match
from kitwright.web.edge.negotiate import best_form
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.query import read_query
from kitwright.web.edge.reply import Reply

S = TypeVar("S", bound=Struct)
T = TypeVar("T")
MOST_PHOTO: Final = 10 * 1024 * 1024
"""The largest photograph, in bytes."""


class Numbered(Protocol):
    """A record with a number among those of its kind."""

    @property
    def number(self) -> int:
        """Its number among the records of its kind."""


class Versioned(Numbered, Protocol):
    """A record with a version number."""

    @property
    def version(self) -> int:
        """The version, which changes with every change of the record."""


N = TypeVar("N", bound=Numbered)
V = TypeVar("V", bound=Versioned)


def version_tag(letter: str, record: Versioned) -> str:
    """Return the entity tag of a record of a kind."""
    return tag(NOUNS[letter], record.number, record.version)


class Call:
    """One call as received: path, query and raw body, not yet checked."""

    def __init__(self, desk: Desk, operation: Operation, request: Any, raw: bytes = b"") -> None:
        self.desk = desk
        self.operation = operation
        self.raw = raw
        self.media = request.headers.get("content-type", "")
        self.is_coded = request.headers.get("content-encoding", "identity").lower() != "identity"
        self.at_end: list[Callable[[], None]] = []
        """Called when the call is over, whether or not its work was stored."""
        self.request = request

    @property
    def state(self) -> State:
        """The application's state, which holds the desk and the service."""
        state: State = self.request.app.state
        return state

    @cached_property
    def stamp(self) -> Stamp:
        """The caller and the time, the same for everything that the call does."""
        return self.desk.stamp(self.request)

    @property
    def request_id(self) -> str:
        """The id of this call in the log."""
        found: str = self.request.scope["state"].get("request_id", "")
        return found

    def variable(self, name: str) -> str:
        """Return a variable of the path."""
        found: str = self.request.path_params[name]
        return found

    def number(self, name: str, letter: str) -> int:
        """Return the number of an id in the path. Raises: Refusal: unknown-record."""
        return read_id(letter, self.variable(name))

    def record(self, letter: str, get: Callable[[int], N | None]) -> N:
        """Return the record of the id in the path. Raises: Refusal: unknown-record."""
        number = self.number("id", letter)
        found = get(number)
        if found is None:
            raise missing(letter, written(letter, number))
        return found

    def checked(self, letter: str, get: Callable[[int], V | None]) -> V:
        """Return the record of the id in the path, in the version that the caller has read.

        Raises: Refusal: unknown-record, record-changed.
        """
        found = self.record(letter, get)
        self.check(version_tag(letter, found))
        return found

    def body(self, shape: type[S]) -> S:
        """Return the body as a struct. Raises: Refusal."""
        return decode(self.raw, shape)

    def query(self, shape: type[S]) -> S:
        """Return the query as a struct. Raises: Refusal: query-invalid."""
        return read_query(self.request.scope["query_string"], shape)

    def made(self, body: T, location: str | None = None, **more: Any) -> Reply[T]:
        """Return the answer for a new record; by default its path is below the call's path."""
        where = location or f"{self.operation.path}/{body.id}"  # type: ignore[attr-defined]
        return Reply(body=body, headers={"Location": where}, **more)

    def check_form(self, form: str) -> None:
        """Raise if the caller does not accept a media type. Raises: Refusal: not-acceptable."""
        best_form(self.request, (form,))

    def check(self, tag: str) -> None:
        """Raise if the caller's `If-Match` names another version than a tag.

        Raises: Refusal: record-changed.
        """
        header = ",".join(self.request.headers.getall("if-match", []))
        if self.operation.is_guarded and not match(header, tag):
            raise Refusal(
                "record-changed",
                "this is not the record's current version: read it again, and send its ETag",
                headers={"ETag": tag},
            )


Work = Callable[[Records], Reply[T]]
"""A function that changes or reads the records and returns the answer."""
Prepare = Callable[[Call], Awaitable[Work[Any]]]
"""Reads and computes before the work of a call is done."""
