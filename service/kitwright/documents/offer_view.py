"""Offer view: what decides a yes or no, in few words, the same on the page, in the PDF and e-mail.

What is wrong, what would be done, the total and the day, the limit, the range, and what each answer
costs. Every sum is with tax, if the tax is known.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from kitwright.catalogue.model import Shop
from kitwright.documents.balance_view import balance_of, has_withdrawn, is_owed, is_undecided
from kitwright.documents.change_view import because_of
from kitwright.documents.courses_view import left_told, warranty_told
from kitwright.documents.ready_words import ready_told
from kitwright.documents.totals_view import summary_of
from kitwright.language.scribe import Named, Scribe
from kitwright.money import total
from kitwright.quote import (
    Amount,
    Change,
    Diagnosed,
    Envelope,
    Line,
    Quote,
    RankedFault,
    WarrantyTerms,
    amount_of,
)


class Fact(Struct, frozen=True, kw_only=True):
    """A row: its label, its value, and what has to be known with it. `is_sum` says that the value
    is one of the sums of the offer.
    """

    label: str
    value: str
    note: str = ""
    is_sum: bool = False

    @property
    def whole(self) -> str:
        """The value with what has to be known with it."""
        return f"{self.value} ({self.note})" if self.note else self.value


class OfferView(Struct, frozen=True, kw_only=True):
    """An offer in few words.

    `fault` is what is wrong, `sure` how sure that is, `cure` what would be done; `open` is what is
    still asked. `stake` has the total, the day and the limit, `costs` what each answer costs, and
    `key` what the bill may come to. `owed` is what is owed after a no, None if that is nothing.
    `mind` is what the owner must mind until it is repaired, `change` what an agreed sum becomes.
    """

    fault: str
    sure: str
    cure: str
    open: tuple[str, ...]
    stake: tuple[Fact, ...]
    key: tuple[str, ...]
    costs: tuple[Fact, ...]
    owed: Amount | None
    mind: tuple[str, ...]
    change: tuple[Fact, ...] = ()


def offer_view(
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    warranty: WarrantyTerms | None,
    limit: Amount | None = None,
) -> OfferView:
    """Return the few words of an offer.

    Args:
        quote: the revision.
        envelope: its state, its limit, and what it changes.
        scribe: writes in the revision's language.
        warranty: the shop's, where the quote has none of its own; None: not told.
        limit: the limit of a yes; None: the total.
    """
    owed = owed_without(quote)
    is_open = is_undecided(envelope)
    return OfferView(
        fault=_fault(quote, scribe),
        sure=_sure(quote, scribe),
        cure=_cure(quote, envelope, scribe),
        open=tuple(_open(quote, scribe)) if is_open else (),
        stake=tuple(_stake(quote, envelope, scribe, limit)),
        key=tuple(_key(quote, scribe)) if is_owed(envelope) else (),
        costs=tuple(
            _costs(quote, scribe, warranty, owed if is_open and envelope.change is None else None)
        )
        if is_owed(envelope)
        else (),
        owed=owed,
        mind=minds_of(quote),
        change=() if envelope.change is None else tuple(_change(envelope.change, scribe)),
    )


def minds_of(quote: Quote) -> tuple[str, ...]:
    """Return what the owner must mind until the faults of a quote are repaired."""
    return tuple(dict.fromkeys(fault.mind for fault in _repaired(quote) if fault.mind))


def owed_without(quote: Quote) -> Amount | None:
    """Return what is owed for finding the fault if the repair is not done, with tax; None if that
    is nothing.
    """
    fees = [line for line in quote.lines if any(why.code == "diagnostic-done" for why in line.why)]
    if not fees:
        return None
    owed = total([(line.gross or line.amount).money for line in fees], quote.shop.currency)
    if quote.comes_back is not None and _is_borne(quote, fees[0]):
        return None
    return amount_of(owed) if owed.minor else None


def is_unsettled(quote: Quote) -> bool:
    """Return whether it is not settled yet if the shop bears the work by its warranty."""
    return quote.comes_back is not None and quote.comes_back.state == "open"


def _is_borne(quote: Quote, line: Line) -> bool:
    """Return whether the shop bears some of a line by its warranty."""
    assert quote.comes_back is not None
    return any(quote.lines[one.line - 1] == line for one in quote.comes_back.lines)


def stops_of(quote: Quote) -> tuple[Amount, Amount] | None:
    """Return the two prices of stopping once the engine is apart, the dearest of each: put together
    again, and in boxes; None if nothing comes apart.
    """
    stops = quote.work_plan.stops
    if not stops:
        return None
    dearest = max(stops, key=lambda stop: stop.refitted.money.minor)
    boxed = max(stops, key=lambda stop: stop.in_boxes.money.minor)
    return dearest.refitted, boxed.in_boxes


def _repaired(quote: Quote) -> Sequence[Diagnosed | RankedFault]:
    """Return the faults that the quote repairs."""
    if quote.assessment is not None:
        if quote.basis != "repair":
            return ()
        return [fault for fault in quote.assessment.diagnoses if fault.is_quotable]
    return quote.diagnoses


def _fault(quote: Quote, scribe: Scribe) -> str:
    """Return what is wrong, in one sentence of plain words."""
    if quote.basis == "test":
        return scribe.say("We are not sure yet what is wrong. This offer is for finding out.")
    found = _repaired(quote)
    if not found:
        return scribe.say("This is the work that you asked for.")
    return max(found, key=lambda fault: _minutes(fault, quote)).plain


def _minutes(fault: Diagnosed | RankedFault, quote: Quote) -> int:
    """Return the minutes of the jobs that repair a fault; zero if they are not known."""
    if not isinstance(fault, RankedFault):
        return 0
    mending = {(job.job, job.cylinder) for job in fault.scopes.thorough + fault.scopes.least}
    return sum(job.minutes_here for job in quote.jobs if (job.job, job.cylinder) in mending)


def _sure(quote: Quote, scribe: Scribe) -> str:
    """Return what the faults are called if there are several, and how sure we are of them."""
    found = _repaired(quote)
    if not found:
        return ""
    called = ""
    if len({fault.plain for fault in found}) > 1:
        called = scribe.say("Found: {faults}.", faults=scribe.together(found))
    if quote.assessment is None:
        return called
    grades = {fault.grade for fault in quote.assessment.diagnoses if fault.is_quotable}
    if grades == {"confirmed"}:
        told = scribe.say("We are sure: a test shows it.")
    else:
        told = scribe.say("What we found points to it; opening it will tell.")
    return f"{called} {told}".lstrip()


def _cure(quote: Quote, envelope: Envelope, scribe: Scribe) -> str:
    say, work = scribe.say, scribe.together(quote.jobs)
    if envelope.state == "accepted" and not has_withdrawn(envelope):
        return say("Agreed work: {work}.", work=work)
    if is_undecided(envelope):
        return say("We would do: {work}.", work=work)
    return say("We had offered: {work}.", work=work)


def _open(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what has to be known before the offer is final."""
    say = scribe.say
    is_machine, is_serial = quote.chassis_question is not None, bool(quote.part_questions)
    if is_machine and is_serial:
        yield say(
            "Tell us the machine and the engine's serial number; until then, the dearest is priced."
        )
    elif is_machine:
        yield say("Tell us the machine; until then, the dearest is priced.")
    elif is_serial:
        yield say("Tell us the engine's serial number; until then, the dearest is priced.")
    if quote.totals.gross is None:
        yield say("You cannot accept this quote yet, because the tax is not known.")


def _stake(
    quote: Quote, envelope: Envelope, scribe: Scribe, limit: Amount | None
) -> Iterator[Fact]:
    say = scribe.say
    is_change = envelope.change is not None
    for row in () if is_change else summary_of(quote, scribe, is_owed=is_owed(envelope)):
        yield Fact(label=row.label, value=row.amount, is_sum=True)
    if is_owed(envelope):
        yield from _advance(quote, envelope, scribe)
        ready = ready_told(
            quote,
            scribe,
            change=envelope.change,
            is_open=is_undecided(envelope),
            right=envelope.withdrawal,
        )
        yield Fact(label=ready.label, value=ready.day, note=ready.condition)
    most = limit or (None if envelope.limit is None else amount_of(envelope.limit))
    most = most or quote.totals.gross
    if most is not None and is_owed(envelope) and not is_change:
        amount = scribe.amount(most)
        yield Fact(
            label=say("Your limit"),
            value=amount
            if envelope.limit_includes_tax
            else say("{amount} before tax", amount=amount),
            note=say("The bill cannot pass it without a new yes."),
        )


def _advance(quote: Quote, envelope: Envelope, scribe: Scribe) -> Iterator[Fact]:
    """Yield what was paid in advance, and what of the advance is still to be paid."""
    say, found, paid = scribe.say, balance_of(quote.totals), envelope.paid
    if paid is not None:
        yield Fact(label=say("Paid"), value=scribe.amount(paid))
    if found is None:
        return
    left = found.advance if paid is None else found.advance - paid
    if left.minor > 0:
        yield Fact(
            label=say("To pay first"),
            value=scribe.amount(left),
            note=say("before parts are ordered"),
        )


def is_of(jobs: Iterable[Named], quote: Quote) -> bool:
    """Return whether jobs are those of a quote."""
    mine = {(job.name, job.cylinder) for job in quote.jobs}
    return {(job.name, job.cylinder) for job in jobs} == mine


def _key(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what the bill may come to: as quoted, in nine of ten such repairs, and at its dearest;
    nothing if nothing that is listed costs more.
    """
    found, spread, say = quote.contingencies, quote.range, scribe.say
    if found is None or spread is None or spread.dearest_listed.money <= found.as_quoted.money:
        return
    quoted = scribe.amount(found.as_quoted)
    yield (
        say("Total now: {total}", total=quoted)
        if quote.is_added_to
        else say("As quoted: {total}", total=quoted)
    )
    if spread.p90.money > found.as_quoted.money:
        yield say("9 in 10 such repairs: below about {total}", total=scribe.about(spread.p90))
    yield say(
        "Dearest case we list: about {total}; others could cost more.",
        total=scribe.about(spread.dearest_listed),
    )


def _costs(
    quote: Quote, scribe: Scribe, warranty: WarrantyTerms | None, owed: Amount | None
) -> Iterator[Fact]:
    say = scribe.say
    if quote.comes_back is not None:
        yield Fact(label=say("Warranty"), value=_borne(quote, scribe))
    if owed is not None:
        yield Fact(label=say("Finding the fault"), value=_diagnosis(quote, owed, scribe))
    stops = stops_of(quote)
    if stops is not None:
        refitted, boxed = map(scribe.amount, stops)
        yield Fact(
            label=say("Stopping halfway"),
            value=say(
                "{refitted} put back together, {boxed} in pieces.",
                refitted=refitted,
                boxed=boxed,
            ),
        )
    left = [left_told(one, quote, scribe) for one in quote.courses if is_of(one.jobs, quote)]
    if any(left):
        yield Fact(label=say("Not done"), value=f"{left[0]}.")
    if quote.in_play and quote.basis != "test":
        names = scribe.together(one for each in quote.in_play for one in each.faults)
        yield Fact(label=say("Not covered"), value=say("If it is {faults}.", faults=names))
    terms = next((one.warranty for one in quote.courses if is_of(one.jobs, quote)), warranty)
    if terms is not None:
        yield Fact(label=say("Guarantee"), value=warranty_told(terms, scribe))


def _borne(quote: Quote, scribe: Scribe) -> str:
    """Return what the shop bears of a machine that came back, or why it bears nothing."""
    found = quote.comes_back
    assert found is not None
    if found.state == "borne":
        return scribe.say(
            "Free of charge under our warranty: {work}.", work=scribe.together(found.jobs)
        )
    return next(one.text for one in quote.notes if one.code == f"warranty-{found.ground}")


def _diagnosis(quote: Quote, owed: Amount, scribe: Scribe) -> str:
    """Return that the diagnosis is owed either way, and what a yes takes off."""
    say, currency = scribe.say, quote.shop.currency
    amount = scribe.amount(owed)
    if is_unsettled(quote):
        return say("{amount}; nothing if our warranty covers the cause.", amount=amount)
    credit = [line for line in quote.lines if line.code == "diagnostic-credit"]
    if not credit:
        return say("{amount}, owed either way; the total has it.", amount=amount)
    taken = -total([(one.gross or one.amount).money for one in credit], currency)
    if taken == owed.money:
        return say("{amount}, owed if you say no; a yes takes it off.", amount=amount)
    return say(
        "{amount}, owed if you say no; a yes takes {taken} off.",
        amount=amount,
        taken=scribe.amount(taken),
    )


def warranty_of(shop: Shop) -> WarrantyTerms:
    """Return the warranty of a shop."""
    terms = shop.quote.warranty
    return WarrantyTerms(
        labour_days=terms.labour_days,
        alternate_parts_days=terms.alternate_parts_days,
        maker_parts=terms.maker_parts,
    )


def _change(change: Change, scribe: Scribe) -> Iterator[Fact]:
    """Yield the agreed sum, the difference, why, the new sum and the new limit, in that order."""
    say, more = scribe.say, change.difference.money
    yield Fact(label=say("Agreed"), value=scribe.amount(change.was))
    if more.minor > 0:
        yield Fact(label=say("This adds"), value=scribe.amount(change.difference))
    elif more.minor < 0:
        yield Fact(label=say("This takes off"), value=scribe.amount(-change.difference))
    if change.by_prices is not None and change.by_prices.money.minor:
        moved = scribe.amount(change.by_prices)
        yield Fact(label=say("In this sum: prices changed since then"), value=moved)
    because = because_of(change, scribe)
    if because:
        yield Fact(label=say("Because"), value=because)
    yield Fact(label=say("New total"), value=scribe.amount(change.now), is_sum=True)
    yield Fact(
        label=say("New limit"),
        value=scribe.amount(change.limit),
        note=say("The bill cannot pass it without a new yes."),
    )
