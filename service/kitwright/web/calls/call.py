"""Call: one call on records as it came, and what its work answers."""

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
        """Its number among those of its kind."""


class Versioned(Numbered, Protocol):
    """A record that counts its changes."""

    @property
    def version(self) -> int:
        """How often it was changed."""


N = TypeVar("N", bound=Numbered)
V = TypeVar("V", bound=Versioned)


def version_tag(letter: str, record: Versioned) -> str:
    """Return the entity tag of a record of a kind."""
    return tag(NOUNS[letter], record.number, record.version)


class Call:
    """One call as it came: path, query and raw body, not yet believed."""

    def __init__(self, desk: Desk, operation: Operation, request: Any, raw: bytes = b"") -> None:
        self.desk = desk
        self.operation = operation
        self.raw = raw
        self.media = request.headers.get("content-type", "")
        self.is_coded = request.headers.get("content-encoding", "identity").lower() != "identity"
        self.at_end: list[Callable[[], None]] = []
        """Done when the call is over, whether or not its work was kept."""
        self._request = request

    @property
    def state(self) -> State:
        """What the application has besides the desk."""
        state: State = self._request.app.state
        return state

    @cached_property
    def stamp(self) -> Stamp:
        """Who calls, and when: the same for all that the call does."""
        return self.desk.stamp(self._request)

    @property
    def request_id(self) -> str:
        """The id of this call in the log."""
        found: str = self._request.scope["state"].get("request_id", "")
        return found

    def variable(self, name: str) -> str:
        """Return a variable of the path."""
        found: str = self._request.path_params[name]
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
        """Return the record of the id in the path, in the version that the caller has seen.

        Raises: Refusal: unknown-record, record-changed.
        """
        found = self.record(letter, get)
        self.check(version_tag(letter, found))
        return found

    def body(self, shape: type[S]) -> S:
        """Return the body as a struct. Raises: Refusal."""
        return decode(self.raw, shape)

    def query(self, shape: type[S]) -> S:
        """Return what stands behind the path as a struct. Raises: Refusal: query-invalid."""
        return read_query(self._request.scope["query_string"], shape)

    def made(self, body: T, location: str | None = None, **more: Any) -> Reply[T]:
        """Return a new record as the answer: by default it is found below the call's path."""
        where = location or f"{self.operation.path}/{body.id}"  # type: ignore[attr-defined]
        return Reply(body=body, headers={"Location": where}, **more)

    def check_form(self, form: str) -> None:
        """Raise where the caller takes no answer of a media type. Raises: Refusal."""
        best_form(self._request, (form,))

    def check(self, tag: str) -> None:
        """Raise where the caller speaks of another version than the one of a tag.

        Raises: Refusal: record-changed.
        """
        header = ",".join(self._request.headers.getall("if-match", []))
        if self.operation.is_guarded and not match(header, tag):
            raise Refusal(
                "record-changed",
                "this is not the record's present version: read it again, and send its ETag",
                headers={"ETag": tag},
            )


Work = Callable[[Records], Reply[T]]
"""What a call does to the records, and answers."""
Prepare = Callable[[Call], Awaitable[Work[Any]]]
"""What reads and reckons before the work of a call is done."""
