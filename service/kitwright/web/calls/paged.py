"""Paged: a page of a list, and the link to the next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import msgspec
from msgspec import Struct

from kitwright.web.calls.handlers import Reply
from kitwright.web.calls.out import Out
from kitwright.web.calls.records import ListOut
from kitwright.web.edge.paging import CursorMalformed, next_link, read_cursor, write_cursor
from kitwright.web.edge.problems import Refusal


class Paged(Protocol):
    """What every query of a paged list has."""

    @property
    def limit(self) -> int:
        """How many a page."""

    @property
    def cursor(self) -> str:
        """Where the page begins, empty for the first."""


def read_before(kind: str, cursor: str) -> int | None:
    """Return the number below which a page goes on, None for the first page.

    Raises: Refusal: query-invalid.
    """
    if not cursor:
        return None
    try:
        position = read_cursor(kind, cursor)
    except CursorMalformed as error:
        raise Refusal("query-invalid", f"cursor: {error}") from None
    match position:
        case (int(before),):
            return before
    raise Refusal("query-invalid", f"cursor: {CursorMalformed(kind)}")


def page_reply(path: str, kind: str, asked: Paged, found: Sequence[tuple[int, Out]]) -> Reply:
    """Return a page of records, each with its number, and a link to the next where one more was
    found than a page holds.
    """
    page = found[: asked.limit]
    headers = {}
    if len(found) > len(page):
        query = {
            name: str(value)
            for name, value in _builtins(asked).items()
            if value not in (None, "") and name != "cursor"
        }
        headers["Link"] = next_link(path, query, write_cursor(kind, (page[-1][0],)))
    body = msgspec.json.encode(ListOut(items=tuple(out for _, out in page)))
    return Reply(body=body, headers=headers)


def _builtins(asked: Paged) -> dict[str, object]:
    assert isinstance(asked, Struct)
    found: dict[str, object] = msgspec.to_builtins(asked)
    return found
