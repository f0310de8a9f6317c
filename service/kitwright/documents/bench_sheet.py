"""The bench sheet: removal and reassembly step by step, what to check, and blanks to fill in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import Contact
from kitwright.documents.access_svg import Drawing, access_svg
from kitwright.documents.contingency_view import looked_for
from kitwright.documents.fonts import fonts
from kitwright.documents.frame import frame, machine_rows, moment_of, text_lines
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.web_page import sheet_page
from kitwright.language.scribe import Scribe
from kitwright.quote import Caution, Envelope, Need, Quote, Reason
from kitwright.units import decimal_text

_BEFORE: Final = "stands-before"
"""The reason of a step that another one waits for."""


class Look(Struct, frozen=True, kw_only=True):
    """The catalogue's notes on a component, for the technician who removes it.

    `inspect` lists the points to check and photograph, `tools` the special tools. `manual` lists
    the values to look up in the manufacturer's manual; the values themselves are not given.
    """

    inspect: tuple[str, ...] = ()
    fasteners: str = ""
    tools: tuple[str, ...] = ()
    manual: tuple[str, ...] = ()


Looks = Mapping[str, Look]
"""Id of a component, without cylinder -> its notes."""


def bench_sheet_pdf(
    quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact, looks: Looks
) -> bytes:
    """Return the bench sheet of a revision as PDF/UA-1. It shows no prices and no customer.

    Raises: NotPrintable.
    """
    drawing = access_svg(quote, scribe, fonts().printable)
    sheet = bench_sheet(quote, envelope, scribe, contact=contact, looks=looks, drawing=drawing)
    return press().print(
        "bench_sheet.typ",
        {**sheet, "said": said("bench_sheet.typ", scribe)},
        at=moment_of(quote, envelope),
        exact={"access": drawing.svg},
    )


def bench_sheet_html(
    quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact, looks: Looks
) -> str:
    """Return the bench sheet of a revision as an HTML document, for a screen at the bench."""
    drawing = access_svg(quote, scribe)
    sheet = bench_sheet(quote, envelope, scribe, contact=contact, looks=looks, drawing=drawing)
    return sheet_page("bench_sheet.html", scribe, sheet, access=drawing.svg)


def bench_sheet(
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    contact: Contact,
    looks: Looks,
    drawing: Drawing,
) -> Sheet:
    """Return the data of both forms of the bench sheet, in the order in which they show it.

    Times are in whole minutes, jobs in hours and minutes. `drawing` is the picture of the removals.
    """
    return {
        **frame(scribe.say("Bench sheet"), quote, envelope, scribe, contact),
        "found": scribe.say_as("tick", "Found"),
        "machine": machine_rows(quote, envelope, scribe),
        "reported": text_lines(quote.complaint),
        "jobs": [
            {
                "name": scribe.on_cylinder(job.name, job.cylinder),
                "minutes": scribe.hours(job.minutes_here),
                "parts": _replaced(quote, scribe, "replaced-by-job", job.job, job.cylinder),
            }
            for job in quote.jobs
        ],
        "steps": _steps(quote, scribe, looks),
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
                "parts": _replaced(quote, scribe, "renewed-by-refit", one.component, one.cylinder),
            }
            for one in quote.access.refit
        ],
        "looked_for": [list(one) for one in looked_for(quote, scribe)],
        "used": _used(quote, scribe),
        "cautions": [[one.title, one.text] for one in _elsewhere(quote)],
        "drawing": drawing.told,
        "engine_out": scribe.say("The engine comes out of the machine.")
        if quote.access.engine_out
        else "",
    }


def _steps(quote: Quote, scribe: Scribe, looks: Looks) -> list[Sheet]:
    """Return the removals; a caution is given in full at its first step, by name at later ones."""
    told_at: dict[str, int] = {}
    steps: list[Sheet] = []
    for number, step in enumerate(quote.access.remove, start=1):
        instance = _instance(step.component, step.cylinder)
        cautions = []
        for one in quote.cautions:
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
    """Yield the notes on a component, one paragraph for each kind."""
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
    """Yield the reasons of a removal; the components that need it first are one sentence."""
    yield from dict.fromkeys(one.text for one in why if one.code != _BEFORE)
    before = [scribe.thing(str(one.facts["component"])) for one in why if one.code == _BEFORE]
    if before:
        yield scribe.say("Removed before: {component}.", component="; ".join(before))


def _instance(component: str, cylinder: int | None) -> str:
    return component if cylinder is None else f"{component}@{cylinder}"


def _elsewhere(quote: Quote) -> list[Caution]:
    """Return the cautions about steps other than removals; some are about removals as well."""
    removed = {_instance(step.component, step.cylinder) for step in quote.access.remove}
    return [one for one in quote.cautions if not removed.issuperset(one.steps)]


def _replaced(quote: Quote, scribe: Scribe, code: str, by: str, cylinder: int | None) -> list[str]:
    """Return the parts that a job or a refit replaces."""
    refit = _instance(by, cylinder)
    return [
        "; ".join(_parts(need, quote, scribe))
        for need in quote.kit.needs
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


def _used(quote: Quote, scribe: Scribe) -> list[str]:
    """Return the consumables, each item once with its entire quantity."""
    items: dict[str, Need] = {}
    for need in quote.kit.needs:
        if need.kind != "used":
            continue
        known = items.get(need.part)
        quantity = Decimal(need.quantity) + (Decimal(known.quantity) if known else 0)
        items[need.part] = structs.replace(need, quantity=decimal_text(quantity, 6), cylinder=None)
    return [_part(need, scribe) for need in items.values()]


def _parts(need: Need, quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what is fitted for a need, by the number that is really taken. If that is not decided
    yet, say what decides: the engine's plate, or which machine the engine is in.
    """
    where = (need.role, need.cylinder)
    for question in quote.part_questions:
        if (question.role, question.cylinder) == where:
            yield scribe.say(
                "{quantity} {unit} {name}: not decided yet; read the engine's plate: {parts}",
                quantity=scribe.number(need.quantity),
                unit=scribe.unit(need.measure, need.quantity),
                name=scribe.thing(need.role, need.cylinder),
                parts=" / ".join(f"{one.name} ({one.id})" for one in question.options),
            )
            return
    machine = quote.chassis_question
    if machine and where in {(held.role, held.cylinder) for held in machine.held}:
        yield scribe.say(
            "{part}: not decided yet; not every machine needs it, so check which one it is: "
            "{machines}",
            part=_part(need, scribe),
            machines=" / ".join(one.name for one in machine.options),
        )
        return
    names = {line.code: line.description for line in quote.lines}
    left = Decimal(need.quantity)
    for cover in (cover for pack in quote.kit.packs for cover in pack.covers):
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
