"""Paged: a page of a list, where it begins, and the link to the next (RFC 8288)."""

from __future__ import annotations

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Sequence
from typing import Any, Final, Protocol, TypeVar
from urllib.parse import quote, urlencode

import msgspec

from kitwright.web.calls.records import ListOut
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

T = TypeVar("T")
_POSITION: Final = re.compile(rb"([a-z]+) ([1-9][0-9]{0,17})")


class Paged(Protocol):
    """What every query of a paged list has."""

    @property
    def limit(self) -> int:
        """How many a page."""

    @property
    def cursor(self) -> str:
        """Where the page begins, empty for the first."""


def write_cursor(kind: str, number: int) -> str:
    """Return where a list of a kind goes on below a number, fit for a query. It proves nothing."""
    return urlsafe_b64encode(f"{kind} {number}".encode()).rstrip(b"=").decode()


def read_before(kind: str, cursor: str) -> int | None:
    """Return the number below which a page goes on, None for the first page.

    Raises: Refusal: query-invalid, for every text that `write_cursor` would not give for this kind.
    """
    if not cursor:
        return None
    try:
        position = _POSITION.fullmatch(urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except ValueError:
        position = None
    number = 0 if position is None else int(position[2])
    # a reader of base64 passes over much, so only the spelling that would be written counts
    if not number or write_cursor(kind, number) != cursor:
        raise Refusal(
            "query-invalid",
            f"cursor: this is no cursor of {kind}: take it from `Link` as it is, or begin without",
        )
    return number


def page_reply(
    path: str, kind: str, asked: Paged, found: Sequence[tuple[int, T]]
) -> Reply[ListOut[T]]:
    """Return a page of records, each with its number, and a link to the next if one more was found
    than a page holds.
    """
    page = found[: asked.limit]
    body = ListOut(items=tuple(out for _, out in page))
    if len(found) == len(page):
        return Reply(body=body)
    given: dict[str, Any] = msgspec.to_builtins(asked)
    query = {
        name: each for name, each in given.items() if name != "cursor" and each not in (None, "")
    }
    after = {**query, "cursor": write_cursor(kind, page[-1][0])}
    link = f'{_target(path, after)}; rel="next", {_target(path, query)}; rel="first"'
    return Reply(body=body, headers={"Link": link})


def _target(path: str, query: dict[str, Any]) -> str:
    # %20 for a space: not every reader takes a plus sign for one
    return f"<{path}?{urlencode(query, quote_via=quote, safe='')}>"
