"""Paging: where a list goes on, as a cursor and as a `Link` (RFC 8288)."""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Mapping, Sequence
from typing import Final
from urllib.parse import quote, urlencode

import msgspec

from kitwright.errors import KitwrightError

Position = tuple[int | str, ...]
"""What a list is ordered by, of the last entry that was sent."""

_MOST: Final = 2**63
"""Whole numbers beyond this are none that a database holds."""
_DECODER: Final = msgspec.json.Decoder(tuple[str, Position], strict=True)


class CursorMalformed(KitwrightError):
    """A cursor that is none of the list in question."""

    code = "cursor-malformed"

    def __init__(self, kind: str) -> None:
        super().__init__(
            f"this is no cursor of {kind}: take it from `Link` as it is, or begin without"
        )
        self.kind = kind


def write_cursor(kind: str, position: Position) -> str:
    """Return a cursor, fit for a query. It keeps no secret and proves nothing.

    Args:
        kind: the list that it is good for.
        position: its whole numbers have at most 64 bits.
    """
    if not _is_sound(position):
        raise ValueError("a position's whole numbers should have at most 64 bits")
    return urlsafe_b64encode(msgspec.json.encode((kind, position))).rstrip(b"=").decode()


def read_cursor(kind: str, text: str) -> Position:
    """Return the position that `write_cursor` made a cursor of.

    Whether the position has the members that the list needs is left to the caller.

    Raises: CursorMalformed, for every text that `write_cursor` would not give for this kind.
    """
    try:
        position = _read(kind, text)
    except ValueError:
        # msgspec's errors and those of write_cursor among them
        position = None
    if position is None:
        raise CursorMalformed(kind)
    return position


def next_link(
    path: str, query: Mapping[str, str | Sequence[str]], cursor: str | None, name: str = "cursor"
) -> str:
    """Return the value of a `Link` header that leads to the next page, and to the first.

    Args:
        path: as it is routed, without percent-encoding.
        query: what the caller asked with; a cursor in it is replaced.
        cursor: where the next page begins; None on the last page, which has no next.
        name: of the cursor in the query.
    """
    asked = {key: value for key, value in query.items() if key != name}
    first = f'{_reference(path, asked)}; rel="first"'
    if cursor is None:
        return first
    return f'{_reference(path, {**asked, name: cursor})}; rel="next", {first}'


def _reference(path: str, query: Mapping[str, str | Sequence[str]]) -> str:
    # one slash only: after two a reader would look for a host
    encoded = quote("/" + path.lstrip("/"), safe="/:@!$&'()*+,;=~")
    asked = urlencode(query, doseq=True, quote_via=quote, safe="")
    return f"<{encoded}?{asked}>" if asked else f"<{encoded}>"


def _read(kind: str, text: str) -> Position | None:
    _, position = _DECODER.decode(urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    # the decoders pass over much, so only what would be written again is ours
    return position if write_cursor(kind, position) == text else None


def _is_sound(position: Position) -> bool:
    return all(-_MOST <= each < _MOST for each in position if isinstance(each, int))
