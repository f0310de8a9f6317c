"""Set off: a diagnosis that was billed on its own is taken off the repair once, and only as long as
it stays billed.

Several copies of a declined offer may take it off while none of them is agreed, because they are
alternatives. The first that is agreed notes that in the feed of the declined offer; from then on no
other can be issued or accepted with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.keeping.accounts import account_of
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import note_event
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import KeptQuote, QuoteState, Revision, Stamp
from kitwright.keeping.store import Records
from kitwright.quote import read_statement
from kitwright.stages.price import DIAGNOSTIC_FEE, LineKind

_BY: Final = re.compile(r"Q([1-9][0-9]{0,15})", re.ASCII)
"""Who gives a discount that takes off a diagnosis: the quote with which it was billed."""


class DiagnosisSetOff(ActRefused):
    """A billed diagnosis that another quote takes off already, or that was given back."""

    code = "diagnosis-set-off"

    def __init__(self, billed: int, other: int | None) -> None:
        why = "was given back" if other is None else f"is taken off quote Q{other} already"
        super().__init__(
            f"the diagnosis billed with quote Q{billed} {why}: revise this quote without the "
            f"discount by Q{billed}, then issue it"
        )
        self.billed = billed
        self.other = other


class _Discount(Struct, frozen=True):
    by: str


class _Asked(Struct, frozen=True):
    discounts: tuple[_Discount, ...] = ()


def is_billed(records: Records, quote: KeptQuote) -> bool:
    """Return whether an offer was declined, and its diagnosis billed and not given back."""
    kept = records.statements.get(quote.number)
    if quote.state is not QuoteState.done or quote.agreed is not None or kept is None:
        return False
    lines = read_statement(kept.body).lines
    billed = any(line.code == DIAGNOSTIC_FEE and line.quantity != "0" for line in lines)
    return billed and account_of(records, quote).due.minor > 0


def set_off_by(records: Records, billed: int, besides: int | None = None) -> int | None:
    """Return the agreed quote that takes off the diagnosis billed with a quote, None if none does.
    `besides` is the number of a quote that is not looked at.
    """
    for event in records.events.of_subject(f"quote:{billed}"):
        number = event.facts.get("with") if event.kind == "quote.set_off" else None
        if isinstance(number, int) and number != besides and _takes_off(records, number, billed):
            return number
    return None


def check_set_off_once(records: Records, quote: KeptQuote, number: int) -> None:
    """Raise DiagnosisSetOff if a revision of a quote takes off a diagnosis that another agreed
    quote takes off, or that was given back.
    """
    if not _is_copy(records, quote.number):
        return
    for billed in _taken_off(records, revision_of(records, quote, number)):
        other = set_off_by(records, billed.number, quote.number)
        if other is not None or not is_billed(records, billed):
            raise DiagnosisSetOff(billed.number, other)


def may_set_off(records: Records, quote: KeptQuote, number: int) -> bool:
    """Return whether a revision of a quote takes off no diagnosis that it may not."""
    try:
        check_set_off_once(records, quote, number)
    except DiagnosisSetOff:
        return False
    return True


def note_set_off(records: Records, stamp: Stamp, quote: KeptQuote, revision: int) -> None:
    """Note with the declined offers that a quote, of which a revision is agreed now, takes off the
    diagnosis that was billed with them.
    """
    if not _is_copy(records, quote.number):
        return
    for billed in _taken_off(records, revision_of(records, quote, revision)):
        if set_off_by(records, billed.number) != quote.number:
            note_event(records, stamp, "quote.set_off", billed, {"with": quote.number})


def _taken_off(records: Records, revision: Revision) -> Iterator[KeptQuote]:
    """Yield the declined offers whose diagnosis a revision takes off by a discount."""
    asked = msgspec.json.decode(revision.request, type=_Asked)
    for by in dict.fromkeys(one.by for one in asked.discounts):
        billed = declined_of(records, by)
        if billed is not None:
            yield billed


def declined_of(records: Records, by: str) -> KeptQuote | None:
    """Return the declined offer whose diagnosis a discount by `by` takes off, None if it is any
    other discount.
    """
    match = _BY.fullmatch(by)
    quote = None if match is None else records.quotes.get(int(match[1]))
    if quote is None or quote.agreed is not None or quote.state is not QuoteState.done:
        return None
    return None if records.statements.get(quote.number) is None else quote


def _is_copy(records: Records, quote: int) -> bool:
    """Return whether a quote was made as a copy: only those take off a diagnosis."""
    return any(
        event.kind == "quote.created" and "copy_of" in event.facts
        for event in records.events.of_subject(f"quote:{quote}")
    )


def _takes_off(records: Records, number: int, billed: int) -> bool:
    """Return whether a quote still takes off a diagnosis: it is agreed to do so, and if it is done,
    then a discount was billed and the bill was not given back.
    """
    quote = records.quotes.get(number)
    if quote is None or quote.agreed is None:
        return False
    agreed = revision_of(records, quote, quote.agreed)
    # of an erased quote, what was asked is gone
    if not agreed.is_erased and billed not in {one.number for one in _taken_off(records, agreed)}:
        return False
    kept = records.statements.get(number)
    if quote.state is not QuoteState.done or kept is None:
        return True
    lines = read_statement(kept.body).lines
    has_discount = any(line.kind == LineKind.discount and line.amount.money.minor for line in lines)
    return has_discount and account_of(records, quote).due.minor > 0
