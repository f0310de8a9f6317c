"""Quote view: the lines of a stored revision in groups for reading, and its open questions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from msgspec import Struct

from kitwright.documents.line_words import (
    grouped,
    makes_of,
    price_of,
    quantity_of,
    reason_of,
    told_to_customer,
)
from kitwright.documents.web_page import isolated
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Line, Question, Quote

_NUMBERED: Final = frozenset({"part", "set", "customer_part"})
"""Kinds whose code is a part number, which the reader may want to look up."""

_TOLD: Final = frozenset(
    {
        "added-since",
        "bench-minimum",
        "core-deposit",
        "customer-brings",
        "diagnostic-credited",
        "diagnostic-done",
        "set-for-pieces",
        "sublet-of-job",
        "used-up",
    }
)
"""Reasons shown to customers: none names what the shop pays, where it buys, or a note written for
the shop only.
"""


class ViewLine(Struct, frozen=True, kw_only=True):
    """A line for reading: description, quantity and notes."""

    what: str
    how: str
    amount: str
    notes: tuple[str, ...]


class ViewGroup(Struct, frozen=True, kw_only=True):
    """Lines of a kind, and their sum."""

    title: str
    total: str
    lines: tuple[ViewLine, ...]


def lines_of(quote: Quote, scribe: Scribe) -> tuple[ViewGroup, ...]:
    """Return the groups of lines that are not empty."""
    return tuple(
        ViewGroup(
            title=title,
            total=_together([line.amount for line in lines], scribe),
            lines=tuple(_line(line, scribe) for line in lines),
        )
        for title, lines in grouped(quote, scribe)
    )


def extras_together(quote: Quote, scribe: Scribe) -> str:
    """Return the sum of the extra prices."""
    return _together([one.price for one in quote.extras], scribe)


def machines_of(question: Question | None) -> tuple[str, tuple[str, ...]]:
    """Return the machine that is priced if none was named, and all possible machines; both are
    empty if the machine is known.
    """
    if question is None:
        return "", ()
    names = {one.id: one.name for one in question.options}
    return names[question.priced], tuple(names.values())


def questioned(quote: Quote, question: Question, scribe: Scribe) -> str:
    """Return the name of the part that was priced for a role, with its cylinder."""
    for need in quote.kit.needs:
        if (need.role, need.cylinder, need.part) == (
            question.role,
            question.cylinder,
            question.priced,
        ):
            return scribe.on_cylinder(need.name, question.cylinder)
    return scribe.thing(question.role, question.cylinder)


def _line(line: Line, scribe: Scribe) -> ViewLine:
    return ViewLine(
        what=line.description,
        how=", ".join(_how(line, scribe)),
        amount=scribe.money(line.amount.amount, line.amount.currency),
        notes=tuple(dict.fromkeys(filter(None, _notes(line, scribe)))),
    )


def _notes(line: Line, scribe: Scribe) -> Iterator[str]:
    yield reason_of(line, scribe)
    yield from (told_to_customer(why, scribe) for why in line.why if why.code in _TOLD)


def _how(line: Line, scribe: Scribe) -> Iterator[str]:
    """Yield the part's number and make, and quantity and price if they say more than the amount."""
    if line.kind in _NUMBERED and not line.is_added:
        yield isolated(line.code)
    if makes := makes_of(line, scribe):
        yield isolated(makes)
    if not Decimal(line.quantity) == Decimal(line.base_quantity) == 1:
        quantity, price = quantity_of(line, scribe), price_of(line, scribe)
        yield scribe.say("{quantity} at {price}", quantity=quantity, price=price)


def _together(amounts: Sequence[Amount], scribe: Scribe) -> str:
    total = sum((Decimal(one.amount) for one in amounts), Decimal(0))
    return scribe.money(str(total), amounts[0].currency)
