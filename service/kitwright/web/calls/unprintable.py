"""Unprintable: finds the texts of a record that printed documents can't show completely.

Records are not refused because of characters that no installed font has. The record is stored as
sent, and pages and e-mails show it; printed documents show a mark for each such character and say
so.
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
    """A text that printed documents can't show completely: an RFC 6901 pointer to it in the answer,
    and its characters that no installed font has, each once.
    """

    pointer: Annotated[str, Meta(pattern="^(/([^/~]|~[01])*)*$")]
    characters: str
    detail: str


Unprintable = Annotated[
    tuple[UnprintableOut, ...],
    Meta(
        description=(
            "Texts that pages and e-mails show, but printed documents can't show completely: they"
            " show a mark for each character that no installed font has."
        )
    ),
]


Found = tuple[UnprintableOut, ...]
"""The unprintable texts found in a record."""


async def looked_at(papers: ShopPapers, record: Struct, *members: str) -> Found:
    """Return the result of `unprintable_in`, off the event loop: characters not seen before take a
    while.
    """
    return await asyncio.to_thread(unprintable_in, papers, record, *members)


async def request_looked_at(papers: ShopPapers, request: bytes) -> Found:
    """Return the result of `unprintable_request`, off the event loop if it may take a while."""
    if request.isascii():
        return ()
    return await asyncio.to_thread(unprintable_request, papers, request)


def unprintable_in(papers: ShopPapers, record: Struct, *members: str) -> Found:
    """Return those of some members of a record that can't be printed completely. Each is a text or
    None.
    """
    return _found(papers, {member: getattr(record, member) for member in members}, ())


def unprintable_request(papers: ShopPapers, request: bytes, *above: str) -> Found:
    """Return the texts of a stored quote's request that can't be printed completely. `above`
    are the members of the answer that the request is in.
    """
    if request.isascii():
        return ()
    return _found(papers, msgspec.json.decode(request), (*above, "request"))


def _found(papers: ShopPapers, value: object, path: tuple[str | int, ...]) -> Found:
    return tuple(
        UnprintableOut(
            pointer=pointer(at),
            characters="".join(missing),
            detail=(
                "no installed font has these characters, so printed documents show a mark for "
                "each: add the text in other letters, or install a font"
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
