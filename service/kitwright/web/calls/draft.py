"""What quotes of one draft share on the wire: jobs, access, kit, orders, extras, cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import LOOSE, ItemId
from kitwright.language.render import Speaker
from kitwright.money import Money, round_minor, share
from kitwright.stages.kit import Covered, Kit, Need
from kitwright.stages.ordering import PartsOrder
from kitwright.stages.price import PricedLine
from kitwright.stages.quote import Extra, Quote
from kitwright.stages.why import Why
from kitwright.stages.work import AccessPlan
from kitwright.tax.charges import TaxedLine
from kitwright.units import REC20, decimal_text, exact
from kitwright.web.calls.out import (
    AccessOut,
    CautionOut,
    ComputedOut,
    CoversOut,
    ExtraOut,
    JobOut,
    KitOut,
    LabourOut,
    LeftOut,
    LineOut,
    MakeOut,
    MoneyOut,
    NeedOut,
    OptionOut,
    OrderFeeOut,
    OrderLineOut,
    OrderOut,
    PackOut,
    QuestionOut,
    RefitOut,
    RemoveOut,
    StockOut,
    SwallowedOut,
    UnfilledOut,
    WhyOut,
    money,
)


class Shared(Struct, frozen=True, kw_only=True):
    """The members of an answer that follow from its draft."""

    jobs: tuple[JobOut, ...]
    swallowed: tuple[SwallowedOut, ...]
    access: AccessOut
    labour: tuple[LabourOut, ...]
    kit: KitOut
    orders: tuple[OrderOut, ...]
    unfilled: tuple[UnfilledOut, ...]
    extras: tuple[ExtraOut, ...]
    questions: tuple[QuestionOut, ...]
    cautions: tuple[CautionOut, ...]


def share_out(quote: Quote, told: Teller) -> Shared:
    """Return the shared members of a quote's answer, as structs."""
    repair = quote.repair
    return Shared(
        jobs=tuple(
            JobOut(
                job=each.operation.job.id,
                name=told.speaker.job(each.operation.job.id),
                cylinder=each.operation.cylinder,
                minutes_alone=each.minutes_alone,
                minutes_here=each.minutes_here,
                minutes_computed=each.minutes_computed,
                why=told.whys(each.why),
            )
            for each in quote.operated
        ),
        swallowed=tuple(
            SwallowedOut(
                job=each.operation.job.id,
                cylinder=each.operation.cylinder,
                by_job=each.by.job.id,
                by_cylinder=each.by.cylinder,
            )
            for each in repair.jobs.swallowed
        ),
        access=_access(repair.plan, told),
        labour=tuple(
            LabourOut(
                labour_class=each.labour_class,
                exact_minutes=decimal_text(each.exact),
                billed_minutes=each.billed,
            )
            for each in repair.labour.classes
        ),
        kit=_kit(repair.kit, told),
        orders=tuple(
            parts_order_out(order, quote.request.asked.on, told.speaker.item)
            for order in repair.orders
        ),
        unfilled=_unfilled(repair.kit, told),
        extras=tuple(_extra(extra, told) for extra in quote.extras),
        questions=(*_chassis_question(quote, told), *_part_questions(quote, told)),
        cautions=tuple(
            CautionOut(
                code=each.hazard.id,
                title=told.speaker.text("hazard", each.hazard.title),
                text=told.speaker.text("hazard", each.hazard.text),
                steps=each.steps,
            )
            for each in quote.cautions
        ),
    )


def _part_questions(quote: Quote, told: Teller) -> Iterator[QuestionOut]:
    for need in quote.repair.kit.questions:
        yield QuestionOut(
            role=need.role,
            cylinder=need.cylinder,
            parts=need.options,
            options=tuple(
                OptionOut(id=item, name=told.speaker.item(item)) for item in need.options
            ),
            priced=need.item,
            held=(),
        )


def _chassis_question(quote: Quote, told: Teller) -> Iterator[QuestionOut]:
    """Yield what the engine may be in, where nobody named it."""
    may_be = quote.request.may_be
    if not may_be:
        return
    options = [OptionOut(id=each.id, name=each.name) for each in may_be if each is not None]
    options.append(OptionOut(id=LOOSE, name=told.speaker.say("loose engine")))
    chassis, kit = quote.repair.chassis, quote.repair.kit
    yield QuestionOut(
        role="chassis",
        cylinder=None,
        parts=tuple(each.id for each in options),
        options=tuple(options),
        priced=LOOSE if chassis is None else chassis.id,
        held=_covers([Covered(need, exact(need.quantity), need.item) for need in kit.held]),
    )


def line_out(
    line: PricedLine,
    tax: TaxedLine | None,
    told: Teller,
    why: tuple[WhyOut, ...] | None = None,
) -> LineOut:
    """Return a line on the wire; `why` are its reasons, where they are told already."""
    computed = line.computed
    amount = money(line.amount)
    return LineOut(
        # words of the catalogue are texts themselves: the way to a member's value is longer
        kind=line.kind,
        code=line.code,
        cylinder=None if line.operation is None else line.operation[1] or None,
        description=told.speaker.line(line),
        makes=tuple(
            MakeOut(make=each.name, quantity=decimal_text(each.quantity)) for each in line.makes
        ),
        quantity=decimal_text(line.quantity),
        unit=REC20[line.unit],
        unit_price=f"{line.unit_price:f}",
        base_quantity=decimal_text(line.base_quantity),
        amount=amount,
        net=None if tax is None else amount if tax.net == line.amount else money(tax.net),
        tax=None if tax is None else money(tax.tax),
        gross=None if tax is None else amount if tax.gross == line.amount else money(tax.gross),
        computed=None
        if computed is None
        else ComputedOut(
            unit_price=f"{computed.unit_price:f}",
            base_quantity=decimal_text(computed.base_quantity),
            amount=money(computed.amount),
        ),
        tax_kind=line.tax_kind,
        labour_class=line.labour_class,
        why=told.whys(line.why) if why is None else why,
    )


class Teller:
    """Turns reasons and needs into their wire structs in one language."""

    def __init__(self, speaker: Speaker) -> None:
        self.speaker = speaker

    def whys(self, reasons: Iterable[Why]) -> tuple[WhyOut, ...]:
        """Return reasons with their facts and sentences."""
        return tuple(
            WhyOut(
                code=why.code,
                facts={name: _fact(fact) for name, fact in why.facts.items()},
                text=self.speaker.sentence(why),
            )
            for why in reasons
        )

    def need(self, need: Need, kind: str | None = None) -> NeedOut:
        """Return a need, of another kind where one is given."""
        return NeedOut(
            role=need.role,
            cylinder=need.cylinder,
            part=need.item,
            name=self.speaker.item(need.item),
            quantity=decimal_text(need.quantity),
            unit=REC20[need.unit],
            kind=kind or need.kind.value,
            why=self.whys(need.why),
        )


def _fact(fact: object) -> str | int | MoneyOut | None:
    if isinstance(fact, Money):
        return money(fact)
    if fact is None or isinstance(fact, str | int):
        return fact
    return decimal_text(fact) if isinstance(fact, Decimal | Fraction) else str(fact)


def _access(plan: AccessPlan, told: Teller) -> AccessOut:
    """Return the plan with whole minutes that sum to its rounded total, by largest remainder."""
    off = [removal.remove for removal in plan.removals]
    on = [part for removal in plan.removals for part in (removal.refit, removal.work)]
    minutes = round_minor(plan.minutes)
    whole = share(minutes, [*off, *on]) if off else ()
    refits = whole[len(off) :]
    remove = tuple(
        RemoveOut(
            component=removal.instance.component.id,
            cylinder=removal.instance.cylinder,
            minutes=whole[index],
            exact_minutes=decimal_text(removal.remove),
            why=told.whys(removal.why),
        )
        for index, removal in enumerate(plan.removals)
    )
    refit = tuple(
        RefitOut(
            component=removal.instance.component.id,
            cylinder=removal.instance.cylinder,
            minutes=refits[2 * index],
            work_minutes=refits[2 * index + 1],
            exact_minutes=decimal_text(removal.refit + removal.work),
        )
        for index, removal in enumerate(plan.removals)
    )
    return AccessOut(
        remove=remove,
        refit=refit[::-1],
        minutes=minutes,
        exact_minutes=decimal_text(plan.minutes),
        engine_out=plan.engine_out,
    )


def _covers(covers: Sequence[Covered]) -> tuple[CoversOut, ...]:
    return tuple(
        CoversOut(
            role=each.need.role,
            cylinder=each.need.cylinder,
            part=each.need.item,
            quantity=decimal_text(each.quantity),
            fitted=each.number,
        )
        for each in covers
    )


def _kit(kit: Kit, told: Teller) -> KitOut:
    stocked = [
        PackOut(
            item=taken.item,
            packs=decimal_text(taken.packs),
            source="stock",
            covers=_covers(taken.covers),
        )
        for taken in kit.from_stock
    ]
    brought = [
        PackOut(
            item=each.item,
            packs=str(each.quantity),
            source="customer",
            covers=_covers(each.covers),
        )
        for each in kit.brought
    ]
    bought = [
        PackOut(
            item=each.source.item,
            packs=str(each.packs),
            source=each.source.supplier.id,
            covers=_covers(each.covers),
        )
        for each in kit.bought
    ]
    return KitOut(
        needs=tuple(told.need(need) for need in kit.needs),
        packs=(*brought, *stocked, *bought),
        left_over=tuple(
            LeftOut(
                item=left.item,
                quantity=decimal_text(left.quantity),
                unit=REC20[left.unit],
                quality=left.quality.value,
            )
            for left in kit.left_over
        ),
        from_stock=tuple(
            StockOut(
                item=taken.item,
                quantity=decimal_text(taken.quantity),
                unit=REC20[taken.unit],
                bin=taken.bin,
            )
            for taken in kit.from_stock
        ),
        is_least=kit.is_least,
    )


def parts_order_out(order: PartsOrder, on: date, name: Callable[[ItemId], str]) -> OrderOut:
    """Return a parts order on the wire, ordered on a day where the shop is."""
    return OrderOut(
        supplier=order.supplier.id,
        name=order.supplier.name,
        order_by=order.supplier.cutoff,
        time_zone=order.supplier.time_zone,
        ordered_on=on,
        lines=tuple(
            OrderLineOut(
                sku=line.source.sku,
                item=line.source.item,
                name=name(line.source.item),
                brand=line.source.brand,
                packs=line.packs,
                pack_size=line.source.pack,
                unit_cost=f"{line.unit_cost:f}",
                net=money(line.net),
                stock={None: "unknown", 0: "back_order"}.get(line.source.stock, "known"),
                lead_days=line.source.lead_days,
                promised=line.promised,
                covers=tuple(
                    CoversOut(
                        role=use.role,
                        cylinder=use.cylinder,
                        part=use.item,
                        quantity=decimal_text(use.quantity),
                        fitted=use.number,
                    )
                    for use in line.covers
                ),
            )
            for line in order.lines
        ),
        goods=money(order.goods),
        fees=tuple(OrderFeeOut(code=fee.code, amount=money(fee.amount)) for fee in order.fees),
        freight=money(order.freight),
        net=money(order.net),
        promised=order.promised,
    )


def _unfilled(kit: Kit, told: Teller) -> tuple[UnfilledOut, ...]:
    return tuple(
        UnfilledOut(
            need=CoversOut(
                role=each.need.role,
                cylinder=each.need.cylinder,
                part=each.item,
                quantity=decimal_text(each.quantity),
                fitted=None,
            ),
            unit=REC20[each.need.unit],
            why=told.whys((Why("no-source", {"item": each.item}),)),
        )
        for each in kit.unfilled
    )


def _extra(extra: Extra, told: Teller) -> ExtraOut:
    reason = told.speaker.text("job", extra.reason)
    why = WhyOut(code="while-apart", facts={"job": extra.job}, text=reason)
    return ExtraOut(
        job=extra.job,
        name=told.speaker.job(extra.job),
        cylinders=extra.cylinders,
        price=money(extra.price),
        minutes=extra.minutes,
        default=extra.default,
        why=(why,),
        needs=tuple(told.need(need, "recommended") for need in extra.needs),
    )
