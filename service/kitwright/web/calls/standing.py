"""Standing: a stored revision together with what was added since it was accepted.

A revision itself never changes; additions are lines of their own behind its lines. Whatever shows
a quote, as JSON or on paper, shows this.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

from msgspec import structs

from kitwright.catalogue.model import OverrunPreset
from kitwright.documents.balance_view import total_of, total_told
from kitwright.keeping.consent import limit_before
from kitwright.keeping.distance import distance_of, withdrawn_at
from kitwright.keeping.life import additions_to, revision_of
from kitwright.keeping.paying import paid_for
from kitwright.keeping.record import (
    SETTLED,
    Addition,
    Authorisation,
    KeptQuote,
    Revision,
    RevisionState,
)
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Sums, sums_of
from kitwright.language.scribe import Scribe
from kitwright.money import Money, total
from kitwright.quote import (
    ADDED_SINCE,
    Change,
    Contingencies,
    Envelope,
    FleetPlace,
    Line,
    Paper,
    PriceRange,
    Quote,
    Reason,
    RightToWithdraw,
    Totals,
    amount_of,
    read_quote,
)
from kitwright.telling import tell_line_taxes, tell_taxes
from kitwright.units import REC20
from kitwright.web.calls.change import Agreed, change_to
from kitwright.web.calls.ids import FLEET, QUOTE, written

OPEN: Final = (RevisionState.draft, RevisionState.issued)
"""The states of a revision that can still be agreed to."""


def standing(records: Records, quote: KeptQuote, revision: Revision) -> Quote:
    """Return a revision's quote; if it is the agreed one, with what was added to it."""
    answer = read_quote(revision.answer)
    added = additions_to(records, quote, revision)
    if not added:
        return answer
    sums = sums_of(revision, added)
    scribe = Scribe(answer.language)
    lines = [*answer.lines, *_added(added, scribe)]
    more = sums.gross - total_of(answer.totals)
    return structs.replace(
        answer,
        lines=tuple(
            structs.replace(
                line,
                net=amount_of(taxed.net),
                tax=amount_of(taxed.tax),
                gross=amount_of(taxed.gross),
                taxes=tell_line_taxes(taxes, scribe.text),
            )
            for line, taxed, taxes in zip(lines, sums.lines, sums.line_taxes, strict=True)
        ),
        taxes=tell_taxes(sums.taxes, scribe.text),
        exemption=None
        if answer.exemption is None
        else structs.replace(answer.exemption, spares=tell_taxes(sums.freed, scribe.text)),
        totals=_totals(answer.totals, sums, added),
        contingencies=_contingencies(answer.contingencies, more),
        range=_range(answer.range, more),
    )


def paper_of(
    records: Records, quote: KeptQuote, number: int, preset: OverrunPreset | None = None
) -> Paper:
    """Return a revision with its quote, customer and machine. `preset` is how far a bill may exceed
    what is agreed. Raises: NoSuchRevision.
    """
    revision = revision_of(records, quote, number)
    # the revision's own customer, who may no longer be the quote's
    whom, what = revision.customer, revision.machine
    customer = None if whom is None else records.customers.get(whom)
    machine = None if what is None else records.machines.get(what)
    given = {one.revision: one for one in records.authorisations.of_quote(quote.number)}
    agreed = given.get(number)
    made = None if agreed is None else agreed.from_afar
    if revision.state is RevisionState.declined and withdrawn_at(made) is not None:
        agreed = None
    envelope = Envelope(
        quote_id=written(QUOTE, quote.number),
        revision=number,
        state=revision.state.value,
        issued_at=revision.issued_at,
        sha256=revision.sha256,
        customer_name=None if customer is None else customer.name,
        customer_address=None if customer is None else customer.address,
        customer_email=None if customer is None else customer.email,
        machine_name=None if machine is None else machine.name,
        machine_hours=None if machine is None else machine.hours,
        agreed_at=None if agreed is None else agreed.at,
        agreed_by=None if agreed is None else agreed.who,
        limit=None if agreed is None else agreed.limit,
        limit_includes_tax=agreed is None or agreed.includes_tax,
        change=change_of(records, quote, revision, preset),
        holds=_holds(records, quote, revision),
        fleet=_fleet(records, quote),
        withdrawal=_right(records, quote, revision, given.get(number)),
        button=_button(records, revision),
        paid=_paid(records, quote),
    )
    return Paper(quote=standing(records, quote, revision), envelope=envelope)


def _paid(records: Records, quote: KeptQuote) -> Money | None:
    """Return what a customer has paid, less what was paid back; None if that is nothing."""
    paid = paid_for(records, quote)
    return paid if paid.minor > 0 else None


def change_of(
    records: Records, quote: KeptQuote, revision: Revision, preset: OverrunPreset | None
) -> Change | None:
    """Return what a revision on offer asks for beyond the one that is agreed, with what was added
    to that; None if nothing is agreed, or the tax is not known.
    """
    if quote.agreed is None or quote.offered != revision.number or quote.agreed == revision.number:
        return None
    if revision.gross is None or quote.gross is None:
        return None
    after = read_quote(revision.answer)
    if after.change is not None:
        return after.change
    before = read_quote(revision_of(records, quote, quote.agreed).answer)
    agreed = Agreed(
        revision=quote.agreed,
        total=quote.gross,
        yes=limit_before(records, quote, revision.number, includes_tax=True),
        jobs=frozenset((job.job, job.cylinder) for job in before.jobs),
        ready_on=before.ready_on,
    )
    return change_to(after, agreed, preset)


def _right(
    records: Records, quote: KeptQuote, revision: Revision, given: Authorisation | None
) -> RightToWithdraw | None:
    """Return the right to withdraw from a revision: of one that is agreed, as it was agreed; of one
    that is offered, as a yes by a link would give it.
    """
    made = given.from_afar if given is not None else None
    if given is None and quote.agreed is None and revision.state in OPEN:
        rules = distance_of(records, revision)
        return None if rules is None else RightToWithdraw(days=rules.withdrawal_days)
    if made is None:
        return None
    return RightToWithdraw(
        days=made.days,
        until=made.until,
        starts_early=made.starts_early,
        withdrawn_at=made.withdrawn_at,
    )


def _button(records: Records, revision: Revision) -> str:
    """Return the words of the button that says yes, as the law of the customer's country wants
    them; empty for the usual ones.
    """
    rules = distance_of(records, revision)
    if rules is None:
        return ""
    customer = None if revision.customer is None else records.customers.get(revision.customer)
    billing = None if customer is None else customer.billing
    language = read_quote(revision.answer).language
    country = None if billing is None else billing.country
    return rules.buttons.get(f"{language}-{country}") or rules.buttons.get(language) or ""


def _holds(records: Records, quote: KeptQuote, revision: Revision) -> Money | None:
    """Return what is agreed besides a revision; None if nothing is."""
    if quote.agreed is None or quote.agreed == revision.number:
        return None
    given = records.authorisations.get(quote.number, quote.agreed)
    return None if given is None else given.amount


def _fleet(records: Records, quote: KeptQuote) -> FleetPlace | None:
    """Return a quote's place in its fleet, None if it belongs to none."""
    if quote.fleet is None:
        return None
    every = records.quotes.of_fleet(quote.fleet)
    # what others pay is none of this customer's business
    own = [one for one in every if one.customer == quote.customer]
    standing = [one for one in own if one.state not in SETTLED]
    gross = [one.gross for one in standing if one.gross is not None]
    # once this machine is billed, a sum of offers says nothing of it
    is_told = quote.state not in SETTLED and len(gross) == len(standing)
    return FleetPlace(
        id=written(FLEET, quote.fleet),
        place=1 + [one.number for one in every].index(quote.number),
        machines=len(every),
        standing=len(standing),
        total=total(gross, quote.net.currency) if is_told else None,
    )


def _added(additions: Sequence[Addition], scribe: Scribe) -> list[Line]:
    """Return additions as lines that are not taxed yet."""
    lines = []
    for addition in additions:
        text = scribe.say("Added on {day}.", day=scribe.day(addition.day))
        price = amount_of(addition.price)
        reason = Reason(code=ADDED_SINCE, facts={"day": addition.day.isoformat()}, text=text)
        lines.append(
            Line(
                kind=addition.kind,
                code=f"addition-{addition.number}",
                makes=(),
                cylinder=None,
                description=addition.description,
                quantity="1",
                unit=REC20["piece"],
                measure="piece",
                unit_price=price.amount,
                base_quantity="1",
                amount=price,
                net=None,
                tax=None,
                gross=None,
                taxes=(),
                computed=None,
                tax_kind=addition.tax_kind,
                labour_class=None,
                job=None,
                places=(),
                sources=(),
                reason=text,
                why=(reason,),
            )
        )
    return lines


def _totals(agreed: Totals, sums: Sums, added: Sequence[Addition]) -> Totals:
    prices = total((one.price for one in added), sums.net.currency)
    return structs.replace(
        agreed,
        lines=amount_of(agreed.lines.money + prices),
        net=amount_of(sums.net),
        tax=amount_of(sums.tax),
        gross=amount_of(sums.gross),
        cash_rounding=amount_of(sums.cash_rounding),
        payable=amount_of(sums.payable),
    )


def _contingencies(agreed: Contingencies | None, more: Money) -> Contingencies | None:
    """Return what may be found in addition to what was added: every sum is of the entire quote."""
    if agreed is None:
        return None
    return structs.replace(
        agreed,
        as_quoted=amount_of(agreed.as_quoted.money + more),
        likely=amount_of(agreed.likely.money + more),
        worst=amount_of(agreed.worst.money + more),
    )


def _range(agreed: PriceRange | None, more: Money) -> PriceRange | None:
    """Return the distribution of the total with what was added."""
    if agreed is None:
        return None
    return structs.replace(
        agreed,
        expected=amount_of(agreed.expected.money + more),
        p50=amount_of(agreed.p50.money + more),
        p80=amount_of(agreed.p80.money + more),
        p90=amount_of(agreed.p90.money + more),
        p95=amount_of(agreed.p95.money + more),
        dearest_listed=amount_of(agreed.dearest_listed.money + more),
        chance_over=tuple(
            structs.replace(one, limit=amount_of(one.limit.money + more))
            for one in agreed.chance_over
        ),
    )


def consent_text(records: Records, quote: KeptQuote, number: int) -> str:
    """Return the text by which a customer accepts a revision, in the revision's language.

    Raises: NoSuchRevision.
    """
    revision = revision_of(records, quote, number)
    return words_of_yes(
        read_quote(revision.answer), written(QUOTE, quote.number), number, revision.valid_until
    )


def words_of_choice(
    words: str,
    language: str,
    *,
    course: str | None,
    left_out: Sequence[str],
    added: Sequence[str],
) -> str:
    """Return the text of an acceptance with the course that the customer chose, and the names of
    the jobs left out and added.

    Args:
        words: the text of the acceptance of what was chosen, from `words_of_yes`.
    """
    scribe, told = Scribe(language), [words]
    if course is not None:
        told.append(scribe.say("Course: {course}.", course=course))
    if left_out:
        told.append(scribe.say("Left out: {work}.", work="; ".join(left_out)))
    if added:
        told.append(scribe.say("Added: {work}.", work="; ".join(added)))
    return " ".join(told)


def words_of_yes(said: Quote, quote: str, number: int, valid_until: date) -> str:
    """Return the text of an acceptance, in the revision's language."""
    scribe = Scribe(said.language)
    facts = {
        "quote": quote,
        "revision": number,
        "total": total_told(said, scribe),
        "day": scribe.day(valid_until),
        "work": scribe.together(said.jobs),
    }
    if said.totals.gross is None:
        return scribe.say(
            "I accept quote {quote}, revision {revision}, for {total} (valid until {day}). The "
            "tax is not known yet. Work: {work}.",
            **facts,
        )
    return scribe.say(
        "I accept quote {quote}, revision {revision}, for {total} (valid until {day}). "
        "Work: {work}.",
        **facts,
    )
