"""Stored quotes on the wire: structs of requests and answers."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, field

from kitwright.keeping.acts import ACTS, possible_acts
from kitwright.keeping.record import (
    KeptQuote,
    QuoteState,
    Revision,
    RevisionState,
)
from kitwright.quote import (
    Amount,
    Quote,
    SerialNumber,
    amount_of,
)
from kitwright.web.calls.consent_wire import Sha256
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    QUOTE,
    CustomerId,
    MachineId,
    QuoteId,
    RevisionNumber,
    written,
    written_or_none,
)
from kitwright.web.calls.out import Out
from kitwright.web.calls.shaped import shaped
from kitwright.web.calls.unprintable import Found, Unprintable
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.shapes import PageCursor, PageLimit, Wire

Searched = Annotated[
    str,
    Meta(
        max_length=200,
        # the search would end at a NUL character
        pattern=r"^[^\x00-\x1f\x7f]*(?!\n)$",
        description="The words to search for.",
        extra={"wanted": "at most 200 characters on one line"},
    ),
]


class QuoteIn(PreviewIn, frozen=True, kw_only=True):
    """A quote to store: all members of a preview, with the customer and the machine.

    Members left out are taken from the customer (language, exemption) and the machine (serial
    number, build code, chassis) if known there.
    """

    contingencies: Annotated[
        bool, Meta(description="Whether contingencies are priced, also in documents.")
    ] = True
    customer: CustomerId | None = None
    machine: MachineId | None = None


_OTHERWISE: Final = {"add": "/v1/quotes/{id}/additions", "order": "/v1/orders"}
"""Acts whose call does not have the act's name as its path."""
_ACTS: Final = "\n".join(
    (
        "The actions possible in the quote's state, and their calls:",
        "",
        "| act | call |",
        "| --- | --- |",
        *(
            f"| `{act}` | `POST {_OTHERWISE.get(act, f'/v1/quotes/{{id}}/{act}')}` |"
            for act in sorted(ACTS)
        ),
    )
)


class QuoteHeadOut(Out, frozen=True, kw_only=True):
    """A stored quote with its totals, but without its lines.

    `revision` is the newest, `offered` the one that the customer can accept now, `agreed` the one
    whose authorisation is in force. `shown` is the one that counts: the agreed one; else the one on
    offer or offered last; else the draft. The other members are those of the revision shown; the
    totals of an agreed one include its additions.
    """

    id: QuoteId
    state: QuoteState
    revision: RevisionNumber
    offered: RevisionNumber | None
    agreed: RevisionNumber | None
    shown: RevisionNumber
    customer: CustomerId | None
    machine: MachineId | None
    family: str
    serial: SerialNumber | None
    net: Amount | None
    gross: Amount | None
    valid_until: date
    made_at: datetime
    changed_at: datetime
    acts: Annotated[tuple[str, ...], Meta(description=_ACTS)]


class KeptQuoteOut(QuoteHeadOut, frozen=True, kw_only=True):
    """A stored quote with the revision that is `shown`: its request and the complete quote.
    Additions made since it was agreed are lines at the end (reason `added-since`).
    """

    request: QuoteIn
    quote: Quote
    unprintable: Unprintable


class RevisionHeadOut(Out, frozen=True, kw_only=True):
    """A revision with its total, but without its lines. Once issued, `sha256` is of the quote that
    its customer sees: of the bytes of `quote` in the answer to the customer's link.
    """

    revision: RevisionNumber
    state: RevisionState
    made_at: datetime
    issued_at: datetime | None
    valid_until: date
    catalogue_revision: str
    provisional: bool
    net: Amount | None
    gross: Amount | None
    sha256: Sha256 | None
    erased: bool


class RevisionOut(RevisionHeadOut, frozen=True, kw_only=True):
    """A revision as it was answered, complete."""

    request: QuoteIn
    quote: Quote


_STATES: Final = "|".join(QuoteState)


class QuotesQuery(Wire, frozen=True, kw_only=True):
    """Which quotes: those that match every parameter, newest first.

    Each word of `q` must be the start of a word of the customer's name, the machine's name or a
    serial number. `from` and `to` are the first and last day on which quotes were made.
    """

    state: Annotated[
        str,
        Meta(
            max_length=200,
            description="States, separated by commas.",
            # described, not checked: the refusal of an unknown state lists the valid ones
            extra_json_schema={"pattern": f"^(({_STATES})(,({_STATES}))*)?$"},
        ),
    ] = ""
    customer: Annotated[CustomerId | None, Meta(description="Quotes for this customer, by id.")] = (
        None
    )
    machine: Annotated[MachineId | None, Meta(description="Quotes for this machine, by id.")] = None
    from_: Annotated[date | None, Meta(description="Made on this day or later.")] = field(
        default=None, name="from"
    )
    to: Annotated[date | None, Meta(description="Made on this day or earlier.")] = None
    q: Searched = ""
    limit: PageLimit = 50
    cursor: PageCursor = ""


def quote_head(quote: KeptQuote) -> QuoteHeadOut:
    """Return a quote's wire struct, without its lines."""
    return shaped(QuoteHeadOut, quote, **_head(quote))


def kept_quote(quote: KeptQuote, request: bytes, answer: bytes, unprintable: Found) -> bytes:
    """Return a quote as JSON, with the request and answer of the revision shown, and its texts that
    can't be printed.
    """
    out = shaped(
        KeptQuoteOut,
        quote,
        **_head(quote),
        request=_raw(request),
        quote=_raw(answer),
        unprintable=unprintable,
    )
    return msgspec.json.encode(out)


def _raw(body: bytes) -> Any:
    # the encoder copies a Raw in any place; the types say what it holds
    return msgspec.Raw(body)


def _head(quote: KeptQuote) -> dict[str, Any]:
    return {
        "id": written(QUOTE, quote.number),
        "revision": quote.latest,
        "customer": written_or_none(CUSTOMER, quote.customer),
        "machine": written_or_none(MACHINE, quote.machine),
        "net": None if quote.gross is None else amount_of(quote.net),
        "acts": possible_acts(quote),
    }


def revision_head(revision: Revision) -> RevisionHeadOut:
    """Return a revision's wire struct, without its lines."""
    return shaped(RevisionHeadOut, revision, **_revision(revision))


def revision_out(revision: Revision) -> RevisionOut:
    """Return a revision with its bodies as JSON; the result can only be encoded."""
    bodies = {"request": _raw(revision.request), "quote": _raw(revision.answer)}
    return shaped(RevisionOut, revision, **_revision(revision), **bodies)


def whole_revision(revision: Revision) -> bytes:
    """Return a revision as JSON."""
    return msgspec.json.encode(revision_out(revision))


def _revision(revision: Revision) -> dict[str, Any]:
    return {
        "revision": revision.number,
        "provisional": revision.is_provisional,
        "net": None if revision.gross is None else amount_of(revision.net),
        "erased": revision.is_erased,
    }
