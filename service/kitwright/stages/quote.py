"""Quote: tax, totals, cautions and dates around the lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from fractions import Fraction
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    Catalogue,
    Hazard,
    HazardId,
    JobId,
    RoleId,
    RoundBy,
    Shop,
    TaxArea,
)
from kitwright.money import Money, cash_round, round_minor, total
from kitwright.stages.access import AccessPlan
from kitwright.stages.assessment import Assessment
from kitwright.stages.diagnosis import Ranked
from kitwright.stages.job import Jobs, Operation
from kitwright.stages.kit import Kit
from kitwright.stages.labour import Labour
from kitwright.stages.line import LineKind, PricedLine
from kitwright.stages.need import Need
from kitwright.stages.order import PartsOrder
from kitwright.stages.request import Request
from kitwright.stages.supply import working_day
from kitwright.stages.terms import MinutesOverride, Terms
from kitwright.stages.why import Why
from kitwright.tax.charges import Charge, ComponentTax, Taxed, TaxedLine, tax_charges
from kitwright.units import exact

WHOLE_ENGINE: Final = RoleId("engine")
"""The role that a whole replacement engine fills."""


_MAY_BE_ORDERED: Final = (LineKind.part, LineKind.part_set)


class Totals(Struct, frozen=True, kw_only=True):
    """The sums of the printed lines. net + tax = gross; what is not known is None, never zero.

    `lines` is the sum of all lines but discounts, `discount` that of discounts (zero or below),
    both net or gross as the shop's prices are. `deposit` is asked in advance. `payable` is the
    gross amount less what is `prepaid`, with the `cash_rounding` that makes it payable in
    coins.
    """

    lines: Money
    discount: Money
    net: Money | None
    tax: Money | None
    gross: Money | None
    deposit: Money
    prepaid: Money
    cash_rounding: Money
    payable: Money | None


class Caution(Struct, frozen=True):
    """A hazard of this visit, and the steps that bring it."""

    hazard: Hazard
    steps: tuple[str, ...]


class Extra(Struct, frozen=True, kw_only=True):
    """An optional job at its true extra price: what the whole visit would cost more with it,
    tax included where known.
    """

    job: JobId
    name: str
    cylinders: tuple[int, ...]
    price: Money
    minutes: int
    default: str
    reason: str
    needs: tuple[Need, ...]


class Operated(Struct, frozen=True):
    """An operation with its billed minutes: as the only job, and here among the others.

    `minutes_computed` is what it would be billed here, had nobody overridden it.
    """

    operation: Operation
    minutes_alone: int
    minutes_here: int
    minutes_computed: int
    why: tuple[Why, ...]


class Repair(Struct, frozen=True, kw_only=True):
    """One way to do the work, planned, priced and taxed."""

    jobs: Jobs
    plan: AccessPlan
    labour: Labour
    kit: Kit
    orders: tuple[PartsOrder, ...]
    lines: tuple[PricedLine, ...]
    line_taxes: tuple[TaxedLine, ...] | None
    taxes: tuple[ComponentTax, ...]
    totals: Totals

    @property
    def price(self) -> Money:
        """What the repair costs as far as it is known: gross, else the sum of the lines."""
        known = self.totals.gross
        return self.totals.lines + self.totals.discount if known is None else known


class Draft(Struct, frozen=True, kw_only=True, eq=False, weakref=True):
    """A quote before the counter changes its lines or parts, the same for requests that are alike.

    Compared by identity, so that what is made of it can be remembered beside it.
    """

    repair: Repair
    operated: tuple[Operated, ...]
    extras: tuple[Extra, ...]
    cautions: tuple[Caution, ...]


class InPlay(Struct, frozen=True, kw_only=True):
    """Faults that one and the same repair would cure, and what that would come to as a visit of
    its own, tax included where known.
    """

    faults: tuple[Ranked, ...]
    operations: tuple[Operation, ...]
    price: Money
    minutes: int


class Basis(Struct, frozen=True, kw_only=True):
    """The findings that a quote is made of. Where they support no repair yet, the quote is for
    what finds out more, and `in_play` names the repairs that may follow.
    """

    assessment: Assessment
    is_repair: bool
    in_play: tuple[InPlay, ...] = ()


class Quote(Struct, frozen=True, kw_only=True):
    """The whole answer to a request: its draft, and the repair as the counter has changed it.

    `parts_by` is the day on which everything ordered, and everything sent out, should be back;
    None where nothing is. `basis` is None where no findings were given.
    """

    request: Request
    shop: Shop
    draft: Draft
    repair: Repair
    operated: tuple[Operated, ...]
    parts_by: date | None
    valid_until: date
    basis: Basis | None = None

    @property
    def is_of_draft(self) -> bool:
        """Whether the work is the draft's: lines may differ, minutes, kit and orders do not."""
        return self.repair.kit is self.draft.repair.kit

    @property
    def extras(self) -> tuple[Extra, ...]:
        """The jobs worth doing while the engine is apart."""
        return self.draft.extras

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """The hazards of the visit."""
        return self.draft.cautions

    @property
    def is_provisional(self) -> bool:
        """Whether a question about the plate is open."""
        return bool(self.repair.kit.questions)


def tax_lines(
    shop: Shop, request: Request, lines: Sequence[PricedLine], kit: Kit
) -> tuple[tuple[TaxedLine, ...] | None, tuple[ComponentTax, ...], Totals]:
    """Return each line's net, tax and gross, the taxes, and the totals; None where tax is not
    known.
    """
    currency = shop.currency
    discounts = [line.amount for line in lines if line.kind is LineKind.discount]
    discount = total(discounts, currency)
    summed = total((line.amount for line in lines), currency)
    terms = request.asked.terms
    prepaid = Money.of(terms.prepaid, currency)
    if request.tax_area is None:
        totals = Totals(
            lines=summed - discount,
            discount=discount,
            net=None if shop.selling_prices_include_tax else summed,
            tax=None,
            gross=None,
            deposit=_deposit(shop, lines, None, kit),
            prepaid=prepaid,
            cash_rounding=Money(0, currency),
            payable=None,
        )
        return None, (), totals
    taxed = _taxed(request.tax_area, request, lines)
    left = taxed.gross - prepaid
    coins = cash_round(left, shop.cash_step) if terms.pays_cash and shop.cash_step else left
    totals = Totals(
        lines=summed - discount,
        discount=discount,
        net=taxed.net,
        tax=taxed.tax,
        gross=taxed.gross,
        deposit=min(_deposit(shop, lines, taxed.lines, kit), max(taxed.gross, Money(0, currency))),
        prepaid=prepaid,
        cash_rounding=coins - left,
        payable=coins,
    )
    return taxed.lines, taxed.taxes, totals


def _taxed(area: TaxArea, request: Request, lines: Sequence[PricedLine]) -> Taxed:
    """Return the tax of lines and their discounts.

    Where each line's tax is rounded, a discount's tax is what it takes off the tax of the lines
    that it reduces: so what is given away bears none, to the last minor unit.
    """

    def tax(charges: Sequence[Charge]) -> Taxed:
        return tax_charges(area, charges, on=request.asked.on, exempt=request.exempt_kinds)

    discounts = [line for line in lines if line.kind is LineKind.discount]
    if not discounts or area.rounding.by is not RoundBy.line:
        return tax([Charge(line.tax_kind, line.amount) for line in lines])
    others = [line for line in lines if line.kind is not LineKind.discount]
    amounts = [line.amount for line in others]
    currency = area.currency
    taxed = tax([Charge(line.tax_kind, line.amount) for line in others])
    printed = [*taxed.lines]
    for discount in discounts:
        for place, off in discount.reduces:
            amounts[place] -= Money(off, currency)
        reduced = tax(
            [Charge(line.tax_kind, amount) for line, amount in zip(others, amounts, strict=True)]
        )
        printed.append(
            TaxedLine(
                net=reduced.net - taxed.net,
                tax=reduced.tax - taxed.tax,
                gross=reduced.gross - taxed.gross,
            )
        )
        taxed = reduced
    return structs.replace(taxed, lines=tuple(printed))


def _deposit(
    shop: Shop,
    lines: Sequence[PricedLine],
    taxed: Sequence[TaxedLine] | None,
    kit: Kit,
) -> Money:
    """Return what is asked in advance: the shop's share of what parts cost that are ordered for
    this quote.
    """
    ordered: dict[str, Fraction] = {}
    for bought in kit.bought:
        item = bought.source.item
        # a set's line counts sets, a part's the pieces that are fitted
        is_set = any(each.need.item != item for each in bought.covers)
        pieces: Fraction | int = bought.packs * bought.source.pack
        if not is_set:
            pieces = sum((each.quantity for each in bought.covers), start=Fraction(0))
        ordered[item] = ordered.get(item, Fraction(0)) + pieces
    taken_off: dict[int, int] = {}
    for line in lines:
        for place, off in line.reduces:
            taken_off[place] = taken_off.get(place, 0) + off
    engines = {need.item for need in kit.needs if need.role == WHOLE_ENGINE}
    terms = shop.quote.deposit
    asked = {True: Fraction(0), False: Fraction(0)}
    for index, line in enumerate(lines):
        if line.kind in _MAY_BE_ORDERED and line.code in ordered and line.amount.minor:
            price = Fraction((line.amount if taxed is None else taxed[index].gross).minor)
            if index in taken_off:
                price *= 1 - Fraction(taken_off[index], line.amount.minor)
            part = ordered[line.code]
            if part < line.quantity:
                price *= part / exact(line.quantity)
            asked[line.code in engines] += price
    minor = (
        asked[True] * exact(terms.whole_engine_percent)
        + asked[False] * exact(terms.special_order_percent)
    ) / 100
    return Money(round_minor(minor), shop.currency)


def find_cautions(
    catalogue: Catalogue, labour: Labour, needs: Iterable[Need]
) -> tuple[Caution, ...]:
    """Return the hazards of everything done and used on this visit, each once, in the
    catalogue's order.
    """
    steps: dict[HazardId, list[str]] = {}
    for task in labour.tasks:
        for hazard in task.hazards:
            steps.setdefault(hazard, []).append(task.name)
    for need in needs:
        consumable = catalogue.consumables.get(need.item)
        for hazard in consumable.hazards if consumable is not None else ():
            if need.item not in steps.setdefault(hazard, []):
                steps[hazard].append(need.item)
    return tuple(
        Caution(hazard, tuple(steps[code]))
        for code, hazard in catalogue.hazards.items()
        if code in steps
    )


def make_quote(shop: Shop, request: Request, repair: Repair, draft: Draft) -> Quote:
    """Return the quote of a repair: the draft's own, or one that the counter has changed."""
    on = request.asked.on
    operated = draft.operated
    if repair.labour is not draft.repair.labour:
        operated = tuple(_changed(each, repair, request.asked.terms) for each in operated)
    return Quote(
        request=request,
        shop=shop,
        draft=draft,
        repair=repair,
        operated=operated,
        parts_by=_parts_by(shop, repair, on),
        valid_until=on + timedelta(days=shop.quote.valid_days),
    )


def _changed(operated: Operated, repair: Repair, terms: Terms) -> Operated:
    """Return an operation with the minutes that it has now, and who set them."""
    operation = operated.operation
    reasons = (
        Why("minutes-overridden", {"reason": each.reason, "by": each.by})
        for each in terms.overrides
        if isinstance(each, MinutesOverride)
        and (each.job, each.cylinder) == (operation.job.id, operation.cylinder)
    )
    return structs.replace(
        operated,
        minutes_here=repair.labour.minutes_of(operation.key),
        why=(*operated.why, *reasons),
    )


def _parts_by(shop: Shop, repair: Repair, on: date) -> date | None:
    days = [
        shop.sublet[operation.job.sublet].days
        for operation in repair.jobs.operations
        if operation.job.sublet is not None
    ]
    ready = max((order.promised for order in repair.orders), default=None)
    if not days:
        return ready
    # sent-out work and parts come at the same time; whichever is later decides
    back = working_day(shop, on, max(days))
    return back if ready is None else max(back, ready)
