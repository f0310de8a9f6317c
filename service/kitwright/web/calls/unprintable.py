"""Unprintable: finds the texts of a record that printed documents can't show completely.

Records are not refused because of characters that no installed font has. The record is stored as
sent, and pages and e-mails show it; printed documents show a mark for each such character and say
so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from kitwright.documents.papers import ShopPapers
from kitwright.web.calls.shown import Out
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


def unprintable_in(
    papers: ShopPapers, record: Struct | bytes, *above: str
) -> tuple[UnprintableOut, ...]:
    """Return the texts that can't be printed completely: of a customer or machine, those that
    documents show; of a quote's request in JSON, all. `above` are the members of the answer that
    the request is in.
    """
    if isinstance(record, Struct):
        printed = {name: getattr(record, name, None) for name in ("name", "address")}
        return tuple(_found(papers, printed, ()))
    if record.isascii():
        return ()
    return tuple(_found(papers, msgspec.json.decode(record), (*above, "request")))


def _found(
    papers: ShopPapers, value: object, path: tuple[str | int, ...]
) -> Iterator[UnprintableOut]:
    if isinstance(value, str) and (missing := papers.missing(value)):
        yield UnprintableOut(
            pointer=pointer(path),
            characters="".join(missing),
            detail=(
                "no installed font has these characters, so printed documents show a mark for "
                "each: add the text in other letters, or install a font"
            ),
        )
    elif isinstance(value, Mapping):
        for name, each in value.items():
            yield from _found(papers, each, (*path, str(name)))
    elif isinstance(value, list):
        for at, each in enumerate(value):
            yield from _found(papers, each, (*path, at))
