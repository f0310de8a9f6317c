"""The bench sheet: removal and reassembly step by step, what to check, and blanks to fill in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Final

from msgspec import Struct, structs

from kitwright.documents.access_svg import Drawing, access_svg
from kitwright.documents.contact import Contact
from kitwright.documents.contingency_view import looked_for
from kitwright.documents.fonts import fonts
from kitwright.documents.frame import Sheet, frame, machine_rows, moment_of, text_lines
from kitwright.documents.hypertext import hypertext
from kitwright.documents.press import press
from kitwright.language.scribe import Scribe
from kitwright.quote import Caution, Envelope, Need, Quote, Reason
from kitwright.units import decimal_text

_BEFORE: Final = "stands-before"
"""The reason of a step that another one waits for."""


class Look(Struct, frozen=True, kw_only=True):
    """What the catalogue says of a component for whoever takes it off.

    `inspect` is to be looked at or photographed, `manual` names values of the maker's manual.
    """

    inspect: tuple[str, ...] = ()
    fasteners: str = ""
    tools: tuple[str, ...] = ()
    manual: tuple[str, ...] = ()


Looks = Mapping[str, Look]
"""Component, without cylinder -> what there is to say of it."""


def bench_sheet_pdf(
    paper: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact, looks: Looks
) -> bytes:
    """Return the bench sheet of a revision as PDF/UA-1. It holds no price and no customer."""
    drawing = access_svg(paper, scribe, fonts().printable)
    sheet = bench_sheet(paper, envelope, scribe, contact=contact, looks=looks, drawing=drawing)
    return press().print(
        "bench_sheet.typ",
        sheet,
        at=moment_of(paper, envelope),
        exact={"access": drawing.svg},
    )


def bench_sheet_html(
    paper: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact, looks: Looks
) -> str:
    """Return the bench sheet of a revision as a page, for a screen beside the bench."""
    drawing = access_svg(paper, scribe)
    sheet = bench_sheet(paper, envelope, scribe, contact=contact, looks=looks, drawing=drawing)
    return hypertext("bench_sheet.html", sheet, {"access": drawing.svg})


def bench_sheet(
    paper: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    contact: Contact,
    looks: Looks,
    drawing: Drawing,
) -> Sheet:
    """Return what both forms of the bench sheet show, in their order."""
    return {
        **frame(scribe.say("Bench sheet"), paper, envelope, scribe, contact),
        "words": _words(scribe),
        "machine": machine_rows(paper, envelope, scribe),
        "reported": text_lines(paper.complaint),
        "jobs": [
            {
                "name": scribe.on_cylinder(job.name, job.cylinder),
                "minutes": scribe.hours(job.minutes_here),
                "parts": _replaced(paper, scribe, "replaced-by-job", job.job, job.cylinder),
            }
            for job in paper.jobs
        ],
        "steps": _steps(paper, scribe, looks),
        "refit": [
            {
                "name": _step_name(one.component, one.cylinder, scribe, is_refit=True),
                "minutes": scribe.number(str(one.minutes + one.work_minutes)),
                "work": (
                    scribe.say(
                        "{minutes} min of it is bench work.",
                        minutes=scribe.number(str(one.work_minutes)),
                    )
                    if one.work_minutes
                    else ""
                ),
                "parts": _replaced(paper, scribe, "renewed-by-refit", one.component, one.cylinder),
            }
            for one in paper.access.refit
        ],
        "looked_for": [list(one) for one in looked_for(paper, scribe)],
        "used": _used(paper, scribe),
        "cautions": [[one.title, one.text] for one in _elsewhere(paper)],
        "drawing": drawing.told,
        "engine_out": scribe.say("The engine comes out of the machine.")
        if paper.access.engine_out
        else "",
    }


def _words(scribe: Scribe) -> dict[str, str]:
    say = scribe.say
    return {
        "manual": say("Torque, tightening sequence and clearances: see the manufacturer's manual."),
        "machine": say("Machine"),
        "reported": say("Reported by the customer"),
        "jobs": say("Jobs"),
        "job": say("Job"),
        "billed": say("Billed"),
        "clocked": say("Clocked, min"),
        "found": say("Found"),
        "plan": say("Removal order and dependencies"),
        "off": say("Removal, in this order"),
        "on": say("Reassembly, in this order"),
        "step": say("Step"),
        "minutes": say("Min"),
        "done": say("Done"),
        "renew": say("Replace:"),
        "look_for": say("Check for these while it is apart"),
        "ask": say(
            "If you find one, stop, photograph it and have it added to the quote before you go "
            "on. The quoted price does not cover it."
        ),
        "fault": say("Possible fault"),
        "number": say("No."),
        "turned_up": scribe.say_as("tick", "Found"),
        "used": say("Consumables"),
        "visit": say("Cautions for the entire visit"),
        "nothing": say("Nothing has to be removed."),
        "mechanic": say("Technician"),
        "date": say("Date"),
    }


def _steps(paper: Quote, scribe: Scribe, looks: Looks) -> list[Sheet]:
    """Return the removals; a caution is given in full at its first step, by name at later ones."""
    told_at: dict[str, int] = {}
    steps: list[Sheet] = []
    for number, step in enumerate(paper.access.remove, start=1):
        instance = _instance(step.component, step.cylinder)
        cautions = []
        for one in paper.cautions:
            if instance not in one.steps:
                continue
            first = told_at.setdefault(one.code, number)
            again = scribe.say("see step {number}.", number=scribe.number(str(first)))
            cautions.append([one.title, one.text if first == number else again])
        steps.append(
            {
                "number": scribe.number(str(number)),
                "name": _step_name(step.component, step.cylinder, scribe, is_refit=False),
                "minutes": scribe.number(str(step.minutes)),
                "why": " ".join(_why(step.why, scribe)),
                "looks": [*_told(looks.get(step.component, Look()), scribe)],
                "cautions": cautions,
            }
        )
    return steps


def _told(look: Look, scribe: Scribe) -> Iterator[str]:
    """Yield what there is to say of a component, a paragraph each."""
    fasteners = (look.fasteners,) if look.fasteners else ()
    for head, texts in (
        (scribe.say("Fasteners:"), [scribe.text("component", one) for one in fasteners]),
        (scribe.say("Special tools:"), [scribe.text("component", one) for one in look.tools]),
        (
            scribe.say("Check, photograph:"),
            [scribe.text("component", one) for one in look.inspect],
        ),
        (scribe.say("From the manufacturer's manual:"), [scribe.thing(one) for one in look.manual]),
    ):
        if texts:
            yield f"{head} {', '.join(texts)}"


def _why(why: Sequence[Reason], scribe: Scribe) -> Iterator[str]:
    """Yield why something is removed; all that it is removed before in one sentence."""
    yield from dict.fromkeys(one.text for one in why if one.code != _BEFORE)
    before = [scribe.thing(str(one.facts["component"])) for one in why if one.code == _BEFORE]
    if before:
        yield scribe.say("Removed before: {component}.", component="; ".join(before))


def _instance(component: str, cylinder: int | None) -> str:
    return component if cylinder is None else f"{component}@{cylinder}"


def _elsewhere(paper: Quote) -> list[Caution]:
    """Return the cautions that are also, or only, about something else than a removal."""
    removed = {_instance(step.component, step.cylinder) for step in paper.access.remove}
    return [one for one in paper.cautions if not removed.issuperset(one.steps)]


def _replaced(paper: Quote, scribe: Scribe, code: str, by: str, cylinder: int | None) -> list[str]:
    """Return the parts that a job or a refit replaces."""
    refit = _instance(by, cylinder)
    return [
        "; ".join(_parts(need, paper, scribe))
        for need in paper.kit.needs
        if any(
            why.code == code
            and (
                why.facts.get("component") == refit
                or (why.facts.get("job") == by and why.facts.get("cylinder") == cylinder)
            )
            for why in need.why
        )
    ]


def _step_name(component: str, cylinder: int | None, scribe: Scribe, *, is_refit: bool) -> str:
    told = scribe.step(component, cylinder, is_refit=is_refit)
    return told[:1].upper() + told[1:]


def _used(paper: Quote, scribe: Scribe) -> list[str]:
    """Return the consumables, each item once with its entire quantity."""
    items: dict[str, Need] = {}
    for need in paper.kit.needs:
        if need.kind != "used":
            continue
        known = items.get(need.part)
        quantity = Decimal(need.quantity) + (Decimal(known.quantity) if known else 0)
        items[need.part] = structs.replace(need, quantity=decimal_text(quantity, 6), cylinder=None)
    return [_part(need, scribe) for need in items.values()]


def _parts(need: Need, paper: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what is fitted for a need, by the number that is really taken. If that is not decided
    yet, say what decides: the engine's plate, or which machine the engine is in.
    """
    where = (need.role, need.cylinder)
    for question in paper.part_questions:
        if (question.role, question.cylinder) == where:
            yield scribe.say(
                "{quantity} {unit} {name}: not decided yet; read the engine's plate: {parts}",
                quantity=scribe.number(need.quantity),
                unit=scribe.unit(need.measure, need.quantity),
                name=scribe.thing(need.role, need.cylinder),
                parts=" / ".join(f"{one.name} ({one.id})" for one in question.options),
            )
            return
    machine = paper.chassis_question
    if machine and where in {(held.role, held.cylinder) for held in machine.held}:
        yield scribe.say(
            "{part}: not decided yet; not every machine needs it, so check which one it is: "
            "{machines}",
            part=_part(need, scribe),
            machines=" / ".join(one.name for one in machine.options),
        )
        return
    names = {line.code: line.description for line in paper.lines}
    left = Decimal(need.quantity)
    for cover in (cover for pack in paper.kit.packs for cover in pack.covers):
        is_other = cover.fitted not in (None, need.part)
        if is_other and (cover.role, cover.cylinder) == (need.role, need.cylinder):
            left -= Decimal(cover.quantity)
            number = str(cover.fitted)
            yield _part(
                structs.replace(
                    need,
                    part=number,
                    name=names.get(number, need.name),
                    quantity=cover.quantity,
                ),
                scribe,
            )
    if left:
        yield _part(structs.replace(need, quantity=decimal_text(left, 6)), scribe)


def _part(need: Need, scribe: Scribe) -> str:
    return scribe.say(
        "{quantity} {unit} {name} ({part})",
        quantity=scribe.number(need.quantity),
        unit=scribe.unit(need.measure, need.quantity),
        name=scribe.on_cylinder(need.name, need.cylinder),
        part=need.part,
    )
