"""Conditions: evaluates `If-Match` and `If-None-Match` (RFC 9110, 8.8.3 and 13.1)."""

from __future__ import annotations

import re
from typing import Final

from msgspec import Struct

from kitwright.web.edge.problems import Refusal

_TAG: Final = r'(?P<weak>W/)?"(?P<opaque>[\x21\x23-\x7e\x80-\xff]*)"'
_ONE: Final = re.compile(_TAG)
_ELEMENT: Final = re.compile(rf"[ \t]*(?:{_TAG}[ \t]*)?(?P<end>,|\Z)")


class Tag(Struct, frozen=True):
    """An entity tag: the text between its quotes, and whether it is weak."""

    opaque: str
    is_weak: bool = False


def none_match(header: str, etag: str | None) -> bool:
    """Return whether `If-None-Match` holds: whether none of its tags is the current one, by weak
    comparison.

    Args:
        header: its value; of several lines, joined by commas.
        etag: the current entity tag, quotes and all; None if there is no record yet.

    Raises: Refusal: condition-malformed.
    """
    tags = read_tags(header)
    if etag is None:
        return True
    current = _current(etag).opaque
    return tags is not None and all(tag.opaque != current for tag in tags)


def match(header: str, etag: str | None) -> bool:
    """Return whether `If-Match` holds: whether one of its tags is the current one, by strong
    comparison, for which no weak tag is equal to any.

    Args:
        header: its value; of several lines, joined by commas.
        etag: the current entity tag, quotes and all; None if there is no record yet.

    Raises: Refusal: condition-malformed.
    """
    tags = read_tags(header)
    if etag is None:
        return False
    current = _current(etag)
    return tags is None or (not current.is_weak and current in tags)


def read_tags(header: str) -> tuple[Tag, ...] | None:
    """Return the entity tags of a condition in their order; None for `*`, which is any.

    Empty elements are ignored, as RFC 9110, 5.6.1.2 requires.

    Raises: Refusal: condition-malformed.
    """
    if header.strip(" \t") == "*":
        return None
    tags = []
    at = 0
    while True:
        element = _ELEMENT.match(header, at)
        if element is None:
            raise Refusal(
                "condition-malformed",
                f"character {at + 1} of the condition: should be * or entity tags, as in "
                '"1", W/"2"',
            )
        if element["opaque"] is not None:
            tags.append(Tag(element["opaque"], element["weak"] is not None))
        at = element.end()
        if not element["end"]:
            return tuple(tags)


def _current(etag: str) -> Tag:
    tag = _ONE.fullmatch(etag)
    if tag is None:
        raise ValueError(f"not an entity tag: {etag!r}")
    return Tag(tag["opaque"], tag["weak"] is not None)
