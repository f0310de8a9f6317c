"""Quote PDF: a quote as a printed document, which the customer can sign and take home."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from msgspec import structs

from kitwright.catalogue.model import Contact
from kitwright.documents.after_words import settled_told
from kitwright.documents.balance_view import exemption_told, is_owed, is_undecided
from kitwright.documents.basis_words import basis_told
from kitwright.documents.change_view import change_rows, found_of, still_holds
from kitwright.documents.contingency_view import contingencies_of, sums_of
from kitwright.documents.courses_view import advice_of, courses_of, ways_of
from kitwright.documents.difference_words import difference_told
from kitwright.documents.fleet_words import fleet_told
from kitwright.documents.frame import (
    customer_lines,
    frame,
    machine_rows,
    moment_of,
    reach_lines,
    reasons,
    text_lines,
)
from kitwright.documents.line_words import (
    GOODS,
    customer_text,
    grouped,
    makes_of,
    price_of,
    quantity_of,
    reason_of,
)
from kitwright.documents.offer_view import Fact, offer_view
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.question_words import machines_of
from kitwright.documents.range_svg import key_told, range_svg
from kitwright.documents.reading_strips import stored_zones
from kitwright.documents.ready_words import ready_on
from kitwright.documents.totals_view import totals_of
from kitwright.documents.withdrawal_words import withdrawal_told
from kitwright.documents.zones import scale_of, zone_told
from kitwright.language.scribe import Scribe
from kitwright.quote import (
    Assessment,
    Envelope,
    Extra,
    Line,
    PossibleRepair,
    Quote,
    RankedFault,
    WarrantyTerms,
    customers_reasons,
)

_FOR_THE_SHOP: Final = frozenset(
    {
        "discount-of-line",
        "discount-of-quote",
        "floor-changed",
        "free-line",
        "freight-of-later-orders",
        "freight-of-orders",
        "freight-of-orders-before",
        "minutes-overridden",
        "percent-of-line",
        "percent-of-quote",
        "price-overridden",
    }
)
"""Reasons that name the shop's suppliers, or that the shop wrote for itself."""


def quote_pdf(
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    contact: Contact,
    link: str | None = None,
    zone: str = "UTC",
    warranty: WarrantyTerms | None = None,
) -> bytes:
    """Return a revision as PDF/UA-1, for its customer to accept.

    Args:
        quote: the revision.
        envelope: its customer, its state, and the authorised total, if there is one.
        scribe: writes in the revision's language.
        contact: how the shop is reached.
        link: the http or https address where the customer can answer online.
        zone: the shop's time zone, for the time of an acceptance.
        warranty: the shop's, for a quote without courses; None: not told.
    """
    address = link if link and link.startswith(("https://", "http://")) else ""
    # the customer can accept it if it is issued and its total is known
    is_offer = envelope.state == "issued" and quote.totals.payable is not None
    picture = range_svg(quote, scribe)
    sheet = {
        **quote_sheet(quote, envelope, scribe, contact, warranty),
        "range": "" if picture is None else picture.told,
        "range_key": "" if picture is None else key_told(scribe),
        "agreed": _decided(quote, envelope, zone, scribe),
        "answer": _answer(contact, address, envelope, scribe) if is_offer else [],
        "link": address,
    }
    exact = {"link": address, "range": "" if picture is None else picture.svg}
    return press().print("quote.typ", sheet, at=moment_of(quote, envelope), exact=exact)


def quote_sheet(
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    contact: Contact,
    warranty: WarrantyTerms | None,
) -> Sheet:
    """Return the data of the quote's template, apart from the answer, in the template's order."""
    say, offer = scribe.say, offer_view(quote, envelope, scribe, warranty=warranty)
    return {
        **frame(say("Quote"), quote, envelope, scribe, contact),
        "said": said("quote.typ", scribe),
        "currency": quote.shop.currency,
        "is_test": quote.basis == "test",
        "dates": _dates(quote, envelope, scribe),
        "customer": customer_lines(envelope),
        "machine": machine_rows(quote, envelope, scribe),
        "changed_by": [
            {"what": one.what, "why": one.why, "measured": one.measured}
            for one in found_of(quote, scribe)
        ],
        "change_sums": []
        if offer.change
        else change_rows(quote, scribe, is_agreed=envelope.limit is not None),
        "reported": text_lines(quote.complaint),
        **_findings(quote.assessment, scribe),
        "basis": basis_told(quote, scribe),
        "jobs": [
            [scribe.named(job), *dict.fromkeys(why.text for why in customers_reasons(job.why))]
            for job in quote.jobs
        ],
        "groups": [
            {"name": heading, "lines": [_line(line, scribe) for line in lines]}
            for heading, lines in grouped(quote, scribe)
        ],
        "reasons": _line_reasons(quote, scribe),
        "totals": totals_of(quote, scribe, is_owed=is_owed(envelope)),
        "notes": list(_notes(quote, envelope, scribe)),
        "provisional": _provisional(quote, scribe),
        "questions": list(_questions(quote, scribe)),
        "after": [_repair(repair, scribe) for repair in quote.in_play],
        "contingencies": contingencies_of(quote, scribe),
        "sums": sums_of(quote, scribe),
        "courses": [
            {"name": row.name, "total": row.total, "facts": list(row.facts)}
            for row in courses_of(quote, scribe, envelope.withdrawal)
        ],
        "ways": [{"name": row.name, "total": row.total} for row in ways_of(quote, scribe)],
        "advice": list(advice_of(quote, scribe)),
        "extras": [_extra(extra, scribe) for extra in quote.extras],
        "limit": _limit(quote, envelope, scribe),
        "fault": offer.fault,
        "cure": f"{offer.sure} {offer.cure}".strip(),
        "change": [_fact(fact) for fact in offer.change],
        "stake": [_fact(fact) for fact in offer.stake],
        "decide": [_fact(fact) for fact in offer.costs],
        "mind": list(offer.mind),
        "seal": envelope.sha256 or "",
        "withdrawal": _withdrawal(quote, envelope, scribe, contact),
    }


def _withdrawal(quote: Quote, envelope: Envelope, scribe: Scribe, contact: Contact) -> Sheet:
    told = withdrawal_told(envelope, quote.shop, contact, scribe)
    if told is None:
        return {"heading": ""}
    return {
        "heading": told.heading,
        "notice": list(told.notice),
        "form_heading": told.form_heading,
        "form": list(told.form),
    }


def _fact(fact: Fact) -> tuple[str, str]:
    return fact.label, fact.whole


def _dates(quote: Quote, envelope: Envelope, scribe: Scribe) -> list[tuple[str, str]]:
    say, day = scribe.say, scribe.day
    rows = [
        (say("Quote"), envelope.quote_id),
        (say("Revision"), scribe.number(str(envelope.revision))),
        (say("Date"), day(quote.on)),
    ]
    if is_undecided(envelope):
        rows.append((say("Valid until"), day(quote.valid_until)))
    # the day on which it is ready says more
    if not is_owed(envelope):
        return rows
    if quote.parts_by is not None and ready_on(quote) is None:
        expected = say("{day}, if ordered on {on}", day=day(quote.parts_by), on=day(quote.on))
        rows.append((say("Parts expected by"), expected))
    elif quote.unfilled:
        rows.append((say("Parts expected by"), say("not known: not all parts are available")))
    return [(name, value) for name, value in rows if value]


def _findings(assessment: Assessment | None, scribe: Scribe) -> Sheet:
    """Return the faults, the bar of each cylinder with a reading, and the zones behind the bars.

    Positions and widths are shares of the widest bar, from 0 to 1.
    """
    if assessment is None:
        return {"found": [], "readings": [], "zones": []}
    zones = stored_zones(assessment.leakage_bands)
    rows = [
        (cylinder, Decimal(cylinder.whole_percent))
        for cylinder in assessment.leakage
        if cylinder.whole_percent is not None
    ]
    most = scale_of((percent for _, percent in rows), zones)
    standings = {
        "indicative": scribe.say("a rough reading only"),
        "void": scribe.say("does not count"),
    }
    return {
        "found": [_fault(fault, scribe) for fault in assessment.diagnoses],
        "readings": [
            {
                "place": scribe.say("Cylinder {cylinder}", cylinder=cylinder.cylinder),
                "percent": scribe.percent(str(percent)),
                "share": float(min(max(percent, Decimal(0)), most) / most),
                "band": "; ".join(filter(None, (cylinder.words, standings.get(cylinder.standing)))),
            }
            for cylinder, percent in rows
        ],
        "zones": [
            {
                "verdict": zone.verdict,
                "start": float(start / most),
                "width": float((end - start) / most),
                "told": zone_told(zone, scribe),
            }
            for zone in zones
            for start, end in [zone.within(most) or (most, most)]
        ],
    }


def _fault(fault: RankedFault, scribe: Scribe) -> Sheet:
    percent = (Decimal(fault.probability) * 100).quantize(Decimal(1))
    return {
        "fault": scribe.named(fault),
        "plain": fault.plain,
        "checks": [
            f"{scribe.say('Still to be checked:')} {check.plain}" for check in fault.to_check
        ],
        "grade": scribe.say("still possible") if fault.grade is None else scribe.thing(fault.grade),
        "percent": scribe.percent(str(percent)),
        "share": float(min(max(Decimal(fault.probability), Decimal(0)), Decimal(1))),
    }


def _line_reasons(quote: Quote, scribe: Scribe) -> list[Sheet]:
    """Return each reason for a line once, with the names of the lines that it is given for."""
    named: dict[str, list[str]] = {}
    for _, lines in grouped(quote, scribe):
        for line in lines:
            why = _why(line, scribe)
            if why and line.description not in named.setdefault(why, []):
                named[why].append(line.description)
    return [{"names": names, "why": why} for why, names in named.items()]


def _why(line: Line, scribe: Scribe) -> str:
    why = [
        structs.replace(reason, text=customer_text(reason, scribe))
        for reason in line.why
        if reason.code not in _FOR_THE_SHOP
    ]
    return reason_of(line, scribe) or " ".join(reasons(why))


def _line(line: Line, scribe: Scribe) -> Sheet:
    is_discount = line.kind == "discount"
    return {
        "name": line.description,
        "code": line.code if line.kind in GOODS and not line.is_added else "",
        "make": makes_of(line, scribe),
        "quantity": "" if is_discount else quantity_of(line, scribe),
        "each": "" if is_discount else price_of(line, scribe),
        "amount": scribe.amount(line.amount),
    }


def _notes(quote: Quote, envelope: Envelope, scribe: Scribe) -> Iterator[str]:
    say = scribe.say
    if quote.shop.prices_include_tax:
        yield say("Line amounts include tax.")
    if quote.exemption is not None:
        yield exemption_told(quote.exemption, scribe)
    if quote.tax_state == "unknown":
        yield say("You cannot accept this quote yet, because the tax is not known.")
    yield from (note.text for note in quote.notes)
    if envelope.fleet is not None:
        yield fleet_told(envelope, scribe)


def _provisional(quote: Quote, scribe: Scribe) -> str:
    """Return what we have to know before the quote can be final."""
    if quote.chassis_question is None:
        return scribe.say("Provisional: we need the serial number")
    if not quote.part_questions:
        return scribe.say("Provisional: we need to know the machine")
    return scribe.say("Provisional: we need the serial number, and to know the machine")


def _questions(quote: Quote, scribe: Scribe) -> Iterator[tuple[str, str]]:
    """Yield each question, and what is priced until it is answered."""
    priced, may_be = machines_of(quote.chassis_question)
    if may_be:
        text = scribe.say(
            "The engine is in one of these: {machines}. The price is for the most expensive, "
            "{priced}. We will not order parts that only some of them need until we know which it "
            "is.",
            machines="; ".join(may_be),
            priced=priced,
        )
        yield scribe.say("Machine"), text
    for question in quote.part_questions:
        text = scribe.say(
            "One of these fits: {parts}. The price includes the most expensive, {priced}; none is "
            "ordered until the engine's plate has been read.",
            parts=", ".join(question.parts),
            priced=question.priced,
        )
        yield scribe.thing(question.role, question.cylinder), text


def _repair(repair: PossibleRepair, scribe: Scribe) -> Sheet:
    return {
        "name": scribe.listed(repair.faults),
        "jobs": scribe.listed(repair.jobs),
        "price": scribe.amount(repair.price),
    }


def _extra(extra: Extra, scribe: Scribe) -> Sheet:
    return {
        "name": scribe.on_cylinders(extra.name, extra.cylinders),
        "default": (
            scribe.say("recommended") if extra.default == "recommend" else scribe.say("optional")
        ),
        "why": " ".join(dict.fromkeys(why.text for why in extra.why)),
        "price": difference_told(extra.price, scribe),
        "minutes": scribe.hours(extra.minutes),
    }


def _limit(quote: Quote, envelope: Envelope, scribe: Scribe) -> str:
    """Return the limit of the bill, and that additional work needs the customer's agreement."""
    say = scribe.say
    sentences: list[str] = []
    if not is_owed(envelope):
        return ""
    if quote.extras or quote.may_turn_up:
        sentences.append(
            say("We will do none of the additional work listed above unless you agree.")
        )
    limit = envelope.limit or quote.totals.gross
    if limit is not None:
        most = scribe.amount(limit)
        sentences.append(
            say("The bill will not exceed {most} unless you agree to a higher amount.", most=most)
            if envelope.limit_includes_tax
            else say(
                "The bill will not exceed {most} before tax unless you agree to a higher amount.",
                most=most,
            )
        )
    return " ".join(sentences)


def _decided(quote: Quote, envelope: Envelope, zone: str, scribe: Scribe) -> str:
    """Return when it was accepted, or that it was not, and what is owed then."""
    right = envelope.withdrawal
    if right is not None and right.withdrawn_at is not None:
        moment = scribe.moment(right.withdrawn_at, zone)
        told = scribe.say("You withdrew from the contract on {moment}.", moment=moment)
        return f"{told} {settled_told(quote, envelope, scribe)}"
    if envelope.state == "declined":
        told = scribe.say("You declined this quote.")
        return f"{told} {settled_told(quote, envelope, scribe)}"
    if envelope.agreed_at is None:
        return ""
    return scribe.say("Accepted on {moment}.", moment=scribe.moment(envelope.agreed_at, zone))


def _answer(contact: Contact, link: str, envelope: Envelope, scribe: Scribe) -> list[str]:
    say = scribe.say
    reached = ", ".join(reach_lines(contact))
    if envelope.change is not None and envelope.holds is not None:
        return [
            say("To accept, sign below, tell us, or answer at the address below.")
            if link
            else say("To accept, sign below or tell us."),
            say("To say no, tell us."),
            still_holds(envelope.holds, scribe),
        ]
    return [
        say(
            "To accept, sign below, tell us, or answer at the address below. We will not start "
            "any work before that."
        )
        if link
        else say("To accept, sign below or tell us. We will not start any work before that."),
        say("To decline, tell us, so that we can return your machine."),
        say("If you have a question, you can reach us at {reached}.", reached=reached)
        if reached
        else say(
            "If you have a question, ask us. We will not start any work before it is answered."
        ),
    ]
