"""Plan: the steps of a visit, in the language of the bench."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from fractions import Fraction
from typing import cast

from msgspec import structs

from kitwright import quote as wire
from kitwright.catalogue.model import Catalogue, ContingencyId, ItemId, TickId
from kitwright.language.render import Speaker
from kitwright.money import round_minor, share
from kitwright.quote import amount_of
from kitwright.stages.kit import Covered, Kit, Need
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import Request
from kitwright.stages.work_plan import Adjustment, Step, WorkPlan
from kitwright.telling.teller import Teller
from kitwright.units import REC20, decimal_text, exact


def tell_plan(
    outcome: Outcome,
    speaker: Speaker,
    catalogue: Catalogue,
    remember: Callable[[WorkPlan, Callable[[], wire.WorkPlan]], wire.WorkPlan] | None = None,
) -> wire.WorkPlan:
    """Return the steps of a quote, told by the speaker of the bench's language.

    `remember` returns what was told of a plan before, or what the given function tells. The minutes
    of jobs and the prices of stopping are told anew: they may differ between quotes with one plan.
    """

    def tell() -> wire.WorkPlan:
        return _tell_steps(outcome, speaker, catalogue)

    told = tell() if remember is None else remember(outcome.plan, tell)
    return _with_prices(told, outcome, speaker)


def tell_diagnoses(request: Request, speaker: Speaker) -> tuple[wire.Diagnosed, ...]:
    """Return the diagnoses of a request, in one order, however they were asked."""
    ranked = sorted(request.diagnoses, key=lambda one: (one[0].code, one[1] or 0))
    return tuple(
        wire.Diagnosed(
            code=diagnosis.code,
            name=speaker.fault(diagnosis.code),
            cylinder=cylinder,
            plain=speaker.text("diagnosis", diagnosis.plain),
            mind=speaker.text("diagnosis", diagnosis.mind) if diagnosis.mind else "",
        )
        for diagnosis, cylinder in ranked
    )


def _tell_steps(outcome: Outcome, speaker: Speaker, catalogue: Catalogue) -> wire.WorkPlan:
    plan = outcome.plan
    telling = _Telling(outcome, speaker, catalogue)
    exact_minutes = [step.minutes for step in plan.steps]
    total = round_minor(sum(exact_minutes, Fraction(0)))
    minutes = share(total, exact_minutes)
    return wire.WorkPlan(
        language=speaker.language,
        machines=plan.machines,
        minutes=total,
        exact_minutes=decimal_text(sum(exact_minutes, Fraction(0))),
        steps=tuple(
            telling.step(number, step, whole)
            for number, (step, whole) in enumerate(zip(plan.steps, minutes, strict=True), start=1)
        ),
        rows=tuple(map(telling.row, plan.adjustments)),
        changes=_changes(plan.changes),
        least_changes=_changes(plan.bound),
        jobs=(),
        stops=(),
        cautions=tell_cautions(outcome, telling.teller),
    )


def _with_prices(told: wire.WorkPlan, outcome: Outcome, speaker: Speaker) -> wire.WorkPlan:
    """Return the steps with the diagnoses, the minutes of the jobs, and what stopping costs, in
    this quote.
    """
    return structs.replace(
        told,
        diagnoses=tell_diagnoses(outcome.request, speaker),
        jobs=tuple(
            wire.PlannedJob(
                job=each.operation.job.id,
                name=speaker.job(each.operation.job.id),
                cylinder=each.operation.cylinder,
                minutes=each.minutes_here,
            )
            for each in outcome.operated
        ),
        stops=tuple(
            wire.StopPrice(
                before_step=stop.before,
                name=told.steps[stop.before - 1].name,
                minutes_done=decimal_text(stop.done),
                minutes_to_refit=decimal_text(stop.to_refit),
                refitted=amount_of(stop.refitted),
                in_boxes=amount_of(stop.in_boxes),
            )
            for stop in outcome.stops
        ),
    )


class _Telling:
    """Tells the steps of one quote in one language."""

    def __init__(self, outcome: Outcome, speaker: Speaker, catalogue: Catalogue) -> None:
        self._plan = outcome.plan
        self._speaker = speaker
        self.teller = Teller(speaker)
        self._catalogue = catalogue
        self._labour = outcome.shop.labour
        self._cylinders = outcome.request.family.cylinders
        self._covers = _covers(outcome.repair.kit)

    def step(self, number: int, step: Step, minutes: int) -> wire.Step:
        """Return one step with its whole minutes."""
        if step.rule is None or step.other_hold is not None:
            plain = self._plain(step)
        else:
            # the same step of another plan is told alike
            plain = self.teller.once(step.rule, lambda _: self._plain(step))
        return structs.replace(
            plain,
            number=number,
            minutes=minutes,
            exact_minutes=decimal_text(step.minutes),
            place=step.place,
            uses=tuple(use for need in step.uses for use in self._uses(need)),
            reveals=tuple(self._reveal(found, on) for found, on in step.reveals),
            cautions=self._cautions(step),
            why=self.teller.known_whys((step.why,)),
        )

    def _plain(self, step: Step) -> wire.Step:
        """Return a step without what depends on its plan."""
        node, other = step.instance, step.other_hold
        component = None if node is None else node.component
        is_off = step.kind in ("remove", "hold")
        spread = None
        if component is not None and component.elements:
            spread = decimal_text(self._labour.elements_spread_percent)
        shown = component if is_off else None
        held = shown if other is None or not is_off else other
        look = () if held is None else held.inspect
        if component is not None and not is_off:
            look = component.refit_inspect
        manual: tuple[str, ...] = ()
        if component is not None:
            manual = component.limits if is_off else component.spec
        elif step.name in self._catalogue.ticks:
            manual = self._catalogue.ticks[TickId(step.name)].manual
        return wire.Step(
            number=0,
            step=step.name,
            kind=cast(wire.StepKind, step.kind),
            name=self._name(step),
            component=None if component is None else component.id,
            cylinder=step.cylinder,
            place=None,
            side=step.side,
            labour_class=step.labour_class,
            minutes=0,
            exact_minutes="0",
            spread_percent=spread,
            elapsed_minutes=step.elapsed,
            working_days=step.days,
            fasteners="" if shown is None else self._text(shown.fasteners),
            tools=() if held is None else tuple(map(self._text, held.tools)),
            look=tuple(map(self._text, look)),
            manual=tuple(map(self._speaker.word, manual)),
            cautions=(),
            uses=(),
            reveals=(),
            why=(),
        )

    def _reveal(self, found: ContingencyId, cylinder: int | None) -> wire.StepReveal:
        name = self._catalogue.contingencies[found].name
        told = self._speaker.text("contingency", name)
        return wire.StepReveal(contingency=found, name=told, cylinder=cylinder)

    def row(self, adjustment: Adjustment) -> wire.MinutesRow:
        """Return billed minutes that are in no step."""
        (why,) = self.teller.whys((adjustment.why,))
        return wire.MinutesRow(
            labour_class=adjustment.labour_class,
            exact_minutes=decimal_text(adjustment.minutes),
            why=why,
        )

    def _cautions(self, step: Step) -> tuple[str, ...]:
        """Return the hazards of a step, and of the consumables used there."""
        consumables = self._catalogue.consumables
        used = (consumables[need.item] for need in step.uses if need.item in consumables)
        return tuple(dict.fromkeys([*step.hazards, *(one for row in used for one in row.hazards)]))

    def _text(self, text: str) -> str:
        return self._speaker.text("component", text) if text else ""

    def _name(self, step: Step) -> str:
        """Return what a step is called."""
        speaker, node = self._speaker, step.instance
        if node is None:
            if step.text:
                return self._tick_name(step) if step.name in self._catalogue.ticks else step.text
            told = speaker.instance(step.name)
            return _capital(speaker.say("waiting for: {work}", work=told) if step.days else told)
        named = step.other_hold or node.component
        is_off = step.kind in ("remove", "hold")
        own = named.remove_name if is_off else named.refit_name
        if own:
            return speaker.on_cylinder(self._text(own), step.cylinder)
        thing = speaker.on_cylinder(speaker.word(node.component.id), step.cylinder)
        if is_off:
            return speaker.say("Take off: {thing}", thing=thing)
        return speaker.say("Refit: {thing}", thing=thing)

    def _tick_name(self, step: Step) -> str:
        """Return what an unbilled step is called, with its blanks for each cylinder."""
        name = self._speaker.text("tick", step.text)
        blanks = self._catalogue.ticks[TickId(step.name)].each_cylinder
        if not blanks:
            return name
        if self._cylinders == 1:
            return f"{name} {blanks}"
        on_each = (f"({one}) {blanks}" for one in range(1, self._cylinders + 1))
        return f"{name} {'; '.join(on_each)}"

    def _uses(self, need: Need) -> Iterator[wire.StepUse]:
        """Yield what is fitted or used for a need, by the numbers that are really taken."""
        machines = self._plan.machines
        left = exact(need.quantity)
        # of several machines, nobody knows which gets which number
        for cover in self._covers.get(id(need), ()) if machines == 1 else ():
            if cover.number != need.item:
                left -= cover.quantity
                yield self._use(need, cover.number, cover.quantity)
        if left:
            yield self._use(need, need.item, left / machines)

    def _use(self, need: Need, number: ItemId, quantity: Fraction | Decimal) -> wire.StepUse:
        return wire.StepUse(
            role=need.role,
            cylinder=need.cylinder,
            part=number,
            name=self._speaker.item(number),
            quantity=decimal_text(quantity),
            unit=REC20[need.unit],
            measure=need.unit,
        )


def _covers(kit: Kit) -> dict[int, list[Covered]]:
    """Return what covers each need, by the need's identity."""
    found: dict[int, list[Covered]] = {}
    for packs in (kit.brought, kit.from_stock, kit.bought):
        for pack in packs:
            for cover in pack.covers:
                found.setdefault(id(cover.need), []).append(cover)
    return found


def _changes(changes: tuple[int, ...]) -> wire.Changes:
    place, side, tools = changes or (0, 0, 0)
    return wire.Changes(place=place, side=side, tools=tools)


def _capital(told: str) -> str:
    return told[:1].upper() + told[1:]


def tell_cautions(outcome: Outcome, teller: Teller) -> tuple[wire.Caution, ...]:
    """Return the hazards of the visit, with their steps in words."""
    text = teller.speaker.text
    return tuple(
        wire.Caution(
            code=each.hazard.id,
            title=text("hazard", each.hazard.title),
            text=text("hazard", each.hazard.text),
            steps=each.steps,
            at=tuple(dict.fromkeys(map(teller.step, each.steps))),
        )
        for each in outcome.cautions
    )
