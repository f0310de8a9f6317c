"""Kept quotes on the wire: what is asked, and what is answered."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta, field

from kitwright.keeping.acts import ACTS
from kitwright.keeping.consent import Decision, Limit
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Event,
    Hand,
    KeptQuote,
    Means,
    QuoteState,
    Revision,
    RevisionState,
)
from kitwright.quote import (
    Amount,
    Count,
    DecimalText,
    FactNumber,
    OnCylinder,
    Quote,
    SerialNumber,
    amount_of,
)
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    QUOTE,
    CustomerId,
    MachineId,
    QuoteId,
    RevisionNumber,
    subject_out,
    written,
    written_or_none,
)
from kitwright.web.calls.out import Out
from kitwright.web.calls.unprintable import Found, Unprintable
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.shapes import DecimalIn, FreeKind, PageCursor, PageLimit, Text, Wire

Words = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=10_000,
        pattern=r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*(?!\n)$",
        description="Words for people, on any number of lines.",
        extra={"wanted": "1 to 10,000 characters"},
    ),
]
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
Moment = Annotated[datetime, Meta(tz=True, description="With its offset from UTC.")]
Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 in hex.")]


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
        "What can be done with the quote now, and by which call:",
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
    """A kept quote without its figures in full.

    `revision` is its newest, `offered` the one that the customer may accept now, `agreed` the one
    whose authorisation is in force. `shown` is the one that counts: what was agreed, else what is
    offered or was offered last, else the draft. What stands here besides is that one's; of the
    agreed one, the totals hold what was added to it as well.
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
    """A kept quote with the revision that is `shown`: what was asked, and the whole quote, with
    what was added to it since it was agreed to as lines at the end (reason `added-since`).
    """

    request: QuoteIn
    quote: Quote
    unprintable: Unprintable


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


class LineChangeOut(Out, frozen=True, kw_only=True):
    """A line that differs: what it was, null where it is new, and what it would be now, null
    where it is gone.
    """

    kind: str
    code: str
    cylinder: OnCylinder | None
    was: LineFiguresOut | None
    now: LineFiguresOut | None


class LineFiguresOut(Out, frozen=True, kw_only=True):
    """The figures of a line."""

    description: str
    quantity: DecimalText
    unit: str
    unit_price: DecimalText
    amount: Amount


class TotalChangeOut(Out, frozen=True, kw_only=True):
    """A total: what it was, and what it would be now; null where the tax is not known."""

    was: Amount | None
    now: Amount | None


class DifferenceOut(Out, frozen=True, kw_only=True):
    """What a revision would come to on a day by today's catalogue. The revision stays as it is.

    `same` counts the lines without any difference.
    """

    revision: RevisionNumber
    was_on: date
    now_on: date
    was_catalogue_revision: str
    now_catalogue_revision: str
    same: Count
    lines: tuple[LineChangeOut, ...]
    net: TotalChangeOut
    tax: TotalChangeOut
    gross: TotalChangeOut


class EventOut(Out, frozen=True, kw_only=True):
    """A change: its place in the feed, what happened to which record, and by whose hand: a key's
    (by its id), the customer's by a link, or the service's own.
    """

    seq: Count
    at: datetime
    kind: str
    subject_kind: str
    subject: str
    facts: dict[str, str | FactNumber | None]
    hand: Hand
    by: str
    request_id: str


class IssueIn(Wire, frozen=True, kw_only=True):
    """How a draft is issued whose prices would be others today: not at all, or, with the reason
    why they are kept, at its own. The reason stands in the quote's history and in the event for
    good, so it names nobody.
    """

    keep_prices: Text | None = None


class AcceptIn(Wire, frozen=True, kw_only=True):
    """A customer's yes to one revision, as the shop takes it down.

    `amount` is what the customer said yes to, checked against the revision; `limit` up to where
    the bill may go, null: the amount and what the shop's overrun preset allows. Both with tax
    where `includes_tax`. `contact` is the number or address by which the yes came; `text` what
    was shown or read out, null: the revision as it stands.
    """

    revision: RevisionNumber
    who: Text
    means: Literal["in_person", "telephone", "e_mail"]
    contact: Text | None = None
    at: Moment | None = None
    amount: DecimalIn | None = None
    limit: DecimalIn | None = None
    includes_tax: bool = True
    text: Words | None = None


class DeclineIn(Wire, frozen=True, kw_only=True):
    """A customer's no to one revision."""

    revision: RevisionNumber
    reason: Text | None = None


class AuthorisationOut(Out, frozen=True, kw_only=True):
    """An authorisation: of exactly which revision, by whom, when, by what means, up to where."""

    revision: RevisionNumber
    at: datetime
    who: str
    means: Means
    contact: str | None
    amount: Amount
    limit: Amount
    includes_tax: bool
    text: str
    sha256: Sha256


class AdditionOut(Out, frozen=True, kw_only=True):
    """A line that was added within an authorisation: what it added without tax (`net`), and in the
    authorisation's own terms (`amount`).
    """

    number: Count
    revision: RevisionNumber
    at: datetime
    description: str
    kind: FreeKind
    tax_kind: FreeKind
    net: Amount
    amount: Amount


class LimitOut(Out, frozen=True, kw_only=True):
    """How far the authorisation in force goes: spent + committed + left = authorised, with tax
    where `includes_tax`.
    """

    revision: RevisionNumber
    includes_tax: bool
    authorised: Amount
    committed: Amount
    spent: Amount
    left: Amount


class AuthorisationsOut(Out, frozen=True, kw_only=True):
    """All authorisations of a quote, the limit of the one in force, and what was added within."""

    limit: LimitOut | None
    authorisations: tuple[AuthorisationOut, ...]
    additions: tuple[AdditionOut, ...]


class AdditionIn(Wire, frozen=True, kw_only=True):
    """A line to be added to what was agreed: its `net` price without tax, or instead the `amount`
    that it may come to in the authorisation's own terms of tax. Where rounded taxes make no price
    come to exactly that, the largest that comes to no more is taken.

    It is taxed by the rules of the agreed revision. On `trial`, the answer tells what it would be,
    and nothing is recorded.
    """

    description: Text
    kind: FreeKind
    tax_kind: Annotated[
        FreeKind | None, Meta(description="As what it is taxed; null: as its kind.")
    ] = None
    net: DecimalIn | None = None
    amount: DecimalIn | None = None
    trial: bool = False


class ConsentOut(Out, frozen=True, kw_only=True):
    """The consent that is needed first: up to which amount, by which means, and what has to be
    taken down with it.
    """

    up_to: Amount
    includes_tax: bool
    means: tuple[Means, ...]
    record: tuple[str, ...]


class RulingOut(Out, frozen=True, kw_only=True):
    """Go, or stop: then by how much it is too much, and what consent is needed. `text` says the
    same in words.
    """

    decision: Decision
    new: Amount
    over_by: Amount
    limit: LimitOut
    consent: ConsentOut | None
    addition: AdditionOut | None
    text: str


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


def quote_head(quote: KeptQuote, acts: tuple[str, ...]) -> QuoteHeadOut:
    """Return a quote without its figures in full, with the acts that are possible now."""
    return QuoteHeadOut(**_head(quote, acts))


def kept_quote(
    quote: KeptQuote, acts: tuple[str, ...], request: bytes, answer: bytes, unprintable: Found
) -> bytes:
    """Return a quote as JSON, with what the revision that it shows asked and was answered, and
    which texts of it can't be printed.
    """
    out = KeptQuoteOut(
        **_head(quote, acts),
        request=_raw(request),
        quote=_raw(answer),
        unprintable=unprintable,
    )
    return msgspec.json.encode(out)


def _raw(body: bytes) -> Any:
    # the encoder copies a Raw wherever it stands; the types say what it holds
    return msgspec.Raw(body)


def _head(quote: KeptQuote, acts: tuple[str, ...]) -> dict[str, Any]:
    return {
        "id": written(QUOTE, quote.number),
        "state": quote.state,
        "revision": quote.latest,
        "offered": quote.offered,
        "agreed": quote.agreed,
        "shown": quote.shown,
        "customer": written_or_none(CUSTOMER, quote.customer),
        "machine": written_or_none(MACHINE, quote.machine),
        "family": quote.family,
        "serial": quote.serial,
        "net": None if quote.gross is None else amount_of(quote.net),
        "gross": None if quote.gross is None else amount_of(quote.gross),
        "valid_until": quote.valid_until,
        "made_at": quote.made_at,
        "changed_at": quote.changed_at,
        "acts": acts,
    }


def revision_head(revision: Revision) -> RevisionHeadOut:
    """Return a revision without its figures in full."""
    return RevisionHeadOut(**_revision(revision))


def revision_out(revision: Revision) -> RevisionOut:
    """Return a revision, its bodies still as JSON: good for encoding only."""
    return RevisionOut(
        **_revision(revision), request=_raw(revision.request), quote=_raw(revision.answer)
    )


def whole_revision(revision: Revision) -> bytes:
    """Return a revision as JSON."""
    return msgspec.json.encode(revision_out(revision))


def _revision(revision: Revision) -> dict[str, Any]:
    return {
        "revision": revision.number,
        "state": revision.state,
        "made_at": revision.made_at,
        "issued_at": revision.issued_at,
        "valid_until": revision.valid_until,
        "catalogue_revision": revision.catalogue_revision,
        "provisional": revision.is_provisional,
        "net": None if revision.gross is None else amount_of(revision.net),
        "gross": None if revision.gross is None else amount_of(revision.gross),
        "sha256": revision.sha256,
        "erased": revision.is_erased,
    }


def event_out(event: Event) -> EventOut:
    """Return an event."""
    kind, subject = subject_out(event.subject)
    return EventOut(
        seq=event.seq,
        at=event.at,
        kind=event.kind,
        subject_kind=kind,
        subject=subject,
        facts=event.facts,
        hand=event.hand,
        by=event.by,
        request_id=event.request_id,
    )


def authorisation_out(given: Authorisation) -> AuthorisationOut:
    """Return an authorisation."""
    return AuthorisationOut(
        revision=given.revision,
        at=given.at,
        who=given.who,
        means=given.means,
        contact=given.contact,
        amount=amount_of(given.amount),
        limit=amount_of(given.limit),
        includes_tax=given.includes_tax,
        text=given.text,
        sha256=given.sha256,
    )


def addition_out(addition: Addition) -> AdditionOut:
    """Return an addition."""
    return AdditionOut(
        number=addition.number,
        revision=addition.revision,
        at=addition.at,
        description=addition.description,
        kind=_kind(addition.kind),
        tax_kind=_kind(addition.tax_kind),
        net=amount_of(addition.net),
        amount=amount_of(addition.amount),
    )


def _kind(text: str) -> Any:
    # kept as it was taken: one of `FreeKind`
    return text


def limit_out(limit: Limit) -> LimitOut:
    """Return how far an authorisation goes."""
    return LimitOut(
        revision=limit.revision,
        includes_tax=limit.includes_tax,
        authorised=amount_of(limit.authorised),
        committed=amount_of(limit.committed),
        spent=amount_of(limit.spent),
        left=amount_of(limit.left),
    )
