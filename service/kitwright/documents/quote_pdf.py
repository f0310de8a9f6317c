"""A quote as a printed document, to be signed and taken home."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from kitwright.documents.balance_view import is_owed
from kitwright.documents.contact import Contact
from kitwright.documents.contingency_view import contingencies_of, sums_of
from kitwright.documents.frame import (
    Sheet,
    contact_lines,
    customer_lines,
    frame,
    machine_rows,
    moment_of,
    text_lines,
)
from kitwright.documents.leakage_svg import paper_zones
from kitwright.documents.press import press
from kitwright.documents.price_sheet import grouped_lines, total_rows
from kitwright.documents.quote_view import machines_of
from kitwright.documents.zones import scale_of, zone_told
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Assessment, Envelope, Extra, PossibleRepair, Quote


def quote_pdf(
    paper: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    contact: Contact,
    ceiling: Amount | None = None,
    ceiling_includes_tax: bool = True,
    link: str | None = None,
    zone: str = "UTC",
) -> bytes:
    """Return a revision as the customer is asked to agree to it, as PDF/UA-1.

    Args:
        paper: the revision's answer.
        envelope: whose it is, and where it stands.
        scribe: words in the answer's language.
        contact: how the shop is reached.
        ceiling: what the bill may come to without asking again; the total with tax if absent.
        ceiling_includes_tax: whether the ceiling is one with tax.
        link: where the customer can answer on line, an http or https address.
        zone: the shop's time zone, which the moment of an agreement is told in.
    """
    address = link if link and link.startswith(("https://", "http://")) else ""
    sheet = {
        **quote_sheet(
            paper,
            envelope,
            scribe,
            contact,
            ceiling,
            ceiling_includes_tax=ceiling_includes_tax,
        ),
        "agreed": _agreed(envelope, zone, scribe),
        "answer": _answer(contact, address, scribe) if _is_offer(paper, envelope) else [],
        "link": address,
    }
    return press().print("quote.typ", sheet, at=moment_of(paper, envelope), exact={"link": address})


def quote_sheet(
    paper: Quote,
    envelope: Envelope,
    scribe: Scribe,
    contact: Contact,
    ceiling: Amount | None,
    *,
    ceiling_includes_tax: bool = True,
) -> Sheet:
    """Return what the quote's template shows whatever became of the quote, in its order."""
    return {
        **frame(scribe.say("Quote"), paper, envelope, scribe, contact),
        "words": _words(scribe, paper),
        "dates": _dates(paper, envelope, scribe),
        "customer": customer_lines(envelope),
        "machine": machine_rows(paper, envelope, scribe),
        "reported": text_lines(paper.complaint),
        "found": [] if paper.assessment is None else _found(paper.assessment, scribe),
        **_readings(paper.assessment, scribe),
        "jobs": [
            [
                scribe.on_cylinder(job.name, job.cylinder),
                *dict.fromkeys(why.text for why in job.why),
            ]
            for job in paper.jobs
        ],
        "groups": grouped_lines(paper, scribe),
        "totals": list(total_rows(paper, scribe, is_owed=is_owed(envelope))),
        "notes": list(_notes(paper, scribe)),
        "questions": list(_questions(paper, scribe)),
        "after": [_after(one, scribe) for one in paper.in_play],
        "contingencies": [
            {
                "name": one.name,
                "under": one.under,
                "mark": one.mark,
                "why": one.plain,
                "price": one.amount,
            }
            for one in contingencies_of(paper, scribe)
        ],
        "sums": [[one.label, one.amount, one.weight == "most"] for one in sums_of(paper, scribe)],
        "extras": [_extra(one, scribe) for one in paper.extras],
        "limit": _limit(paper, ceiling, scribe, includes_tax=ceiling_includes_tax),
        "cautions": [[one.title, one.text] for one in paper.cautions],
        "seal": envelope.sha256 or "",
    }


def _questions(paper: Quote, scribe: Scribe) -> Iterator[list[str]]:
    """Yield what is asked and what is priced meanwhile, for each question."""
    priced, may_be = machines_of(paper.chassis_question)
    if may_be:
        told = scribe.say(
            "Which of these is it: {machines}? {priced} is priced, the dearest; parts that not all "
            "of them call for are not ordered until that is known.",
            machines=", ".join(may_be),
            priced=priced,
        )
        yield [scribe.say("Machine"), told]
    for one in paper.part_questions:
        told = scribe.say(
            "Which of these fits: {parts}? {priced} is priced, the dearest; none is "
            "ordered until the plate has been read.",
            parts=", ".join(one.parts),
            priced=one.priced,
        )
        yield [scribe.thing(one.role, one.cylinder), told]


def _parts_by(paper: Quote, scribe: Scribe) -> str:
    if paper.parts_by is None:
        return ""
    by, on = scribe.day(paper.parts_by), scribe.day(paper.on)
    return scribe.say("{day}, if ordered on {on}", day=by, on=on)


def _provisional(paper: Quote, scribe: Scribe) -> str:
    if paper.chassis_question is None:
        return scribe.say("Provisional: the serial number is needed")
    if not paper.part_questions:
        return scribe.say("Provisional: which machine it is has to be known")
    return scribe.say("Provisional: the serial number is needed, and which machine it is")


def _is_offer(paper: Quote, envelope: Envelope) -> bool:
    """Return whether the customer can say yes to it: it is issued, and its total is known."""
    return envelope.state == "issued" and paper.totals.payable is not None


def _agreed(envelope: Envelope, zone: str, scribe: Scribe) -> str:
    if envelope.agreed_at is None:
        return ""
    return scribe.say("Agreed on {moment}.", moment=scribe.moment(envelope.agreed_at, zone))


def _words(scribe: Scribe, paper: Quote) -> dict[str, str]:
    say = scribe.say
    return {
        "for": say("For"),
        "machine": say("Machine"),
        "reported": say("What you reported"),
        "found": say("What was found, and how sure it is"),
        "readings": say("Leak-down readings: air lost, in per cent"),
        "fault": say("Fault"),
        "sure": say("How sure"),
        "work": say("Work"),
        "price": say("Price"),
        "item": say("What"),
        "quantity": say("Quantity"),
        "each": say("Unit price"),
        "amount": say("Amount, {currency}", currency=paper.shop.currency),
        "provisional": _provisional(paper, scribe),
        **_after_words(scribe, paper),
        "surprises": say("What may turn up"),
        "apart": say(
            "Some things show only once the engine is apart. Each price is what that one "
            "would add to this quote, with all its work and parts; several together need "
            "not come to their sum, as they share work. None of it is done beyond what you "
            "agree to."
        ),
        "surprise": say("What"),
        "unlisted": " ".join(
            (
                say(
                    "The last figure is not a limit: the only limit is the amount that you "
                    "agree to."
                ),
                say("Anything that is not in this list needs your yes as well."),
            )
        ),
        "extras": say("Worth doing at the same time"),
        "extra": say("Work"),
        "more": say("Would add"),
        "minutes": say("Time"),
        "cautions": say("Cautions"),
        "manual": say("The maker's manual and local rules come first."),
        "answer": say("Your answer"),
        "yes": say("Yes, given in person"),
        "agree": say("I ask for the work above at the prices above, and no more."),
        "name": say("Name"),
        "date": say("Date"),
        "sign": say("Signature"),
        "upto": say("I agree in advance up to (leave empty for the total above)"),
        "seal": say("Fingerprint of this revision (SHA-256)"),
    }


def _dates(paper: Quote, envelope: Envelope, scribe: Scribe) -> list[list[str]]:
    say, day = scribe.say, scribe.day
    rows = [
        (say("Quote"), envelope.quote_id),
        (say("Revision"), scribe.number(str(envelope.revision))),
        (say("Date"), day(paper.on)),
        (say("Valid until"), day(paper.valid_until)),
        (say("Parts there by"), _parts_by(paper, scribe)),
    ]
    return [[name, value] for name, value in rows if value]


def _found(assessment: Assessment, scribe: Scribe) -> list[Sheet]:
    return [
        {
            "fault": scribe.on_cylinder(one.name, one.cylinder),
            "plain": one.plain,
            "checks": [
                f"{scribe.say('Still to be checked:')} {check.plain}" for check in one.to_check
            ],
            "grade": scribe.say("in play") if one.grade is None else scribe.thing(one.grade),
            "percent": scribe.percent(_hundredfold(one.probability)),
            "share": float(min(max(Decimal(one.probability), Decimal(0)), Decimal(1))),
        }
        for one in assessment.diagnoses
    ]


def _readings(assessment: Assessment | None, scribe: Scribe) -> Sheet:
    """Return a bar for each cylinder that has a figure, and the zones that lie behind the bars,
    with their lines of the key. Places are shares of a bar's greatest width.
    """
    zones = paper_zones(() if assessment is None else assessment.leakage_bands)
    rows = [
        (one, Decimal(one.whole_percent))
        for one in (() if assessment is None else assessment.leakage)
        if one.whole_percent is not None
    ]
    most = scale_of((percent for _, percent in rows), zones)
    standings = {
        "indicative": scribe.say("a rough reading only"),
        "void": scribe.say("does not count"),
    }
    return {
        "readings": [
            {
                "place": scribe.say("Cylinder {cylinder}", cylinder=one.cylinder),
                "percent": scribe.percent(str(percent)),
                "share": float(min(max(percent, Decimal(0)), most) / most),
                "band": "; ".join(filter(None, (one.words, standings.get(one.standing)))),
            }
            for one, percent in rows
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


def _hundredfold(share: str) -> str:
    return str((Decimal(share) * 100).quantize(Decimal(1)))


def _notes(paper: Quote, scribe: Scribe) -> Iterator[str]:
    say = scribe.say
    if paper.shop.prices_include_tax:
        yield say("The amounts of the lines include tax.")
    if paper.exemption is not None:
        yield say(
            "Exempt from tax by certificate {number}, valid until {day}.",
            number=paper.exemption.certificate_number,
            day=scribe.day(paper.exemption.valid_until),
        )
    if paper.tax_state == "unknown":
        yield say("The tax is not known yet: this is not an offer to agree to.")
    yield from (note.text for note in paper.notes)


def _after_words(scribe: Scribe, paper: Quote) -> dict[str, str]:
    say = scribe.say
    words = {"should": say("Should it be"), "repair": say("Repair")}
    if paper.basis == "test":
        return {
            **words,
            "after": say("What a repair would come to afterwards"),
            "depends": say(
                "It depends on what the test finds. None of this is ordered or done before you "
                "say yes to it."
            ),
        }
    return {
        **words,
        "after": say("What else it may be"),
        "depends": say(
            "These fit what was found as well, and this quote does not repair them. Should one of "
            "them be the trouble, it needs a repair of its own: each price is that of a visit for "
            "it alone."
        ),
    }


def _after(one: PossibleRepair, scribe: Scribe) -> Sheet:
    return {
        "name": "; ".join(scribe.on_cylinder(each.name, each.cylinder) for each in one.faults),
        "jobs": "; ".join(scribe.on_cylinder(each.name, each.cylinder) for each in one.jobs),
        "price": scribe.money(one.price.amount, one.price.currency),
    }


def _extra(extra: Extra, scribe: Scribe) -> Sheet:
    return {
        "name": scribe.on_cylinders(extra.name, extra.cylinders),
        "default": (
            scribe.say("recommended") if extra.default == "recommend" else scribe.say("on offer")
        ),
        "why": " ".join(dict.fromkeys(why.text for why in extra.why)),
        "price": scribe.money(extra.price.amount, extra.price.currency),
        "minutes": scribe.hours(extra.minutes),
    }


def _limit(paper: Quote, ceiling: Amount | None, scribe: Scribe, *, includes_tax: bool) -> str:
    """Return how far the bill may go, and that what may turn up waits for a yes."""
    say = scribe.say
    waits = paper.extras or paper.may_turn_up
    told = [say("None of this is done beyond what you agree to.")] if waits else []
    most = ceiling or paper.totals.gross
    if most is not None:
        amount = scribe.money(most.amount, most.currency)
        told.append(
            say("The bill does not pass {most} unless you agree again.", most=amount)
            if includes_tax
            else say(
                "The bill does not pass {most} without tax unless you agree again.", most=amount
            )
        )
    return " ".join(told)


def _answer(contact: Contact, link: str, scribe: Scribe) -> list[str]:
    say = scribe.say
    reached = ", ".join(contact_lines(Contact(telephone=contact.telephone, e_mail=contact.e_mail)))
    told = [say("Yes: sign below, or tell us. Nothing is begun before.")]
    if link:
        told = [say("Yes: sign below, tell us, or answer at the address below.")]
    told.append(say("No: tell us, so that we can hand your machine back."))
    told.append(
        say("A question: ask us at {reached}.", reached=reached)
        if reached
        else say("A question: ask us; nothing is begun before it is answered.")
    )
    return told
