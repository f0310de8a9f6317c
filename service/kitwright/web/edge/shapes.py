"""Shapes: the types and the base class of request structs: ids, decimals, texts."""

from __future__ import annotations

from typing import Annotated, Literal

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
        extra={"wanted": "a decimal number written as text"},
    ),
]
Text = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=500,
        pattern=r"^[^\x00-\x20\x7f][^\x00-\x1f\x7f]*(?!\n)$",
        description="A text for people, on one line.",
        extra={"wanted": "text of 1 to 500 characters on one line, not beginning with a space"},
    ),
]
Lines = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=2_000,
        pattern=r"^[^\x00-\x20\x7f][^\x00-\x09\x0b-\x1f\x7f]*(?!\n)$",
        description="A text for people, on one or more lines.",
        extra={"wanted": "text of 1 to 2,000 characters, not beginning with a space"},
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
