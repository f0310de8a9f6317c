"""The quote on the wire: the answer's structs, and how a quote of the core becomes one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Annotated

from msgspec import Meta, Struct

from kitwright.language.render import Speaker
from kitwright.money import Money, round_minor, share
from kitwright.stages.access import AccessPlan
from kitwright.stages.kit import Kit
from kitwright.stages.need import Need
from kitwright.stages.order import PartsOrder
from kitwright.stages.quote import Extra, Quote
from kitwright.stages.wanted import Covered
from kitwright.stages.why import Why
from kitwright.units import REC20, decimal_text

DecimalText = Annotated[
    str, Meta(pattern=r"^-?[0-9]+(\.[0-9]+)?$", description="A decimal number.")
]
Minutes = Annotated[int, Meta(description="Whole minutes.")]


class Out(Struct, frozen=True, kw_only=True):
    """The base of every answer struct."""


class MoneyOut(Out, frozen=True, kw_only=True):
    """An amount with all digits of its currency."""

    amount: DecimalText
    currency: Annotated[str, Meta(pattern="^[A-Z]{3}$", description="ISO 4217.")]


class WhyOut(Out, frozen=True, kw_only=True):
    """A reason: its code and facts for machines, its text for people."""

    code: str
    facts: dict[str, str | int | MoneyOut | None]
    text: str


class EngineOut(Out, frozen=True, kw_only=True):
    """The engine and its machine."""

    family: str
    name: str
    serial: int | None
    build_code: str | None
    chassis: str | None
    chassis_name: str | None


class JobOut(Out, frozen=True, kw_only=True):
    """A job with its billed minutes: as the only one, and here among the others."""

    job: str
    name: str
    cylinder: int | None
    minutes_alone: Minutes
    minutes_here: Minutes
    why: tuple[WhyOut, ...]


class SwallowedOut(Out, frozen=True, kw_only=True):
    """A job that another one holds."""

    job: str
    cylinder: int | None
    by_job: str
    by_cylinder: int | None


class RemoveOut(Out, frozen=True, kw_only=True):
    """A component to take off, in order."""

    component: str
    cylinder: int | None
    minutes: Minutes
    exact_minutes: DecimalText
    why: tuple[WhyOut, ...]


class RefitOut(Out, frozen=True, kw_only=True):
    """A component to put back, in order; `work_minutes` is the bench work that its refit
    carries.
    """

    component: str
    cylinder: int | None
    minutes: Minutes
    work_minutes: Minutes
    exact_minutes: DecimalText


class AccessOut(Out, frozen=True, kw_only=True):
    """Everything that comes off. The whole minutes of the steps sum to `minutes`, the exact
    ones to `exact_minutes`.
    """

    remove: tuple[RemoveOut, ...]
    refit: tuple[RefitOut, ...]
    minutes: Minutes
    exact_minutes: DecimalText
    engine_out: bool


class LabourOut(Out, frozen=True, kw_only=True):
    """A labour class over the visit: exact minutes, and what is billed for them."""

    labour_class: str
    exact_minutes: DecimalText
    billed_minutes: Minutes


class NeedOut(Out, frozen=True, kw_only=True):
    """A role, or a piece of work, with the item that it needs."""

    role: str
    cylinder: int | None
    part: str
    name: str
    quantity: DecimalText
    unit: Annotated[str, Meta(description="UN/ECE Recommendation 20.")]
    kind: str
    why: tuple[WhyOut, ...]


class CoversOut(Out, frozen=True, kw_only=True):
    """How much of a need a pack fills."""

    role: str
    cylinder: int | None
    part: str
    quantity: DecimalText


class PackOut(Out, frozen=True, kw_only=True):
    """Packs of an item, from the shelf (`source` "stock") or from a supplier, and what they
    fill.
    """

    item: str
    packs: DecimalText
    source: str
    covers: tuple[CoversOut, ...]


class StockOut(Out, frozen=True, kw_only=True):
    """What is taken from the shelf."""

    item: str
    quantity: DecimalText
    unit: str
    bin: str


class LeftOut(Out, frozen=True, kw_only=True):
    """What the shop keeps."""

    item: str
    quantity: DecimalText
    unit: str


class KitOut(Out, frozen=True, kw_only=True):
    """The needs, and what covers them."""

    needs: tuple[NeedOut, ...]
    packs: tuple[PackOut, ...]
    left_over: tuple[LeftOut, ...]
    from_stock: tuple[StockOut, ...]


class LineOut(Out, frozen=True, kw_only=True):
    """A line: `amount` = quantity x unit price / base quantity, rounded once; net, or gross
    where prices include tax.

    `net`, `tax` and `gross` are null where the tax is not known.
    """

    kind: str
    code: str
    cylinder: int | None
    description: str
    quantity: DecimalText
    unit: str
    unit_price: DecimalText
    base_quantity: DecimalText
    amount: MoneyOut
    net: MoneyOut | None
    tax: MoneyOut | None
    gross: MoneyOut | None
    tax_kind: str
    labour_class: str | None
    why: tuple[WhyOut, ...]


class TaxOut(Out, frozen=True, kw_only=True):
    """One tax; `rate` in per cent."""

    component: str
    name: str
    rate: DecimalText
    base: MoneyOut
    amount: MoneyOut


class TotalsOut(Out, frozen=True, kw_only=True):
    """Sums of the printed lines; net + tax = gross; null where the tax is not known."""

    lines: MoneyOut
    net: MoneyOut | None
    tax: MoneyOut | None
    gross: MoneyOut | None
    payable: MoneyOut | None


class OrderLineOut(Out, frozen=True, kw_only=True):
    """A line of a parts order: whole packs, cost without tax; `stock` is `known`, `unknown` or
    `back_order`.
    """

    sku: str
    item: str
    name: str
    brand: str
    packs: int
    pack_size: int
    unit_cost: DecimalText
    net: MoneyOut
    stock: str
    promised: date
    covers: tuple[CoversOut, ...]


class OrderFeeOut(Out, frozen=True, kw_only=True):
    """A supplier's charge on an order."""

    code: str
    amount: MoneyOut


class OrderOut(Out, frozen=True, kw_only=True):
    """What one supplier is asked to send; `net` is goods, fees and freight without tax."""

    supplier: str
    name: str
    order_by: Annotated[str, Meta(description="The supplier's cutoff, local time.")]
    lines: tuple[OrderLineOut, ...]
    goods: MoneyOut
    fees: tuple[OrderFeeOut, ...]
    freight: MoneyOut
    net: MoneyOut
    promised: date


class UnfilledOut(Out, frozen=True, kw_only=True):
    """What no source can fill."""

    item: str
    quantity: DecimalText
    unit: str
    needs: tuple[CoversOut, ...]
    why: tuple[WhyOut, ...]


class ExtraOut(Out, frozen=True, kw_only=True):
    """An optional job at what the whole visit costs more with it, tax included where it is
    known.
    """

    job: str
    name: str
    cylinders: tuple[int, ...]
    price: MoneyOut
    minutes: int
    default: str
    why: tuple[WhyOut, ...]
    needs: tuple[NeedOut, ...]


class QuestionOut(Out, frozen=True, kw_only=True):
    """A role whose part the plate decides: priced as `priced`, and ordered as none."""

    role: str
    cylinder: int | None
    parts: tuple[str, ...]
    priced: str


class CautionOut(Out, frozen=True, kw_only=True):
    """A hazard of this visit, and the steps that bring it."""

    code: str
    title: str
    text: str
    steps: tuple[str, ...]


class ShopOut(Out, frozen=True, kw_only=True):
    """Whose quote it is."""

    id: str
    name: str
    currency: str
    prices_include_tax: bool


class QuoteOut(Out, frozen=True, kw_only=True):
    """The whole quote and its parts orders."""

    provisional: bool
    on: date
    valid_until: date
    parts_by: date | None
    language: str
    catalogue_revision: str
    shop: ShopOut
    engine: EngineOut
    jobs: tuple[JobOut, ...]
    swallowed: tuple[SwallowedOut, ...]
    access: AccessOut
    labour: tuple[LabourOut, ...]
    kit: KitOut
    lines: tuple[LineOut, ...]
    taxes: tuple[TaxOut, ...]
    tax_state: Annotated[str, Meta(pattern="^(known|unknown)$")]
    totals: TotalsOut
    orders: tuple[OrderOut, ...]
    unfilled: tuple[UnfilledOut, ...]
    extras: tuple[ExtraOut, ...]
    questions: tuple[QuestionOut, ...]
    cautions: tuple[CautionOut, ...]


def answer(quote: Quote, speaker: Speaker, *, language: str, revision: str) -> QuoteOut:
    """Return a quote as it goes over the wire, its sentences in the speaker's language."""
    told = _Teller(speaker)
    repair = quote.repair
    return QuoteOut(
        provisional=quote.is_provisional,
        on=quote.request.asked.on,
        valid_until=quote.valid_until,
        parts_by=quote.parts_by,
        language=language,
        catalogue_revision=revision,
        shop=ShopOut(
            id=quote.shop.id,
            name=quote.shop.name,
            currency=quote.shop.currency,
            prices_include_tax=quote.shop.selling_prices_include_tax,
        ),
        engine=_engine(quote),
        jobs=tuple(
            JobOut(
                job=each.operation.job.id,
                name=each.operation.job.name,
                cylinder=each.operation.cylinder,
                minutes_alone=each.minutes_alone,
                minutes_here=each.minutes_here,
                why=told.whys(each.operation.why),
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
        lines=_lines(quote, told),
        taxes=tuple(
            TaxOut(
                component=tax.component,
                name=tax.name,
                rate=decimal_text(tax.percent),
                base=money(tax.base),
                amount=money(tax.amount),
            )
            for tax in repair.taxes
        ),
        tax_state="unknown" if repair.line_taxes is None else "known",
        totals=TotalsOut(
            lines=money(repair.totals.lines),
            net=_maybe(repair.totals.net),
            tax=_maybe(repair.totals.tax),
            gross=_maybe(repair.totals.gross),
            payable=_maybe(repair.totals.payable),
        ),
        orders=tuple(_order(order, told) for order in repair.orders),
        unfilled=_unfilled(repair.kit, told),
        extras=tuple(_extra(extra, told) for extra in quote.extras),
        questions=tuple(
            QuestionOut(
                role=need.role, cylinder=need.cylinder, parts=need.options, priced=need.item
            )
            for need in repair.kit.questions
        ),
        cautions=tuple(
            CautionOut(
                code=each.hazard.id,
                title=each.hazard.title,
                text=each.hazard.text,
                steps=each.steps,
            )
            for each in quote.cautions
        ),
    )


def money(value: Money) -> MoneyOut:
    """Return an amount on the wire."""
    return MoneyOut(amount=value.amount_text, currency=value.currency)


def _maybe(value: Money | None) -> MoneyOut | None:
    return None if value is None else money(value)


class _Teller:
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


def _engine(quote: Quote) -> EngineOut:
    request = quote.request
    chassis = request.chassis
    return EngineOut(
        family=request.family.id,
        name=f"{request.family.maker} {request.family.name}",
        serial=request.asked.serial,
        build_code=request.asked.build_code,
        chassis=None if chassis is None else chassis.id,
        chassis_name=None if chassis is None else chassis.name,
    )


def _access(plan: AccessPlan, told: _Teller) -> AccessOut:
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
        )
        for each in covers
    )


def _kit(kit: Kit, told: _Teller) -> KitOut:
    stocked = [
        PackOut(
            item=taken.item,
            packs=decimal_text(taken.packs),
            source="stock",
            covers=_covers(taken.covers),
        )
        for taken in kit.from_stock
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
        packs=(*stocked, *bought),
        left_over=tuple(
            LeftOut(item=left.item, quantity=decimal_text(left.quantity), unit=REC20[left.unit])
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
    )


def _lines(quote: Quote, told: _Teller) -> tuple[LineOut, ...]:
    repair = quote.repair
    taxed = repair.line_taxes or ((None, None, None),) * len(repair.lines)
    return tuple(
        LineOut(
            kind=line.kind.value,
            code=line.code,
            cylinder=None if line.operation is None else line.operation[1] or None,
            description=told.speaker.line(line),
            quantity=decimal_text(line.quantity),
            unit=REC20[line.unit],
            unit_price=f"{line.unit_price:f}",
            base_quantity=decimal_text(line.base_quantity),
            amount=money(line.amount),
            net=_maybe(net),
            tax=_maybe(tax),
            gross=_maybe(gross),
            tax_kind=line.tax_kind.value,
            labour_class=line.labour_class,
            why=told.whys(line.why),
        )
        for line, (net, tax, gross) in zip(repair.lines, taxed, strict=True)
    )


def _order(order: PartsOrder, told: _Teller) -> OrderOut:
    return OrderOut(
        supplier=order.supplier.id,
        name=order.supplier.name,
        order_by=order.supplier.cutoff,
        lines=tuple(
            OrderLineOut(
                sku=line.source.sku,
                item=line.source.item,
                name=told.speaker.item(line.source.item),
                brand=line.source.brand,
                packs=line.packs,
                pack_size=line.source.pack,
                unit_cost=f"{line.unit_cost:f}",
                net=money(line.net),
                stock={None: "unknown", 0: "back_order"}.get(line.source.stock, "known"),
                promised=line.promised,
                covers=_covers(line.covers),
            )
            for line in order.lines
        ),
        goods=money(order.goods),
        fees=tuple(OrderFeeOut(code=fee.code, amount=money(fee.amount)) for fee in order.fees),
        freight=money(order.freight),
        net=money(order.net),
        promised=order.promised,
    )


def _unfilled(kit: Kit, told: _Teller) -> tuple[UnfilledOut, ...]:
    return tuple(
        UnfilledOut(
            item=each.item,
            quantity=decimal_text(each.quantity),
            unit=REC20[each.unit],
            needs=tuple(
                CoversOut(
                    role=need.role,
                    cylinder=need.cylinder,
                    part=need.item,
                    quantity=decimal_text(need.quantity),
                )
                for need in each.needs
            ),
            why=told.whys((Why("no-source", {"item": each.item}),)),
        )
        for each in kit.unfilled
    )


def _extra(extra: Extra, told: _Teller) -> ExtraOut:
    why = WhyOut(code="while-apart", facts={"job": extra.job}, text=extra.reason)
    return ExtraOut(
        job=extra.job,
        name=extra.name,
        cylinders=extra.cylinders,
        price=money(extra.price),
        minutes=extra.minutes,
        default=extra.default,
        why=(why,),
        needs=tuple(told.need(need, "recommended") for need in extra.needs),
    )
