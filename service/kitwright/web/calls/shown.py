"""Shown: what a customer sees of a revision, without what the shop pays and where it buys."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from kitwright.keeping import life
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.web.calls.assessments import AssessmentOut, ScopeJobOut
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.out import (
    CautionOut,
    DecimalText,
    EngineOut,
    ExemptionOut,
    ExtraOut,
    MakeOut,
    MoneyOut,
    MoreMinutes,
    OnCylinder,
    Out,
    ShopOut,
    TaxOut,
    TotalsOut,
    WhyOut,
)


class ShownJobOut(Out, frozen=True, kw_only=True):
    """A job, and why it is done."""

    job: str
    name: str
    cylinder: OnCylinder | None
    why: tuple[WhyOut, ...]


class ShownLineOut(Out, frozen=True, kw_only=True):
    """A line of the price. `net`, `tax` and `gross` are null where the tax is not known."""

    kind: str
    code: str
    cylinder: OnCylinder | None
    description: str
    makes: tuple[MakeOut, ...] = ()
    quantity: DecimalText
    unit: str
    unit_price: DecimalText
    base_quantity: DecimalText
    amount: MoneyOut
    net: MoneyOut | None
    tax: MoneyOut | None
    gross: MoneyOut | None


class ShownContingencyOut(Out, frozen=True, kw_only=True):
    """Something that teardown may show, and what the whole visit costs and takes more with the
    jobs and parts that it adds. `cylinder` is null where nobody knows which. `after` is what has to
    turn up before it: then the price is on top of that one's.
    """

    contingency: str
    name: str
    cylinder: OnCylinder | None
    plain: str
    likely: bool
    jobs: tuple[ScopeJobOut, ...]
    price: MoneyOut
    minutes: MoreMinutes
    after: str | None = None
    after_cylinder: OnCylinder | None = None


class ShownContingenciesOut(Out, frozen=True, kw_only=True):
    """What may turn up; and what the quote comes to as it stands, with all that is likely, and with
    the dearest combination of the list, which is no limit.
    """

    each: tuple[ShownContingencyOut, ...]
    as_quoted: MoneyOut
    likely: MoneyOut
    worst: MoneyOut


class ShownQuoteOut(Out, frozen=True, kw_only=True):
    """A revision as its customer sees it."""

    on: date
    valid_until: date
    parts_by: date | None
    language: str
    provisional: bool
    shop: ShopOut
    engine: EngineOut
    complaint: str | None = None
    assessment: AssessmentOut | None
    jobs: tuple[ShownJobOut, ...]
    lines: tuple[ShownLineOut, ...]
    taxes: tuple[TaxOut, ...]
    tax_state: Annotated[str, Meta(pattern="^(known|unknown)$")]
    exemption: ExemptionOut | None
    totals: TotalsOut
    extras: tuple[ExtraOut, ...]
    cautions: tuple[CautionOut, ...]
    notes: tuple[WhyOut, ...] = ()
    contingencies: ShownContingenciesOut | None = None


def shown(answer: bytes) -> bytes:
    """Return what a customer sees of a revision's answer, as JSON: the same for ever."""
    return msgspec.json.encode(msgspec.json.decode(answer, type=ShownQuoteOut))


class _Said(Struct, frozen=True):
    """What is read of an answer for the words of a yes."""

    language: str
    jobs: tuple[ShownJobOut, ...]
    totals: TotalsOut


def consent_text(records: Records, quote: KeptQuote, number: int) -> str:
    """Return what a customer says yes to, in words of the revision's language.

    Raises: NoSuchRevision.
    """
    revision = life.revision_of(records, quote, number)
    return words_of_yes(revision.answer, written(QUOTE, quote.number), number, revision.valid_until)


def words_of_yes(answer: bytes, quote: str, number: int, valid_until: date) -> str:
    """Return what a yes to a revision's answer says, in the language of the answer."""
    said = msgspec.json.decode(answer, type=_Said)
    scribe = Scribe(said.language)
    due = said.totals.gross or said.totals.lines
    facts = {
        "quote": quote,
        "revision": number,
        "amount": scribe.money(due.amount, due.currency),
        "day": scribe.day(valid_until),
        "work": "; ".join(scribe.on_cylinder(job.name, job.cylinder) for job in said.jobs),
    }
    if said.totals.gross is None:
        return scribe.say(
            "I accept quote {quote}, revision {revision}: {amount}, the tax not known yet, valid "
            "until {day}. Work: {work}.",
            **facts,
        )
    return scribe.say(
        "I accept quote {quote}, revision {revision}: {amount} with tax, valid until {day}. "
        "Work: {work}.",
        **facts,
    )
