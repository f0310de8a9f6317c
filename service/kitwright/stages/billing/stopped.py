"""Stopped: the bill for work that stopped before it was done, and what keeps it within its limit.

Each agreed line is billed for the part of it that is due, most of them for nothing. The minutes
that are due, and a reduction to what may be billed at most, are lines of their own behind them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from datetime import date
from decimal import Decimal
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import TaxArea
from kitwright.money import Money, line_amount, total
from kitwright.stages.billing.bill import Billed, BilledLine, Why, amount_of_part, with_taxes
from kitwright.stages.billing.used import DISCOUNT, LABOUR, MINUTE, PIECE, AgreedLine
from kitwright.stages.work_plan import STOPPED
from kitwright.tax import Charge, tax_charges

LIMITED: Final = "limited"
"""The code of a reduction to what may be billed at most."""


class Most(Struct, frozen=True):
    """The most that may be billed, with tax if `includes_tax`."""

    amount: Money
    includes_tax: bool


class Minutes(Struct, frozen=True, kw_only=True):
    """Minutes of a labour class that are due, at a price per hour."""

    labour_class: str
    minutes: int
    rate: Decimal


class StoppedBill(Struct, frozen=True):
    """The bill, and the lines that it has besides those agreed, which follow them in its places."""

    billed: Billed
    lines: tuple[AgreedLine, ...]


def bill_stopped(
    lines: Sequence[AgreedLine],
    due: Mapping[int, Decimal],
    minutes: Iterable[Minutes],
    *,
    most: Most | None,
    area: TaxArea,
    on: date,
    exempt: Set[str] = frozenset(),
) -> StoppedBill:
    """Return the bill for agreed lines of which only some is due.

    Args:
        lines: as agreed, additions last, in the area's currency.
        due: the quantity of a line that is due, by its place from 1; of all others nothing is.
        minutes: those that are due, in place of the agreed lines of labour.
        most: a bill above it is reduced to it, labour first; None: there is no such limit.
        area: the tax rules that the lines were agreed by.
        on: the day whose rates apply.
        exempt: the charge kinds that the customer's certificate frees from tax.

    Raises: the errors of the tax rules.
    """
    nothing = Money(0, area.currency)
    billed = [_due(place, line, due.get(place), nothing) for place, line in enumerate(lines, 1)]
    added = [_labour(one, area.currency) for one in minutes if one.minutes]
    whole = (*lines, *added)
    billed += [_added(len(lines), at, line) for at, line in enumerate(added, 1)]

    def bill_of(more: Sequence[AgreedLine]) -> Billed:
        every = [*billed, *(_added(len(whole), at, line) for at, line in enumerate(more, 1))]
        return with_taxes((*whole, *more), every, area=area, on=on, exempt=exempt)

    def comes_to(charges: Sequence[Charge], includes_tax: bool) -> Money:
        taxed = tax_charges(area, charges, on=on, exempt=exempt)
        return taxed.gross if includes_tax else taxed.net

    charges = [Charge(line.tax_kind, one.amount) for line, one in zip(whole, billed, strict=True)]
    reductions: tuple[AgreedLine, ...] = ()
    if most is not None:
        includes = most.includes_tax
        cuts = _cuts(charges, most.amount, lambda some: comes_to(some, includes))
        reductions = tuple(_reduction(kind, cut) for kind, cut in cuts)
    return StoppedBill(bill_of(reductions), (*added, *reductions))


def _due(place: int, line: AgreedLine, quantity: Decimal | None, nothing: Money) -> BilledLine:
    if quantity is None:
        zero = Decimal(0)
        return BilledLine(place=place, quantity=zero, amount=nothing, why=Why.not_done)
    return BilledLine(
        place=place,
        quantity=quantity,
        amount=amount_of_part(line, quantity),
        why=Why.agreed if quantity == line.quantity else Why.used,
    )


def _added(before: int, at: int, line: AgreedLine) -> BilledLine:
    why = Why.limited if line.kind == DISCOUNT else Why.stopped
    return BilledLine(place=before + at, quantity=line.quantity, amount=line.amount, why=why)


def _labour(one: Minutes, currency: str) -> AgreedLine:
    quantity, base = Decimal(one.minutes), Decimal(60)
    return AgreedLine(
        kind=LABOUR,
        code=STOPPED,
        tax_kind=LABOUR,
        quantity=quantity,
        unit=MINUTE,
        unit_price=one.rate,
        base_quantity=base,
        amount=line_amount(quantity, one.rate, base, currency=currency),
        labour_class=one.labour_class,
    )


def _reduction(kind: str, cut: Money) -> AgreedLine:
    return AgreedLine(
        kind=DISCOUNT,
        code=LIMITED,
        tax_kind=kind,
        quantity=Decimal(1),
        unit=PIECE,
        unit_price=-cut.amount,
        base_quantity=Decimal(1),
        amount=-cut,
    )


def _cuts(
    charges: Sequence[Charge], most: Money, comes_to: Callable[[Sequence[Charge]], Money]
) -> Iterator[tuple[str, Money]]:
    """Yield by how much the charges of each kind are reduced, labour first, so that together they
    come to at most an amount: by as little as that takes.
    """
    cuts: list[Charge] = []
    kinds = sorted(dict.fromkeys(one.kind for one in charges), key=lambda kind: kind != LABOUR)
    for kind in kinds:
        if comes_to((*charges, *cuts)) <= most:
            return
        whole = total((one.amount for one in charges if one.kind == kind), most.currency)
        if whole.minor <= 0:
            continue
        cut = _least_cut(kind, whole, most, lambda one: comes_to((*charges, *cuts, one)))
        cuts.append(Charge(kind, -cut))
        yield kind, cut


def _least_cut(kind: str, whole: Money, most: Money, comes_to: Callable[[Charge], Money]) -> Money:
    """Return the least reduction of a kind with which all comes to at most an amount; all of it if
    that is not enough.
    """
    low, high = 0, whole.minor
    while high - low > 1:
        middle = (low + high) // 2
        if comes_to(Charge(kind, Money(-middle, whole.currency))) <= most:
            high = middle
        else:
            low = middle
    return Money(high, whole.currency)
