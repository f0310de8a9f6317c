"""Paged: makes pages of a list, with cursors and the link to the next page (RFC 8288)."""

from __future__ import annotations

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Final, Protocol, TypeVar
from urllib.parse import quote, urlencode

import msgspec
from msgspec import Meta

from kitwright.web.calls.call import Numbered
from kitwright.web.calls.shown import ListOut
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

N = TypeVar("N", bound=Numbered)
Searched = Annotated[
    str,
    Meta(
        max_length=200,
        # the search would end at a NUL
        pattern=r"^[^\x00-\x1f\x7f]*(?!\n)$",
        description="Words that are searched for.",
        extra={"wanted": "at most 200 characters on one line"},
    ),
]
_POSITION: Final = re.compile(rb"([a-z]+) ([1-9][0-9]{0,17})")


class Paged(Protocol):
    """The parameters of every paged list."""

    @property
    def limit(self) -> int:
        """Records per page."""

    @property
    def cursor(self) -> str:
        """The start of the page, empty for the first."""


def write_cursor(kind: str, number: int) -> str:
    """Return a cursor for the page of a list that continues below a number. It is not signed."""
    return urlsafe_b64encode(f"{kind} {number}".encode()).rstrip(b"=").decode()


def read_before(kind: str, cursor: str) -> int | None:
    """Return the number below which a page continues, None for the first page.

    Raises: Refusal: query-invalid, for every text that `write_cursor` does not return for this
    kind.
    """
    if not cursor:
        return None
    try:
        position = _POSITION.fullmatch(urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except ValueError:
        position = None
    number = 0 if position is None else int(position[2])
    # base64 decoders ignore much, so only the exact text that would be written is valid
    if not number or write_cursor(kind, number) != cursor:
        raise Refusal(
            "query-invalid",
            f"cursor: not a cursor of {kind}: copy it from `Link`, or leave it out to start at "
            "the first page",
        )
    return number


def page_of(
    path: str, asked: Paged, find: Callable[[int | None, int], Sequence[N]]
) -> Reply[ListOut[N]]:
    """Return the page of a list that was asked for, with a link to the next page if there is one.

    `find` returns records, newest first: those below a number, and at most so many.
    """
    kind = path.rpartition("/")[2]
    found = find(read_before(kind, asked.cursor), asked.limit + 1)
    page = tuple(found[: asked.limit])
    body = ListOut(items=page)
    if len(found) == len(page):
        return Reply(body=body)
    given: dict[str, Any] = msgspec.to_builtins(asked)
    query = {
        name: each for name, each in given.items() if name != "cursor" and each not in (None, "")
    }
    after = {**query, "cursor": write_cursor(kind, page[-1].number)}
    link = f'{_target(path, after)}; rel="next", {_target(path, query)}; rel="first"'
    return Reply(body=body, headers={"Link": link})


def _target(path: str, query: dict[str, Any]) -> str:
    # %20 for a space: not every parser reads a plus sign as one
    return f"<{path}?{urlencode(query, quote_via=quote, safe='')}>"
