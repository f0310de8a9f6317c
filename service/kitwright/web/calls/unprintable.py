"""Unprintable: which texts of a record printed documents can't show whole, said when they come in.

Nobody is turned away because of letters that no font here has: the record is kept as it came, pages
and e-mails show it, and printed documents put a mark in place of each of the letters and say so.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from kitwright.documents.papers import ShopPapers
from kitwright.web.calls.out import Out
from kitwright.web.edge.problems import pointer


class UnprintableOut(Out, frozen=True, kw_only=True):
    """A text that printed documents can't show whole: an RFC 6901 pointer to it in the answer, and
    its characters that no font here has, each once.
    """

    pointer: Annotated[str, Meta(pattern="^(/([^/~]|~[01])*)*$")]
    characters: str
    detail: str


Unprintable = Annotated[
    tuple[UnprintableOut, ...],
    Meta(
        description=(
            "Texts that pages and e-mails show, and printed documents can't show whole: they put "
            "a mark for each character that no font here has."
        )
    ),
]


Found = tuple[UnprintableOut, ...]
"""What was found of a record."""


async def looked_at(papers: ShopPapers, record: Struct, *members: str) -> Found:
    """Return what `unprintable_in` does, off the event loop: letters that are new take a while."""
    return await asyncio.to_thread(unprintable_in, papers, record, *members)


async def request_looked_at(papers: ShopPapers, request: bytes) -> Found:
    """Return what `unprintable_request` does, off the event loop where it may take a while."""
    if request.isascii():
        return ()
    return await asyncio.to_thread(unprintable_request, papers, request)


def unprintable_in(papers: ShopPapers, record: Struct, *members: str) -> Found:
    """Return which of some members of a record can't be printed whole. They are texts or None."""
    return _found(papers, {member: getattr(record, member) for member in members}, ())


def unprintable_request(papers: ShopPapers, request: bytes) -> Found:
    """Return which texts of a kept quote's request can't be printed whole."""
    if request.isascii():
        return ()
    return _found(papers, msgspec.json.decode(request), ("request",))


def _found(papers: ShopPapers, value: object, path: tuple[str | int, ...]) -> Found:
    return tuple(
        UnprintableOut(
            pointer=pointer(at),
            characters="".join(missing),
            detail=(
                "no font here has these characters, so printed documents show a mark for each: "
                "write it in other letters beside them, or install a font"
            ),
        )
        for at, text in _texts(value, path)
        if (missing := papers.missing(text))
    )


def _texts(
    value: object, path: tuple[str | int, ...]
) -> Iterator[tuple[tuple[str | int, ...], str]]:
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, Mapping):
        for name, each in value.items():
            yield from _texts(each, (*path, str(name)))
    elif isinstance(value, list):
        for at, each in enumerate(value):
            yield from _texts(each, (*path, at))
