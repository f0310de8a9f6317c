"""Kept quotes on the wire: what is asked, and what is answered."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, Struct, field

from kitwright.keeping.acts import ACTS
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
        # the search would end at a NUL
        pattern=r"^[^\x00-\x1f\x7f]*(?!\n)$",
        description="Words that are searched for.",
        extra={"wanted": "at most 200 characters on one line"},
    ),
]


class QuoteIn(PreviewIn, frozen=True, kw_only=True):
    """A quote to keep: all that a preview takes, and whom and which machine it is for.

    What is left out here and known of the customer (language, exemption) or of the machine
    (serial, build code, chassis) is taken from there.
    """

    contingencies: Annotated[
        bool, Meta(description="Whether what may turn up is priced as well, for documents too.")
    ] = True
    customer: CustomerId | None = None
    machine: MachineId | None = None


_OTHERWISE: Final = {"add": "/v1/quotes/{id}/additions", "order": "/v1/orders"}
"""Acts whose calls have another path than their name says."""
_ACTS: Final = "\n".join(
    (
        "What the quote's state leaves room for, and by which call:",
        "",
        "| act | call |",
        "| --- | --- |",
        *(
            f"| `{act}` | `POST {_OTHERWISE.get(act, f'/v1/quotes/{{id}}/{act}')}` |"
            for act in sorted(ACTS)
        ),
    )
)


class RevisionHeadOut(Out, frozen=True, kw_only=True):
    """A revision without its figures in full; `sha256` is of what its customer sees,
    since its issue: byte for byte of `quote` in the answer to the customer's link.
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
    """A revision as it was answered, to the last figure."""

    request: QuoteIn
    quote: Quote


class QuoteHeadOut(Out, frozen=True, kw_only=True):
    """A kept quote without its figures in full.

    `revision` is its newest, `offered` the one that the customer may accept now, `agreed` the one
    whose authorisation is in force. `shown` is the one that counts: what was agreed, else what is
    offered or was offered last, else the draft. What stands here besides is that one's; of the
    agreed one, the totals hold what was added to it as well. `draft` is a newer revision that is
    not issued yet, null if there is none: it counts once it is issued or agreed to.
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
    draft: RevisionHeadOut | None


class KeptQuoteOut(QuoteHeadOut, frozen=True, kw_only=True):
    """A kept quote with the revision that is `shown`: what was asked, and the whole quote, with
    what was added to it since it was agreed to as lines at the end (reason `added-since`). If a
    newer draft was begun, `draft` has it in the same way.
    """

    draft: RevisionOut | None
    request: QuoteIn
    quote: Quote
    unprintable: Unprintable


_STATES: Final = "|".join(QuoteState)


class QuotesQuery(Wire, frozen=True, kw_only=True):
    """Which quotes: all that meet every parameter, newest first.

    The words of `q` each begin a word of the customer's name, the machine's name or a serial
    number. `from` and `to` are the first and last day on which quotes were made.
    """

    state: Annotated[
        str,
        Meta(
            max_length=200,
            description="States, with commas between.",
            # told, not checked: the refusal of another state names those that there are
            extra_json_schema={"pattern": f"^(({_STATES})(,({_STATES}))*)?$"},
        ),
    ] = ""
    customer: Annotated[CustomerId | None, Meta(description="Whose, by id.")] = None
    machine: Annotated[MachineId | None, Meta(description="Of which machine, by id.")] = None
    from_: Annotated[date | None, Meta(description="Made on that day or later.")] = field(
        default=None, name="from"
    )
    to: Annotated[date | None, Meta(description="Made on that day or before.")] = None
    q: Searched = ""
    limit: PageLimit = 50
    cursor: PageCursor = ""


class Contents(Struct, frozen=True, kw_only=True):
    """A revision's request and answer as JSON, and the texts of it that can't be printed."""

    request: bytes
    answer: bytes
    unprintable: Found


def quote_head(quote: KeptQuote, acts: tuple[str, ...], draft: Revision | None) -> QuoteHeadOut:
    """Return a quote without its figures in full, with the acts that are possible now, and a draft
    that is not shown yet.
    """
    newer = None if draft is None else revision_head(draft)
    return shaped(QuoteHeadOut, quote, **_head(quote, acts), draft=newer)


def kept_quote(
    quote: KeptQuote, acts: tuple[str, ...], shown: Contents, draft: Revision | None
) -> bytes:
    """Return a quote as JSON, with the contents of the revision that it shows, and a draft that is
    not shown yet.
    """
    out = shaped(
        KeptQuoteOut,
        quote,
        **_head(quote, acts),
        draft=None if draft is None else revision_out(draft),
        request=_raw(shown.request),
        quote=_raw(shown.answer),
        unprintable=shown.unprintable,
    )
    return msgspec.json.encode(out)


def _raw(body: bytes) -> Any:
    # the encoder copies a Raw wherever it stands; the types say what it holds
    return msgspec.Raw(body)


def _head(quote: KeptQuote, acts: tuple[str, ...]) -> dict[str, Any]:
    return {
        "id": written(QUOTE, quote.number),
        "revision": quote.latest,
        "customer": written_or_none(CUSTOMER, quote.customer),
        "machine": written_or_none(MACHINE, quote.machine),
        "net": None if quote.gross is None else amount_of(quote.net),
        "acts": acts,
    }


def revision_head(revision: Revision) -> RevisionHeadOut:
    """Return a revision without its figures in full."""
    return shaped(RevisionHeadOut, revision, **_revision(revision))


def revision_out(revision: Revision) -> RevisionOut:
    """Return a revision, its bodies still as JSON: good for encoding only."""
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
