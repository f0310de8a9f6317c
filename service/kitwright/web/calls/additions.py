"""Additions: the authorisations of a quote, and the lines added within their limit."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from kitwright.keeping import consent
from kitwright.keeping.consent import Decision, Limit, More, Ruling
from kitwright.keeping.record import Addition, Authorisation, Means
from kitwright.keeping.store import Records
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.amounts import read_amount_or_none
from kitwright.web.calls.call import Call, tag
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE
from kitwright.web.calls.shown import Out, extended
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, FreeKind, Text, Wire


class PriceUnclear(RequestFault):
    """An addition must have exactly one price: `net` or `amount`."""

    code = "price-unclear"

    def __init__(self) -> None:
        super().__init__(
            "give either `net`, without tax, or `amount`, in the authorisation's terms"
        )


class AuthorisationsOut(Out, frozen=True, kw_only=True):
    """All authorisations of a quote, the limit of the one in force, and the lines added."""

    limit: Limit | None
    authorisations: tuple[Authorisation, ...]
    additions: tuple[Addition, ...]


class AdditionIn(Wire, frozen=True, kw_only=True):
    """A line to be added to the agreed revision: its `net` price without tax, or instead its
    `amount`, with or without tax as in the authorisation. If rounded taxes allow no price with
    exactly that amount, the largest price that does not exceed it is used.

    It is taxed by the rules of the agreed revision. With `trial`, the answer is computed, but
    nothing is recorded.
    """

    description: Text
    kind: FreeKind
    tax_kind: Annotated[
        FreeKind | None, Meta(description="The class by which it is taxed; null: by its kind.")
    ] = None
    net: DecimalIn | None = None
    amount: DecimalIn | None = None
    trial: bool = False


class ConsentOut(Out, frozen=True, kw_only=True):
    """The consent that is needed first: up to which amount, by which means, and which details must
    be recorded with it.
    """

    up_to: Money
    includes_tax: bool
    means: tuple[Means, ...]
    record: tuple[str, ...]


class RulingOut(Ruling, frozen=True, kw_only=True):
    """`go`, or `stop` with the excess and the consent that is needed. `text` says the same as a
    sentence.
    """

    consent: ConsentOut | None
    text: str


@operation("GET /v1/quotes/{id}/authorisations", "listAuthorisations", "quotes")
def authorisations(records: Records, call: Call) -> Reply[AuthorisationsOut]:
    """Get a quote's authorisations, the limit of the one in force, and the lines added."""
    quote = call.record(QUOTE, records.quotes.get)
    given = records.authorisations.of_quote(quote.number)
    in_force = any(one.revision == quote.agreed for one in given)
    body = AuthorisationsOut(
        limit=consent.limit_of(records, quote) if in_force else None,
        authorisations=given,
        additions=records.additions.of_quote(quote.number),
    )
    return Reply(body=body)


@operation(
    "POST /v1/quotes/{id}/additions",
    "addToQuote",
    "quotes",
    "act-refused",
    "request-refused",
    "catalogue-gap",
    is_guarded=True,
    is_tagged=True,
)
def add(records: Records, call: Call, body: AdditionIn) -> Reply[RulingOut]:
    """Add a line within the authorised limit.

    Answers `go` if spent + committed + new <= authorised, and records the addition. It is then a
    line of the quote, in its totals, taxes and documents. Otherwise answers `stop` with the consent
    that is needed first, and records nothing. With `trial`, nothing is recorded in either case.
    """
    desk, preset = call.desk, call.desk.overrun
    more = _more(body, desk.currency)
    quote = call.checked(QUOTE, records.quotes.get)
    quote, ruling = consent.ask_addition(records, call.stamp, quote, more, is_trial=body.trial)
    record = () if preset is None else tuple(one.value for one in preset.record)
    return Reply(
        body=_ruling(ruling, record, desk.service.speaker(None)), tag=tag(quote, desk.gate.epoch)
    )


def _more(asked: AdditionIn, currency: str) -> More:
    """Return the line to be added. Raises: RequestRefused."""
    if (asked.net is None) == (asked.amount is None):
        raise RequestRefused([PriceUnclear().at("net")])
    return More(
        description=asked.description,
        kind=asked.kind,
        tax_kind=asked.tax_kind or asked.kind,
        net=read_amount_or_none(asked.net, currency, "net"),
        amount=read_amount_or_none(asked.amount, currency, "amount"),
    )


def _ruling(ruling: Ruling, record: tuple[str, ...], speaker: Speaker) -> RulingOut:
    needed = None
    if ruling.decision is Decision.stop:
        needed = ConsentOut(
            up_to=ruling.consent_up_to,
            includes_tax=ruling.limit.includes_tax,
            means=tuple(Means),
            record=record or ("date", "time", "name", "means", "work", "cost"),
        )
    return extended(RulingOut, ruling, consent=needed, text=_told(ruling, speaker))


def _told(ruling: Ruling, speaker: Speaker) -> str:
    """Return a ruling as a sentence for the caller."""
    includes_tax, say = ruling.limit.includes_tax, speaker.say
    if ruling.decision is not Decision.stop:
        left = speaker.money(ruling.limit.left)
        if includes_tax:
            return say("Go: {left} including tax will remain of the authorised amount.", left=left)
        return say("Go: {left} before tax will remain of the authorised amount.", left=left)
    facts = {"over": speaker.money(ruling.over_by), "most": speaker.money(ruling.consent_up_to)}
    if includes_tax:
        return say(
            "Stop: this is {over} more than the customer authorised. First get the customer's "
            "consent to {most} including tax, on a revision that lists the additional work.",
            **facts,
        )
    return say(
        "Stop: this is {over} more than the customer authorised. First get the customer's "
        "consent to {most} before tax, on a revision that lists the additional work.",
        **facts,
    )
