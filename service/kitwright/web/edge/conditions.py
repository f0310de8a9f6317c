"""Conditions: evaluates `If-Match` and `If-None-Match` (RFC 9110, 8.8.3 and 13.1)."""

from __future__ import annotations

import re
from typing import Final

from kitwright.web.edge.problems import Refusal

_TAG: Final = r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"'
_ELEMENT: Final = re.compile(rf"[ \t]*(?:(?P<tag>{_TAG})[ \t]*)?(?P<end>,|\Z)")


def none_match(header: str, etag: str | None) -> bool:
    """Return whether `If-None-Match` holds: whether none of its tags is the current one, by weak
    comparison.

    Args:
        header: its value; of several lines, joined by commas.
        etag: the current entity tag, quotes and all; None if there is no record yet.

    Raises: Refusal: condition-malformed.
    """
    tags = read_tags(header)
    if etag is None or tags is None:
        return etag is None
    return etag.removeprefix("W/") not in {tag.removeprefix("W/") for tag in tags}


def match(header: str, etag: str | None) -> bool:
    """Return whether `If-Match` holds: whether one of its tags is the current one, by strong
    comparison, for which no weak tag is equal to any. The arguments are those of `none_match`.

    Raises: Refusal: condition-malformed.
    """
    tags = read_tags(header)
    if etag is None or tags is None:
        return etag is not None
    return etag in tags and not etag.startswith("W/")


def read_tags(header: str) -> tuple[str, ...] | None:
    """Return the entity tags of a condition in their order, as written; None for `*`, which is any.

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
        if element["tag"] is not None:
            tags.append(element["tag"])
        at = element.end()
        if not element["end"]:
            return tuple(tags)
