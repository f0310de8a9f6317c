"""A quote as a printed document, to be signed and taken home."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from kitwright.documents.balance_view import exemption_told, is_owed
from kitwright.documents.basis_words import basis_told
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
from kitwright.documents.price_sheet import grouped_lines
from kitwright.documents.quote_view import machines_of
from kitwright.documents.totals_view import totals_of
from kitwright.documents.zones import scale_of, zone_told
from kitwright.language.scribe import Scribe
from kitwright.quote import (
    Amount,
    Assessment,
    Envelope,
    Extra,
    PossibleRepair,
    Quote,
    customers_reasons,
)


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
    """Return a revision as the customer is asked to accept it, as PDF/UA-1.

    Args:
        paper: the revision's answer.
        envelope: whose it is, and its state.
        scribe: words in the answer's language.
        contact: how the shop is reached.
        ceiling: the limit of the bill; the total including tax if absent.
        ceiling_includes_tax: whether the ceiling is one with tax.
        link: where the customer can answer on line, an http or https address.
        zone: the shop's time zone, which the time of an acceptance is given in.
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
        "basis": basis_told(paper, scribe),
        "jobs": [
            [
                scribe.on_cylinder(job.name, job.cylinder),
                *dict.fromkeys(why.text for why in customers_reasons(job.why)),
            ]
            for job in paper.jobs
        ],
        "groups": grouped_lines(paper, scribe),
        "totals": [
            [row.label, row.amount, row.weight]
            for row in totals_of(paper, scribe, is_owed=is_owed(envelope))
        ],
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
        "sums": [[one.label, one.amount, one.weight] for one in sums_of(paper, scribe)],
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
            "The engine is in one of these: {machines}. The price is for the most expensive, "
            "{priced}. We will not order parts that only some of them need until we know which it "
            "is.",
            machines="; ".join(may_be),
            priced=priced,
        )
        yield [scribe.say("Machine"), told]
    for one in paper.part_questions:
        told = scribe.say(
            "One of these fits: {parts}. The price includes the most expensive, {priced}; none is "
            "ordered until the engine's plate has been read.",
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
        return scribe.say("Provisional: we need the serial number")
    if not paper.part_questions:
        return scribe.say("Provisional: we need to know the machine")
    return scribe.say("Provisional: we need the serial number, and to know the machine")


def _is_offer(paper: Quote, envelope: Envelope) -> bool:
    """Return whether the customer can accept it: it is issued, and its total is known."""
    return envelope.state == "issued" and paper.totals.payable is not None


def _agreed(envelope: Envelope, zone: str, scribe: Scribe) -> str:
    if envelope.agreed_at is None:
        return ""
    return scribe.say("Accepted on {moment}.", moment=scribe.moment(envelope.agreed_at, zone))


def _words(scribe: Scribe, paper: Quote) -> dict[str, str]:
    say = scribe.say
    return {
        "for": say("Customer"),
        "machine": say("Machine"),
        "reported": say("What you reported"),
        "found": say("What we found, and how certain we are"),
        "readings": say("Leak-down readings: air lost, in per cent"),
        "fault": say("Cause"),
        "sure": say("How certain"),
        "work": say("Work"),
        "price": say("Price"),
        "item": say("Description"),
        "quantity": say("Quantity"),
        "each": say("Unit price"),
        "amount": say("Amount, {currency}", currency=paper.shop.currency),
        "provisional": _provisional(paper, scribe),
        **_after_words(scribe, paper),
        "surprises": say("What we may find"),
        "apart": say(
            "Some faults can be seen only once the engine is apart. Each price is what that item "
            "alone would add to this quote, parts and labour included. The total for several "
            "items can differ from the sum of their prices, because they share work. We will do "
            "none of it unless you agree."
        ),
        "surprise": say("Description"),
        "unlisted": " ".join(
            (
                say(
                    "The last amount is not a limit: the only limit is the amount that you "
                    "agree to."
                ),
                say("Work that is not on this list needs your agreement as well."),
            )
        ),
        "extras": say("Worth doing at the same time"),
        "extra": say("Work"),
        "more": say("Added cost"),
        "minutes": say("Time"),
        "cautions": say("Cautions"),
        "manual": say("The manufacturer's manual and local regulations take precedence."),
        "answer": say("Your answer"),
        "yes": say("Acceptance in person"),
        "agree": say("I authorise the work listed above at the prices shown, and nothing further."),
        "name": say("Name"),
        "date": say("Date"),
        "sign": say("Signature"),
        "upto": say(
            "Do not exceed this amount without asking me (leave blank for the total above)"
        ),
        "seal": say("Fingerprint of this revision (SHA-256)"),
    }


def _dates(paper: Quote, envelope: Envelope, scribe: Scribe) -> list[list[str]]:
    say, day = scribe.say, scribe.day
    rows = [
        (say("Quote"), envelope.quote_id),
        (say("Revision"), scribe.number(str(envelope.revision))),
        (say("Date"), day(paper.on)),
        (say("Valid until"), day(paper.valid_until)),
        (say("Parts expected by"), _parts_by(paper, scribe)),
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
            "grade": scribe.say("still possible") if one.grade is None else scribe.thing(one.grade),
            "percent": scribe.percent(_hundredfold(one.probability)),
            "share": float(min(max(Decimal(one.probability), Decimal(0)), Decimal(1))),
        }
        for one in assessment.diagnoses
    ]


def _readings(assessment: Assessment | None, scribe: Scribe) -> Sheet:
    """Return a bar for each cylinder that has a reading, and the zones behind the bars,
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
        yield say("Line amounts include tax.")
    if paper.exemption is not None:
        yield exemption_told(paper.exemption, scribe)
    if paper.tax_state == "unknown":
        yield say("You cannot accept this quote yet, because the tax is not known.")
    yield from (note.text for note in paper.notes)


def _after_words(scribe: Scribe, paper: Quote) -> dict[str, str]:
    say = scribe.say
    words = {"should": say("If the cause is"), "repair": say("Repair")}
    if paper.basis == "test":
        return {
            **words,
            "after": say("What a repair would cost afterwards"),
            "depends": say(
                "This depends on the test result. We will not order or do any of it before you "
                "accept it."
            ),
        }
    return {
        **words,
        "after": say("What else it may be"),
        "depends": say(
            "These faults would also explain what we found, but this quote does not cover them. "
            "If one of them is the cause, it will need its own repair. Each price is for a "
            "separate visit for that repair alone."
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
            scribe.say("recommended") if extra.default == "recommend" else scribe.say("optional")
        ),
        "why": " ".join(dict.fromkeys(why.text for why in extra.why)),
        "price": scribe.money(extra.price.amount, extra.price.currency),
        "minutes": scribe.hours(extra.minutes),
    }


def _limit(paper: Quote, ceiling: Amount | None, scribe: Scribe, *, includes_tax: bool) -> str:
    """Return the limit of the bill, and that all further work waits for the customer."""
    say = scribe.say
    waits = paper.extras or paper.may_turn_up
    told = (
        [say("We will do none of the additional work listed above unless you agree.")]
        if waits
        else []
    )
    most = ceiling or paper.totals.gross
    if most is not None:
        amount = scribe.money(most.amount, most.currency)
        told.append(
            say("The bill will not exceed {most} unless you agree to a higher amount.", most=amount)
            if includes_tax
            else say(
                "The bill will not exceed {most} before tax unless you agree to a higher amount.",
                most=amount,
            )
        )
    return " ".join(told)


def _answer(contact: Contact, link: str, scribe: Scribe) -> list[str]:
    say = scribe.say
    reached = ", ".join(contact_lines(Contact(telephone=contact.telephone, email=contact.email)))
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
