"""Consent: what a customer authorised, and how far the bill may go before asking again."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from msgspec import Struct, structs

from kitwright.catalogue.model import OverrunPreset
from kitwright.keeping.acts import ActRefused, NotNow, check_act
from kitwright.keeping.event import note_event
from kitwright.keeping.life import revision_of
from kitwright.keeping.offer import accepted, check_offer
from kitwright.keeping.overrun import allowance
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    KeptQuote,
    Means,
    Revision,
    RevisionState,
    Stamp,
)
from kitwright.keeping.store import Records
from kitwright.money import Money


class AmountDiffers(ActRefused):
    """An authorised amount that is not what the revision comes to."""

    code = "amount-differs"

    def __init__(self, given: Money, due: Money, includes_tax: bool) -> None:
        terms = "with" if includes_tax else "without"
        super().__init__(
            f"the revision comes to {due.amount_text} {due.currency} {terms} tax, "
            f"not {given.amount_text} {given.currency}"
        )
        self.given = given
        self.due = due
        self.path = ("amount",)


class LimitBelowAmount(ActRefused):
    """A limit below the amount that it should limit."""

    code = "limit-below-amount"

    def __init__(self, limit: Money, due: Money) -> None:
        super().__init__(
            f"a limit of {limit.amount_text} is below the {due.amount_text} {due.currency} "
            "that the revision comes to: the customer can't authorise both"
        )
        self.limit = limit
        self.due = due
        self.path = ("limit",)


class AuthorisedTooEarly(ActRefused):
    """An authorisation from before the revision was issued, or from the future."""

    code = "authorised-at-no-such-time"

    def __init__(self, at: datetime, issued_at: datetime | None, now: datetime) -> None:
        since = "" if issued_at is None else f" ({issued_at.isoformat(timespec='seconds')})"
        super().__init__(
            f"{at.isoformat(timespec='seconds')} is not between the revision's issue{since} "
            f"and now ({now.isoformat(timespec='seconds')})"
        )
        self.at_moment = at
        self.path = ("at",)


class Yes(Struct, frozen=True, kw_only=True):
    """What a customer said yes to, in the terms of whoever asked.

    `amount` and `limit` None mean what the revision comes to, and that with the shop's allowance.
    """

    who: str
    means: Means
    contact: str | None = None
    at: datetime | None = None
    includes_tax: bool = True
    amount: Money | None = None
    limit: Money | None = None
    text: str


class Decision(StrEnum):
    """Whether an addition may go on."""

    go = "go"
    stop = "stop"


class Limit(Struct, frozen=True, kw_only=True):
    """How far an authorisation goes, all in its own terms of tax.

    spent + committed + left = authorised.
    """

    revision: int
    includes_tax: bool
    authorised: Money
    committed: Money
    spent: Money

    @property
    def left(self) -> Money:
        """What may still be added without asking."""
        return self.authorised - self.committed - self.spent


class Ruling(Struct, frozen=True, kw_only=True):
    """The answer to an addition: go, or stop with what consent is needed up to where."""

    decision: Decision
    limit: Limit
    new: Money
    over_by: Money
    consent_up_to: Money
    addition: Addition | None


def accept(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    revision: int,
    *,
    yes: Yes,
    preset: OverrunPreset | None,
) -> KeptQuote:
    """Return a quote whose offered revision the customer authorised.

    Accepting the revision in force again changes nothing. Raises: NothingOffered,
    OtherRevisionOffered, NoSuchRevision, ValidityOver, AmountDiffers, LimitBelowAmount,
    AuthorisedTooEarly.
    """
    if quote.agreed == revision:
        return quote
    offer = check_offer(records, "accept", quote, revision, stamp)
    due = _due(offer, yes.includes_tax)
    if yes.amount is not None and yes.amount != due:
        raise AmountDiffers(yes.amount, due, yes.includes_tax)
    limit = due + allowance(preset, due) if yes.limit is None else yes.limit
    if limit < due:
        raise LimitBelowAmount(limit, due)
    at = yes.at or stamp.at
    if at > stamp.at or (
        offer.issued_at is not None and at < offer.issued_at.replace(microsecond=0)
    ):
        raise AuthorisedTooEarly(at, offer.issued_at, stamp.at)
    records.quotes.authorise(
        Authorisation(
            quote=quote.number,
            revision=revision,
            at=at,
            who=yes.who,
            means=yes.means,
            contact=yes.contact,
            amount=due,
            limit=limit,
            includes_tax=yes.includes_tax,
            text=yes.text,
            sha256=offer.sha256 or "",
        )
    )
    return accepted(records, stamp, quote, revision)


def _due(revision: Revision, includes_tax: bool) -> Money:
    # an offered revision has its tax: `issue` saw to it
    return revision.gross if includes_tax and revision.gross is not None else revision.net


def limit_of(records: Records, quote: KeptQuote) -> Limit:
    """Return how far the authorisation in force goes. Raises: NotNow, where there is none."""
    given = {one.revision: one for one in records.quotes.authorisations(quote.number)}
    if quote.agreed is None or quote.agreed not in given:
        raise NotNow("ask the limit of", quote, "no authorisation is in force")
    authorisation = given[quote.agreed]
    spent = Money(0, authorisation.limit.currency)
    made_at = revision_of(records, quote, quote.agreed).made_at
    for addition in records.quotes.additions(quote.number):
        # a revision restates the whole: what was added before it was made is in its figures, and
        # what came later is not, whichever was in force then
        if addition.revision == quote.agreed or addition.at >= made_at:
            spent += addition.amount
    return Limit(
        revision=quote.agreed,
        includes_tax=authorisation.includes_tax,
        authorised=authorisation.limit,
        committed=authorisation.amount,
        spent=spent,
    )


def ask_addition(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    *,
    new: Money,
    description: str,
    is_trial: bool = False,
) -> tuple[KeptQuote, Ruling]:
    """Return the quote and whether more may be spent; if so it is recorded, unless on trial.

    It may while spent + committed + new <= authorised. Raises: NotNow.
    """
    check_act("add", quote)
    limit = limit_of(records, quote)
    total = limit.spent + limit.committed + new
    if limit.authorised < total:
        ruling = Ruling(
            decision=Decision.stop,
            limit=limit,
            new=new,
            over_by=total - limit.authorised,
            consent_up_to=total,
            addition=None,
        )
        return quote, ruling
    addition = None
    if not is_trial:
        addition = records.quotes.add_addition(
            Addition(
                quote=quote.number,
                number=0,
                revision=limit.revision,
                at=stamp.at,
                description=description,
                amount=new,
            )
        )
        quote = structs.replace(quote, version=quote.version + 1, changed_at=stamp.at)
        records.quotes.put(quote)
        note_event(
            records,
            stamp,
            "quote.addition",
            quote,
            {"revision": limit.revision, "amount": new.amount_text, "currency": new.currency},
        )
        limit = limit_of(records, quote)
    ruling = Ruling(
        decision=Decision.go,
        limit=limit,
        new=new,
        over_by=Money(0, new.currency),
        consent_up_to=limit.authorised,
        addition=addition,
    )
    return quote, ruling


def is_agreed(records: Records, quote: KeptQuote, revision: int) -> bool:
    """Return whether a revision is the one in force. Raises: NoSuchRevision."""
    return revision_of(records, quote, revision).state is RevisionState.accepted
