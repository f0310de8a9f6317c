"""Shapes: the types and the base class of request structs: ids, decimals, texts."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from msgspec import Meta, Struct

Id = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*(?!\n)$",
        description="An id of the catalogue.",
        extra={"wanted": "an id as text: 1 to 64 letters, digits, points, dashes or underscores"},
    ),
]
Cylinder = Annotated[int, Meta(ge=1, le=99, description="Cylinders count from 1.")]
# "$" would match before a final line feed as well
DecimalIn = Annotated[
    str,
    Meta(
        pattern=r"^-?(0|[1-9][0-9]{0,11})(\.[0-9]{1,6})?(?!\n)$",
        description="A decimal number.",
        examples=["12.50"],
        extra={
            "wanted": "a decimal number written as text, with at most 12 digits before the point "
            "and 6 after it"
        },
    ),
]
_INVISIBLE: Final = (
    r"\x80-\xa0\xad\u034f\u061c\u115f\u1160\u1680\u17b4\u17b5\u180b-\u180f\u2000-\u200f"
    r"\u2028-\u202f\u205f-\u206f\u2800\u3000\u3164\ufe00-\ufe0f\ufeff\uffa0\ufff9-\ufffb"
)
"""Spaces, control and format characters, and letters that are drawn as nothing, beyond ASCII."""
_VISIBLE: Final = rf"[^\x00-\x20\x7f{_INVISIBLE}]"
# what comes before the first visible character has no visible one: the time is linear
ONE_LINE: Final = rf"^([{_INVISIBLE}][ {_INVISIBLE}]*)?{_VISIBLE}[^\x00-\x1f\x7f]*(?!\n)$"
"""The pattern of a text on one line."""
_MANY_LINES: Final = (
    rf"^([{_INVISIBLE}][ \n{_INVISIBLE}]*)?{_VISIBLE}[^\x00-\x09\x0b-\x1f\x7f]*(?!\n)$"
)
SEEN_TEXT: Final = "not beginning with a space and not invisible"
"""What is wanted of every text."""
Text = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=500,
        pattern=ONE_LINE,
        description="A text for people, on one line, with at least one visible character.",
        extra={"wanted": f"text of 1 to 500 characters on one line, {SEEN_TEXT}"},
    ),
]
Lines = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=2_000,
        pattern=_MANY_LINES,
        description="A text for people, on one or more lines, with at least one visible character.",
        extra={"wanted": f"text of 1 to 2,000 characters, {SEEN_TEXT}"},
    ),
]
BuildCode = Annotated[
    str,
    Meta(
        min_length=4,
        max_length=4,
        pattern="^[0-9]{4}$",
        description="The date code on the engine's plate.",
        extra={"wanted": "four digits written as text"},
    ),
]
UnitCode = Literal["C62", "SET", "LTR", "MLT", "GRM", "MIN", "HUR", "KMT"]
FreeKind = Literal["part", "consumable", "labour", "sublet", "fee", "freight", "core"]
LineKindName = Literal[
    "part", "set", "consumable", "labour", "sublet", "fee", "freight", "core", "free"
]
PageLimit = Annotated[int, Meta(ge=1, le=200, description="Records per page.")]
PageCursor = Annotated[
    str,
    Meta(
        max_length=200,
        pattern="^[A-Za-z0-9_-]*$",
        description="Taken from a `Link` header.",
        extra={"wanted": "a cursor from a `Link` header"},
    ),
]
MOST = Meta(max_length=50)


class Wire(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The base of every request struct."""
