"""Call: one call as received, and the answers that show records."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from hashlib import blake2b
from typing import Any, Protocol, TypeVar

from litestar import Request

from kitwright.keeping.record import Hand, KeptQuote, Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import NOUNS, QUOTE, missing, read_id, written
from kitwright.web.calls.shown import letter_of
from kitwright.web.edge.conditions import match
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply


class Numbered(Protocol):
    """A record with a number among those of its kind."""

    @property
    def number(self) -> int:
        """Its number among the records of its kind."""


N = TypeVar("N", bound=Numbered)


def tag(record: Numbered, epoch: str) -> str:
    """Return the entity tag of a record in a generation: a restore may undo a version, and give its
    number to another content. A record without a version never changes.
    """
    version = getattr(record, "version", 1)
    text = f"{epoch}:{NOUNS[letter_of(record)]}:{record.number}:{version}"
    return f'"{blake2b(text.encode(), digest_size=16).hexdigest()}"'


def answer(desk: Desk, record: N, *, is_new: bool = False, **more: Any) -> Reply[N]:
    """Return the answer with a record, its tag and, if it is new, its path."""
    letter = letter_of(record)
    path = f"/v1/{NOUNS[letter]}s/{written(letter, record.number)}"
    headers = {"Location": path} if is_new else {}
    return Reply(body=record, tag=tag(record, desk.gate.epoch), headers=headers, **more)


def record_of(letter: str, get: Callable[[int], N | None], text: str) -> N:
    """Return the record of an id. Raises: Refusal: unknown-record."""
    found = get(read_id(letter, text))
    if found is None:
        raise missing(letter, text)
    return found


def quote_of(records: Records, text: str) -> KeptQuote:
    """Return the quote of an id. Raises: Refusal: unknown-record."""
    return record_of(QUOTE, records.quotes.get, text)


class Call:
    """One call as received: path, query and raw body, not yet checked."""

    def __init__(
        self, operation: Operation, request: Request[Any, Any, Any], raw: bytes = b""
    ) -> None:
        self.desk: Desk = request.app.state.desk
        self.operation = operation
        self.request = request
        self.raw = raw
        self.at_end: list[Callable[[], None]] = []
        """Called when the call is over, whether or not its work was stored."""

    @property
    def request_id(self) -> str:
        """The id of this call in the log."""
        found: str = self.request.scope["state"].get("request_id", "")
        return found

    @cached_property
    def stamp(self) -> Stamp:
        """The caller and the time, the same for everything that the call does."""
        return self.desk.stamp(Hand.key, self.request.scope["state"]["key"], self.request_id)

    def variable(self, name: str) -> str:
        """Return a variable of the path."""
        found: str = self.request.path_params[name]
        return found

    def record(self, letter: str, get: Callable[[int], N | None]) -> N:
        """Return the record of the id in the path. Raises: Refusal: unknown-record."""
        return record_of(letter, get, self.variable("id"))

    def checked(self, letter: str, get: Callable[[int], N | None]) -> N:
        """Return the record of the id in the path, in the version that the caller has read.

        Raises: Refusal: unknown-record, record-changed.
        """
        found = self.record(letter, get)
        header = ",".join(self.request.headers.getall("if-match", []))
        current = tag(found, self.desk.gate.epoch)
        if self.operation.is_guarded and not match(header, current):
            raise Refusal(
                "record-changed",
                "this is not the record's current version: read it again, and send its ETag",
                headers={"ETag": current},
            )
        return found
