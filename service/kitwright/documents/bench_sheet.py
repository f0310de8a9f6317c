"""The bench sheet: the steps of a visit by place and cylinder, to tick off, with blanks to fill."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final

from kitwright.catalogue.model import Contact
from kitwright.documents.access_svg import Drawing, access_svg
from kitwright.documents.fonts import fonts
from kitwright.documents.frame import frame, machine_rows, moment_of, text_lines
from kitwright.documents.plan_view import minute_rows, place_name, stop_told
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.web_page import sheet_page
from kitwright.language.scribe import Scribe
from kitwright.quote import CylinderLeakage, Envelope, GaugeReading, Quote, Step, StepUse, WorkPlan

_TAKES_OFF: Final = ("remove", "hold")
"""The kinds of steps whose looks are noted; those of other steps are ticked off."""


def bench_sheet_pdf(quote: Quote, envelope: Envelope, *, contact: Contact) -> bytes:
    """Return the bench sheet of a revision as PDF/UA-1, in the language of the bench.

    It names no customer, and no price except those of stopping.

    Raises: NotPrintable.
    """
    scribe = Scribe(quote.work_plan.language)
    drawing = access_svg(quote, scribe, fonts().printable)
    sheet = bench_sheet(quote, envelope, scribe, contact=contact, drawing=drawing)
    return press().print(
        "bench_sheet.typ",
        {**sheet, "said": said("bench_sheet.typ", scribe)},
        at=moment_of(quote, envelope),
        exact={"access": drawing.svg},
    )


def bench_sheet_html(quote: Quote, envelope: Envelope, *, contact: Contact) -> str:
    """Return the bench sheet of a revision as a page, for a screen beside the bench."""
    scribe = Scribe(quote.work_plan.language)
    drawing = access_svg(quote, scribe)
    sheet = bench_sheet(quote, envelope, scribe, contact=contact, drawing=drawing)
    return sheet_page("bench_sheet.html", scribe, sheet, access=drawing.svg)


def bench_sheet(
    quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact, drawing: Drawing
) -> Sheet:
    """Return what both forms of the bench sheet show, in their order."""
    plan = quote.work_plan
    return {
        **frame(scribe.say("Bench sheet"), quote, envelope, scribe, contact),
        "machine": [*machine_rows(quote, envelope, scribe), *_came_back(quote, scribe)],
        "reported": text_lines(quote.complaint),
        "diagnoses": [
            [scribe.on_cylinder(one.name, one.cylinder), one.plain] for one in plan.diagnoses
        ],
        "readings": list(_readings(quote, scribe)),
        "machines": _machines(plan, scribe),
        "jobs": [
            {
                "name": scribe.on_cylinder(job.name, job.cylinder),
                "minutes": scribe.hours(job.minutes),
            }
            for job in plan.jobs
        ],
        "has_looks": any(step.reveals for step in plan.steps),
        "places": list(_Steps(quote, scribe).places()),
        "drawing": drawing.told,
        "has_drawing": bool(quote.access.remove),
        "minutes": list(map(list, minute_rows(plan, scribe))),
    }


def _came_back(quote: Quote, scribe: Scribe) -> Iterator[Sequence[str]]:
    """Yield which visit the machine comes back from, and the cause."""
    found, say = quote.comes_back, scribe.say
    if found is None:
        return
    visit = say("{visit}, on {day}", visit=found.quote, day=scribe.day(found.on))
    yield [say("Comes back from"), visit]
    part = found.part or ""
    causes = {
        None: say("not settled yet: keep every part that comes off"),
        "work": say("our work"),
        "part": say("part {part}: keep it for the claim", part=part),
        "new_fault": say("a new fault"),
    }
    yield [say("Cause"), causes[found.cause]]


def _readings(quote: Quote, scribe: Scribe) -> Iterator[Sheet]:
    """Yield each cylinder's leak-down reading before the repair, beside a blank for after it."""
    found = () if quote.assessment is None else quote.assessment.leakage
    for one in found:
        yield {
            "cylinder": scribe.say("Cylinder {cylinder}", cylinder=one.cylinder),
            "before": _reading(one, scribe),
            "gauges": "; ".join(_gauges(reading, scribe) for reading in one.readings),
        }


def _gauges(reading: GaugeReading, scribe: Scribe) -> str:
    supply, in_cylinder = scribe.number(reading.supply), scribe.number(reading.in_cylinder)
    return f"{supply} / {in_cylinder} {reading.unit}"


def _reading(one: CylinderLeakage, scribe: Scribe) -> str:
    if one.whole_percent is None:
        return scribe.say("no reading that counts")
    percent = scribe.percent(one.whole_percent)
    if one.standing == "indicative":
        return scribe.say("{percent}, a rough reading only", percent=percent)
    if one.standing == "void":
        return scribe.say("{percent}, does not count", percent=percent)
    return percent


def _machines(plan: WorkPlan, scribe: Scribe) -> str:
    if plan.machines == 1:
        return ""
    return scribe.say(
        "The steps, parts and minutes are those of one of {machines} machines.",
        machines=scribe.number(str(plan.machines)),
    )


def _is_fitted(use: StepUse, step: Step) -> bool:
    """Return whether a step fits a part, and does not use something up."""
    return use.role != step.step.partition("@")[0] and use.measure == "piece"


def _as_groups(
    runs: Sequence[tuple[int | None, list[Step]]],
) -> list[tuple[int | None, list[Step]]]:
    """Return groups of steps: steps of the engine between steps of one cylinder belong to these."""
    groups: list[tuple[int | None, list[Step]]] = []
    for cylinder, steps in runs:
        is_between = (
            cylinder is not None
            and len(groups) > 1
            and groups[-1][0] is None
            and groups[-2][0] == cylinder
        )
        if is_between:
            _, between = groups.pop()
            groups[-1] = cylinder, [*groups[-1][1], *between, *steps]
        else:
            groups.append((cylinder, steps))
    return groups


class _Steps:
    """The steps of a plan as they are shown; a caution is given in full at its first step."""

    def __init__(self, quote: Quote, scribe: Scribe) -> None:
        self._quote = quote
        self._plan = quote.work_plan
        self._scribe = scribe
        self._cautions = {one.code: one for one in self._plan.cautions}
        self._told_at: dict[str, str] = {}
        self._stops = {stop.before_step: stop for stop in self._plan.stops}
        self._has_several = len({step.cylinder for step in self._plan.steps} - {None}) > 1

    def places(self) -> Iterator[Sheet]:
        """Yield each place in turn with its groups; a step without a place stays where one is."""
        placed = []
        here: str | None = None
        for step in self._plan.steps:
            here = step.place or here
            placed.append(((here, step.cylinder if self._has_several else None), step))
        first = next((place for (place, _), _ in placed if place is not None), None)
        for place, steps in groupby(placed, key=lambda one: one[0][0] or first):
            runs = [
                (cylinder, [step for _, step in run])
                for cylinder, run in groupby(steps, key=lambda one: one[0][1])
            ]
            yield {
                "name": place_name(place, self._scribe),
                "groups": [self._group(*group) for group in _as_groups(runs)],
            }

    def _group(self, cylinder: int | None, steps: list[Step]) -> Sheet:
        scribe = self._scribe
        name = scribe.say("Engine and machine")
        if cylinder is not None:
            name = scribe.say("Cylinder {cylinder}", cylinder=cylinder)
        return {
            "name": name if self._has_several else "",
            "minutes": scribe.number(str(sum(step.minutes for step in steps))),
            "steps": [self._step(step) for step in steps],
        }

    def _step(self, step: Step) -> Sheet:
        scribe = self._scribe
        number = scribe.number(str(step.number))
        stop = self._stops.get(step.number)
        fresh = [code for code in step.cautions if self._told_at.setdefault(code, number) == number]
        return {
            "number": number,
            "name": step.name,
            "minutes": "" if step.exact_minutes == "0" else scribe.number(str(step.minutes)),
            "told": list(self._told(step)),
            "fill": [
                scribe.say("{value}: ______ (page ____)", value=value) for value in step.manual
            ],
            "ticks": [] if step.kind in _TAKES_OFF else list(step.look),
            "finds": [scribe.named(found) for found in step.reveals],
            "cautions": [[self._cautions[code].title, self._cautions[code].text] for code in fresh],
            "again": "; ".join(self._again(code) for code in step.cautions if code not in fresh),
            "stop": "" if stop is None else stop_told(stop, scribe),
        }

    def _again(self, code: str) -> str:
        """Return a caution that was given in full at an earlier step."""
        return self._scribe.say(
            "{caution} (see step {number})",
            caution=self._cautions[code].title,
            number=self._told_at[code],
        )

    def _told(self, step: Step) -> Iterator[str]:
        """Yield what there is to say of a step, a paragraph each."""
        say = self._scribe.say
        if step.elapsed_minutes is not None:
            yield say("Wait: about {minutes} min.", minutes=step.elapsed_minutes)
        if step.working_days is not None:
            days = step.working_days
            told = self._scribe.say_many(
                "Wait: about {count} working day.", "Wait: about {count} working days.", days
            )
            yield told
        if step.spread_percent is not None:
            yield say(
                "Minutes from fasteners: {percent} more or less.",
                percent=self._scribe.percent(step.spread_percent),
            )
        fasteners = (step.fasteners,) if step.fasteners else ()
        fitted = tuple(self._use(use, step) for use in step.uses if _is_fitted(use, step))
        used = tuple(self._use(use, step) for use in step.uses if not _is_fitted(use, step))
        for head, texts in (
            (say("Fit:"), fitted),
            (say("Use:"), used),
            (say("Fasteners:"), fasteners),
            (say("Special tools:"), step.tools),
            (say("Check, photograph:"), step.look if step.kind in _TAKES_OFF else ()),
        ):
            if texts:
                yield f"{head} {'; '.join(texts)}"

    def _use(self, use: StepUse, step: Step) -> str:
        """Return what is fitted or used. If that is not decided yet, say what decides: the engine's
        plate, or which machine the engine is in.
        """
        scribe, where = self._scribe, (use.role, use.cylinder)
        quantity = scribe.number(use.quantity)
        unit = scribe.unit(use.measure, use.quantity)
        for question in self._quote.part_questions:
            if (question.role, question.cylinder) == where:
                return scribe.say(
                    "{quantity} {unit} {name}: not decided yet; read the engine's plate: {parts}",
                    quantity=quantity,
                    unit=unit,
                    name=scribe.thing(use.role, use.cylinder),
                    parts=" / ".join(f"{one.name} ({one.id})" for one in question.options),
                )
        cylinder = None if use.cylinder == step.cylinder else use.cylinder
        part = scribe.say(
            "{quantity} {unit} {name} ({part})",
            quantity=quantity,
            unit=unit,
            name=scribe.on_cylinder(use.name, cylinder),
            part=use.part,
        )
        machine = self._quote.chassis_question
        if machine and where in {(held.role, held.cylinder) for held in machine.held}:
            return scribe.say(
                "{part}: not decided yet; not every machine needs it, so check which one it is: "
                "{machines}",
                part=part,
                machines=" / ".join(one.name for one in machine.options),
            )
        return part
