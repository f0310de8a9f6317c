"""Additions: the authorisations of a quote, and the lines added within their limit."""

from __future__ import annotations

from decimal import Decimal

from kitwright.keeping import consent
from kitwright.keeping.consent import Decision, More, Ruling
from kitwright.keeping.key import Scope
from kitwright.keeping.record import Means
from kitwright.keeping.store import Records
from kitwright.language.render import Speaker
from kitwright.money import Money, digits
from kitwright.quote import amount_of
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.units import read_figure
from kitwright.web.calls.call import Call, Work
from kitwright.web.calls.consent_wire import (
    AdditionIn,
    AuthorisationsOut,
    ConsentOut,
    RulingOut,
    addition_out,
    authorisation_out,
    limit_out,
)
from kitwright.web.calls.declared import operation
from kitwright.web.calls.ids import QUOTE
from kitwright.web.calls.quotes import checked, quote_tag
from kitwright.web.edge.reply import Reply


class AmountInvalid(RequestFault):
    """An amount with too many decimals for its currency, or not above zero."""

    code = "amount-invalid"

    def __init__(self, text: str, currency: str) -> None:
        super().__init__(
            f"{text} {currency}: should be above zero, with at most {digits(currency)} decimals"
        )
        self.text = text
        self.currency = currency


class PriceUnclear(RequestFault):
    """An addition must have exactly one price: `net` or `amount`."""

    code = "price-unclear"

    def __init__(self) -> None:
        super().__init__(
            "give either `net`, without tax, or `amount`, in the authorisation's terms"
        )


@operation("GET /v1/quotes/{id}/authorisations", "listAuthorisations", "quotes")
def authorisations(records: Records, call: Call) -> Reply[AuthorisationsOut]:
    """Get a quote's authorisations.

    All authorisations, the limit of the one in force, and the lines added within it.
    """
    quote = call.record(QUOTE, records.quotes.get)
    given = records.authorisations.of_quote(quote.number)
    in_force = any(one.revision == quote.agreed for one in given)
    body = AuthorisationsOut(
        limit=limit_out(consent.limit_of(records, quote)) if in_force else None,
        authorisations=tuple(map(authorisation_out, given)),
        additions=tuple(map(addition_out, records.additions.of_quote(quote.number))),
    )
    return Reply(body=body)


@operation(
    "POST /v1/quotes/{id}/additions",
    "addToQuote",
    "quotes",
    scope=Scope.QUOTE,
    is_once=True,
    is_guarded=True,
    is_tagged=True,
    problems=("act-refused", "request-refused", "catalogue-gap"),
)
def add(call: Call, body: AdditionIn) -> Work[RulingOut]:
    """Add a line within the authorised limit.

    Answers `go` if spent + committed + new <= authorised, and records the addition. It is then a
    line of the quote, in its totals, taxes and documents. Otherwise answers `stop` with the consent
    that is needed first, and records nothing. With `trial`, nothing is recorded in either case.
    """
    desk, stamp = call.desk, call.stamp
    more = _more(body, desk.currency)
    preset = desk.overrun
    speaker = desk.service.speaker(None)

    def work(records: Records) -> Reply[RulingOut]:
        quote = checked(records, call)
        quote, ruling = consent.ask_addition(records, stamp, quote, more, is_trial=body.trial)
        record = () if preset is None else tuple(one.value for one in preset.record)
        return Reply(body=_ruling(ruling, record, speaker), tag=quote_tag(quote))

    return work


def _more(asked: AdditionIn, currency: str) -> More:
    """Return the line to be added. Raises: RequestRefused."""
    if (asked.net is None) == (asked.amount is None):
        fault = PriceUnclear()
        fault.at("net")
        raise RequestRefused([fault])
    return More(
        description=asked.description,
        kind=asked.kind,
        tax_kind=asked.tax_kind or asked.kind,
        net=read_amount(asked.net, currency, "net"),
        amount=read_amount(asked.amount, currency, "amount"),
    )


def _ruling(ruling: Ruling, record: tuple[str, ...], speaker: Speaker) -> RulingOut:
    needed = None
    if ruling.decision is Decision.stop:
        needed = ConsentOut(
            up_to=amount_of(ruling.consent_up_to),
            includes_tax=ruling.limit.includes_tax,
            means=tuple(Means),
            record=record or ("date", "time", "name", "means", "work", "cost"),
        )
    return RulingOut(
        decision=ruling.decision,
        new=amount_of(ruling.new),
        over_by=amount_of(ruling.over_by),
        limit=limit_out(ruling.limit),
        consent=needed,
        addition=None if ruling.addition is None else addition_out(ruling.addition),
        text=_told(ruling, speaker),
    )


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


def read_amount(text: str | None, currency: str, member: str) -> Money | None:
    """Return an amount of the shop's currency, above zero. Raises: RequestRefused."""
    if text is None:
        return None
    figure = read_figure(text)
    money_of = Money.of(figure, currency)
    if figure <= 0 or money_of.amount != Decimal(text):
        fault = AmountInvalid(text, currency)
        fault.at(member)
        raise RequestRefused([fault])
    return money_of
