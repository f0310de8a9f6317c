"""Consent: what a customer authorised, and how far a bill may go before the shop must ask again."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from msgspec import Struct, structs

from kitwright.catalogue.model import OverrunPreset
from kitwright.keeping.acts import ActRefused, NotNow, check_act
from kitwright.keeping.choosing import agreed_from, as_chosen, differing_choices, keep_choice
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.life import additions_to, revision_of, showing
from kitwright.keeping.offer import accepted, check_offer, still_offered
from kitwright.keeping.overrun import usual_limit
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    FromAfar,
    KeptQuote,
    Means,
    Revision,
    Stamp,
)
from kitwright.keeping.set_off import check_set_off_once
from kitwright.keeping.store import Records
from kitwright.keeping.sums import charge_of, largest_price, read_agreed
from kitwright.money import Money
from kitwright.tax.charges import Charge


class AmountDiffers(ActRefused):
    """An authorised amount that differs from the total of the revision, or of what was chosen."""

    code = "amount-differs"

    def __init__(self, given: Money, due: Money, of: str, includes_tax: bool) -> None:
        terms = "including" if includes_tax else "before"
        super().__init__(
            f"the total of {of} is {due.amount_text} {due.currency} {terms} tax, "
            f"not {given.amount_text} {given.currency}"
        )
        self.given = given
        self.due = due
        self.path = ("amount",)


class LimitBelowAmount(ActRefused):
    """A limit below the authorised amount."""

    code = "limit-below-amount"

    def __init__(self, limit: Money, due: Money, of: str) -> None:
        super().__init__(
            f"the limit of {limit.amount_text} is below the total of {of}, {due.amount_text} "
            f"{due.currency}"
        )
        self.limit = limit
        self.due = due
        self.path = ("limit",)


class AuthorisationTimeInvalid(ActRefused):
    """An authorisation dated before the revision was issued, or in the future."""

    code = "authorisation-time-invalid"

    def __init__(self, at: datetime, issued_at: datetime | None, now: datetime) -> None:
        is_behind = issued_at is not None and now < issued_at
        behind = ": the clock of this machine is behind, set it" if is_behind else ""
        since = "" if issued_at is None else f" ({issued_at.isoformat(timespec='seconds')})"
        super().__init__(
            f"{at.isoformat(timespec='seconds')} is not between the time of issue{since} "
            f"and now ({now.isoformat(timespec='seconds')}){behind}"
        )
        self.at_moment = at
        self.path = ("at",)


class AgreedOtherwise(ActRefused):
    """An acceptance of the revision in force on other terms than those that it was accepted on."""

    code = "agreed-otherwise"

    def __init__(self, given: Authorisation, other: tuple[str, ...]) -> None:
        terms = "including" if given.includes_tax else "before"
        super().__init__(
            f"revision {given.revision} is already agreed ({given.means.value}, at "
            f"{given.at.isoformat(timespec='seconds')}): {given.amount.amount_text}, with a limit "
            f"of {given.limit.amount_text} {given.limit.currency}, {terms} tax; this acceptance "
            f"differs in {', '.join(other)}: to change what is agreed, revise the quote"
        )
        self.given = given
        self.path = other[:1]


class Yes(Struct, frozen=True, kw_only=True):
    """A customer's acceptance, in the caller's terms.

    If `amount` is None, it is the revision's total. If `limit` is None, it is that total plus the
    shop's allowance. `from_afar` is what it means for the right to withdraw, None for nothing.
    """

    who: str
    means: Means
    contact: str | None = None
    at: datetime | None = None
    includes_tax: bool = True
    amount: Money | None = None
    limit: Money | None = None
    text: str
    from_afar: FromAfar | None = None


class More(Struct, frozen=True, kw_only=True):
    """A line to add. Exactly one of `net` (without tax) and `amount` (in the terms of the
    authorisation) is given. See `Addition` for the kinds.
    """

    description: str
    kind: str
    tax_kind: str
    net: Money | None = None
    amount: Money | None = None


class Decision(StrEnum):
    """Whether an addition may go ahead."""

    go = "go"
    stop = "stop"


class Limit(Struct, frozen=True, kw_only=True):
    """The limit of an authorisation. All amounts include tax if the authorisation does.

    spent + committed + left = authorised.
    """

    revision: int
    includes_tax: bool
    authorised: Money
    committed: Money
    spent: Money

    @property
    def left(self) -> Money:
        """The amount that may still be added without asking."""
        return self.authorised - self.committed - self.spent


class Ruling(Struct, frozen=True, kw_only=True):
    """The answer to an addition: go, or stop with the amount that needs consent first."""

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
    choice: Revision | None = None,
) -> KeptQuote:
    """Return a quote whose offered revision the customer authorised.

    Accepting the revision in force again on the same terms changes nothing.

    Args:
        choice: what the customer chose of the revision, priced; it is kept as a revision of its
            own, which is the one agreed. None: the revision as it stands.

    Raises: AgreedOtherwise, NothingOffered, OtherRevisionOffered, NoSuchRevision, QuoteExpired,
    DiagnosisSetOff, AmountDiffers, LimitBelowAmount, AuthorisationTimeInvalid.
    """
    in_force = agreed_from(records, quote, revision)
    if in_force is not None:
        other = differing_choices(in_force, choice)
        _check_repeated(records, quote, in_force.number, yes, preset, other)
        return quote
    quote = still_offered(records, stamp, quote, revision)
    offer = check_offer(records, "accept", quote, revision, stamp)
    check_set_off_once(records, quote, revision)
    of = "the revision" if choice is None else "what is chosen"
    if choice is not None:
        offer = as_chosen(offer, choice)
    due = _in_terms(offer.net, offer.gross, yes.includes_tax)
    if yes.amount is not None and yes.amount != due:
        raise AmountDiffers(yes.amount, due, of, yes.includes_tax)
    limit = yes.limit
    if limit is None:
        before = limit_before(records, quote, revision, includes_tax=yes.includes_tax)
        limit = usual_limit(preset, due, before)
    if limit < due:
        raise LimitBelowAmount(limit, due, of)
    at, facts = _time_of(yes, offer, stamp)
    if choice is not None:
        facts = {**facts, "chosen_from": revision}
        quote, revision = keep_choice(records, quote, offer)
    records.authorisations.add(
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
            from_afar=yes.from_afar,
        )
    )
    return accepted(records, stamp, quote, revision, facts)


def _time_of(yes: Yes, offer: Revision, stamp: Stamp) -> tuple[datetime, Facts]:
    """Return when a customer accepted, and the facts about it for the event.

    If this machine's clock is behind the time of issue, an acceptance given now is dated to the
    time of issue, and the event says by how many seconds the clock is behind.

    Raises: AuthorisationTimeInvalid.
    """
    issued_at = offer.issued_at
    first = stamp.at if issued_at is None else issued_at.replace(microsecond=0)
    if yes.at is None and issued_at is not None and stamp.at < first:
        return issued_at, {"clock_behind_seconds": int((issued_at - stamp.at).total_seconds())}
    at = yes.at or stamp.at
    if at > stamp.at or (issued_at is not None and at < first):
        raise AuthorisationTimeInvalid(at, issued_at, stamp.at)
    return at, {}


def _check_repeated(
    records: Records,
    quote: KeptQuote,
    revision: int,
    yes: Yes,
    preset: OverrunPreset | None,
    choices: tuple[str, ...],
) -> None:
    """Raise AgreedOtherwise if an acceptance of the revision in force is not the recorded one. A
    contact, a time and an amount that it does not state are the recorded ones. `choices` are the
    members in which other choices differ.
    """
    given = records.authorisations.get(quote.number, revision)
    if given is None:
        return
    limit = yes.limit
    if limit is None:
        before = limit_before(records, quote, revision, includes_tax=given.includes_tax)
        limit = usual_limit(preset, given.amount, before)
    # the period is that of the first yes
    said = {**structs.asdict(yes), "limit": limit, "from_afar": None}
    other = choices + tuple(
        name for name, value in said.items() if value is not None and value != getattr(given, name)
    )
    if other:
        raise AgreedOtherwise(given, other)


def limit_before(
    records: Records, quote: KeptQuote, revision: int, *, includes_tax: bool
) -> tuple[Money, Money] | None:
    """Return the amount and the limit of the yes before a revision, in its terms; None if there is
    none.
    """
    earlier = [
        one
        for one in records.authorisations.of_quote(quote.number)
        if one.revision < revision and one.includes_tax == includes_tax
    ]
    return (earlier[-1].amount, earlier[-1].limit) if earlier else None


def limit_of(records: Records, quote: KeptQuote) -> Limit:
    """Return the limit of the authorisation in force. Raises: NotNow, if there is none."""
    given = {one.revision: one for one in records.authorisations.of_quote(quote.number)}
    if quote.agreed is None or quote.agreed not in given:
        raise NotNow("ask the limit of", quote, "no authorisation is in force")
    authorisation = given[quote.agreed]
    includes_tax = authorisation.includes_tax
    return Limit(
        revision=quote.agreed,
        includes_tax=includes_tax,
        authorised=authorisation.limit,
        committed=authorisation.amount,
        spent=_in_terms(quote.net, quote.gross, includes_tax) - authorisation.amount,
    )


def _in_terms(net: Money, gross: Money | None, includes_tax: bool) -> Money:
    # an offered revision has its tax: `issue` checked it
    return gross if includes_tax and gross is not None else net


def ask_addition(
    records: Records, stamp: Stamp, quote: KeptQuote, more: More, *, is_trial: bool = False
) -> tuple[KeptQuote, Ruling]:
    """Return the quote, and whether the addition is within the limit. If it is, it is recorded,
    unless `is_trial`.

    It is within the limit while spent + committed + new <= authorised. Because tax is rounded, no
    price may give exactly the amount asked for. Then the price is the largest whose amount does not
    exceed it.

    Raises: NotNow, and the errors of the tax rules.
    """
    check_act("add", quote)
    limit = limit_of(records, quote)
    addition = _priced(records, stamp, quote, more, limit)
    needed = limit.spent + limit.committed + addition.amount
    decision = Decision.go if needed <= limit.authorised else Decision.stop
    is_recorded = decision is Decision.go and not is_trial
    if is_recorded:
        addition = records.additions.add(addition)
        facts: Facts = {
            "revision": limit.revision,
            "addition": addition.number,
            "kind": addition.kind,
            "amount": addition.amount.amount_text,
        }
        changed = showing(records, quote, limit.revision)
        quote = keep_change(records, stamp, "quote.addition", changed, facts)
        limit = limit_of(records, quote)
    consent_up_to = max(limit.authorised, needed)
    return quote, Ruling(
        decision=decision,
        limit=limit,
        new=addition.amount,
        over_by=consent_up_to - limit.authorised,
        consent_up_to=consent_up_to,
        addition=addition if is_recorded else None,
    )


def _priced(records: Records, stamp: Stamp, quote: KeptQuote, more: More, limit: Limit) -> Addition:
    """Return the addition, priced by the tax rules of the agreed revision."""
    revision = revision_of(records, quote, limit.revision)
    agreed = read_agreed(revision)
    before = [charge_of(one) for one in additions_to(records, quote, revision)]

    def added(price: Money, includes_tax: bool) -> Money:
        sums = agreed.with_added([*before, Charge(more.tax_kind, price)])
        now = _in_terms(sums.net, sums.gross, includes_tax)
        return now - _in_terms(quote.net, quote.gross, includes_tax)

    if more.net is not None:
        price = largest_price(more.net, lambda price: added(price, includes_tax=False))
    else:
        wanted = more.amount or Money(0, quote.net.currency)
        price = largest_price(wanted, lambda price: added(price, limit.includes_tax))
    return Addition(
        quote=quote.number,
        number=0,
        revision=limit.revision,
        at=stamp.at,
        day=stamp.today,
        description=more.description,
        kind=more.kind,
        tax_kind=more.tax_kind,
        price=price,
        net=added(price, includes_tax=False),
        amount=added(price, limit.includes_tax),
    )
