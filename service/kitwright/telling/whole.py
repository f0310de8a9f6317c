"""Whole: assembles the complete quote, in one language."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright import quote as wire
from kitwright.catalogue.model import LOOSE, Catalogue
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.quote import amount_of
from kitwright.stages.kit import Covered
from kitwright.stages.outcome import InPlay, Outcome, landed_cost, margin_of
from kitwright.stages.ready import find_goods_by
from kitwright.stages.request import Request
from kitwright.telling.assessment import tell_assessment
from kitwright.telling.come_back import tell_come_back
from kitwright.telling.course import tell_advice, tell_courses, tell_machine
from kitwright.telling.kit import tell_kit, tell_order, tell_unfilled
from kitwright.telling.plan import tell_cautions, tell_diagnoses, tell_plan
from kitwright.telling.price import (
    tell_exemption,
    tell_extra,
    tell_lines,
    tell_taxes,
    tell_totals,
)
from kitwright.telling.prospect import tell_contingencies, tell_range
from kitwright.telling.teller import Teller, covers_of
from kitwright.telling.work import tell_access, tell_jobs, tell_labour, tell_swallowed
from kitwright.units import exact


def tell_quote(
    outcome: Outcome,
    speaker: Speaker,
    *,
    catalogue: Catalogue,
    plan: wire.WorkPlan | None = None,
    complaint: str | None = None,
) -> wire.Quote:
    """Return the outcome of the flow as a quote, with sentences in the speaker's language.

    `plan` has its steps, told in the language of the bench; without it, they are told in the
    speaker's. `complaint` is the customer's report, unchanged.
    """
    teller = Teller(speaker)
    request, repair, shop, basis = outcome.request, outcome.repair, outcome.shop, outcome.basis
    return wire.Quote(
        basis="asked" if basis is None else "repair" if basis.is_repair else "test",
        assessment=None if basis is None else tell_assessment(basis.assessment, catalogue, speaker),
        in_play=() if basis is None else tuple(_possible(one, teller) for one in basis.in_play),
        provisional=outcome.is_provisional,
        on=request.asked.on,
        valid_until=outcome.valid_until,
        parts_by=outcome.parts_by,
        ready_on=outcome.ready_on,
        language=speaker.language,
        catalogue_revision=catalogue.revision,
        shop=wire.QuotingShop(
            id=shop.id,
            name=shop.name,
            currency=shop.currency,
            prices_include_tax=shop.selling_prices_include_tax,
        ),
        engine=_engine(request),
        complaint=complaint,
        diagnoses=tell_diagnoses(request, speaker),
        jobs=tell_jobs(outcome, teller),
        swallowed=tell_swallowed(outcome, teller),
        access=tell_access(repair.plan, teller),
        work_plan=plan or tell_plan(outcome, speaker, catalogue),
        labour=tell_labour(outcome),
        kit=tell_kit(repair.kit, teller),
        lines=tuple(tell_lines(outcome, teller)),
        taxes=tell_taxes(repair.taxes, speaker.text),
        tax_state="unknown" if repair.line_taxes is None else "known",
        exemption=tell_exemption(outcome, teller),
        totals=tell_totals(repair.totals),
        orders=tuple(tell_order(order, request.asked.on, speaker.item) for order in repair.orders),
        unfilled=tell_unfilled(repair.kit, teller),
        extras=tuple(tell_extra(extra, teller) for extra in outcome.extras),
        questions=(*_chassis_question(outcome, teller), *_part_questions(outcome, teller)),
        cautions=tell_cautions(outcome, teller),
        notes=teller.whys(outcome.notes),
        contingencies=tell_contingencies(outcome, teller),
        range=tell_range(outcome),
        buying=_buying(outcome),
        margin=_margin(outcome),
        courses=tell_courses(outcome, teller),
        advice=tell_advice(outcome.advice, teller),
        another_machine=tell_machine(outcome, teller),
        estimates=outcome.estimates,
        comes_back=tell_come_back(outcome, teller),
    )


def _engine(request: Request) -> wire.Engine:
    chassis = request.chassis
    named = LOOSE if chassis is None else chassis.id
    return wire.Engine(
        family=request.family.id,
        name=f"{request.family.maker} {request.family.name}",
        serial=request.asked.serial,
        build_code=request.asked.build_code,
        chassis=None if request.may_be else named,
        chassis_name=None if chassis is None else chassis.name,
    )


def _possible(one: InPlay, teller: Teller) -> wire.PossibleRepair:
    return wire.PossibleRepair(
        faults=tuple(
            wire.PossibleFault(
                code=each.code,
                name=teller.speaker.fault(each.code),
                cylinder=each.cylinder,
                probability=str(each.probability),
            )
            for each in one.faults
        ),
        jobs=tuple(map(teller.job, one.operations)),
        price=amount_of(one.price),
        minutes=one.minutes,
    )


def _part_questions(outcome: Outcome, teller: Teller) -> Iterator[wire.Question]:
    for need in outcome.repair.kit.questions:
        yield wire.Question(
            role=need.role,
            cylinder=need.cylinder,
            parts=need.options,
            options=tuple(
                wire.Option(id=item, name=teller.speaker.item(item)) for item in need.options
            ),
            priced=need.item,
            held=(),
        )


def _chassis_question(outcome: Outcome, teller: Teller) -> Iterator[wire.Question]:
    """Yield the question which machine the engine is in, if it was not named."""
    may_be = outcome.request.may_be
    if not may_be:
        return
    options = [wire.Option(id=each.id, name=each.name) for each in may_be if each is not None]
    options.append(wire.Option(id=LOOSE, name=teller.speaker.say("loose engine")))
    chassis, kit = outcome.repair.chassis, outcome.repair.kit
    yield wire.Question(
        role="chassis",
        cylinder=None,
        parts=tuple(each.id for each in options),
        options=tuple(options),
        priced=LOOSE if chassis is None else chassis.id,
        held=covers_of(Covered(need, exact(need.quantity), need.item) for need in kit.held),
    )


def _buying(outcome: Outcome) -> wire.Buying:
    """Return what the orders cost the shop, and the purchase that is there sooner."""
    repair, sooner, asked = outcome.repair, outcome.sooner, outcome.request.asked
    landed = landed_cost(repair, asked.ordered)
    return wire.Buying(
        aim="cheapest" if asked.needed_by is None else "in-time",
        landed=amount_of(landed),
        ready_on=find_goods_by(asked, repair.still),
        soonest=None
        if sooner is None
        else wire.Soonest(
            landed=amount_of(sooner.landed),
            ready_on=sooner.ready_on,
            gross=amount_of(sooner.price),
        ),
        is_least=repair.kit.is_least,
        gap=amount_of(Money(repair.kit.gap, landed.currency)),
    )


def _margin(outcome: Outcome) -> wire.Margin | None:
    """Return what the quote leaves the shop, None if its tax is not known."""
    ordered = outcome.request.asked.ordered
    found = margin_of(outcome.shop, outcome.repair, ordered)
    if found is None:
        return None
    return wire.Margin(
        sold=amount_of(found.sold),
        landed=amount_of(found.landed),
        from_stock=amount_of(found.from_stock),
        sublet=amount_of(found.sublet),
        left=amount_of(found.left),
        is_loss=found.left.minor < 0,
        freight_kept=amount_of(found.freight_kept),
        minutes=found.minutes,
    )
