"""Bill: each agreed line against what is billed for it, with the taxes of the whole.

Labour is billed by the shop's basis: the minutes agreed, those clocked, or those clocked up to
those agreed. Goods are billed as used; a deposit for old parts is taken for no more of them than
were used. A discount in per cent follows what it reduces; one of an
amount stays, but is never more than what it reduces. Freight that is passed on is billed at most as
suppliers charged it. Deposits for old parts that the customer left
are refunded as lines of their own. Everything else is billed as agreed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from datetime import date
from decimal import Decimal
from enum import StrEnum

from msgspec import Struct, structs

from kitwright.catalogue.model import LabourBasis, TaxArea
from kitwright.money import Money, line_amount, round_ratio
from kitwright.stages.billing.used import (
    CORE,
    DISCOUNT,
    FREIGHT,
    WARRANTY,
    AgreedLine,
    CoreBack,
    Used,
    check_used,
    deposits_due,
)
from kitwright.tax import Charge, LineTax, Reductions, Taxed, TaxedLine, line_taxes, tax_reduced


class Why(StrEnum):
    """Why a line is billed as it is."""

    agreed = "agreed"
    clocked = "clocked"
    capped = "capped"
    used = "used"
    charged = "charged"
    follows = "follows"
    core_back = "core_back"
    not_done = "not_done"
    stopped = "stopped"
    limited = "limited"


class BilledLine(Struct, frozen=True, kw_only=True):
    """A line as billed. `place` is that of its agreed line; a refund has that of its deposit.

    `clocked` are the minutes clocked, None if none were told.
    """

    place: int
    quantity: Decimal
    amount: Money
    why: Why
    clocked: Decimal | None = None
    to_shelf: Decimal = Decimal(0)
    to_supplier: Decimal = Decimal(0)
    not_arrived: Decimal = Decimal(0)
    tax: TaxedLine | None = None
    taxes: tuple[LineTax, ...] = ()


class Billed(Struct, frozen=True, kw_only=True):
    """A bill: the agreed lines in their order, then refunds; and the sums with tax."""

    lines: tuple[BilledLine, ...]
    taxed: Taxed


def bill(
    lines: Sequence[AgreedLine],
    used: Used,
    *,
    basis: LabourBasis,
    area: TaxArea,
    on: date,
    exempt: Set[str] = frozenset(),
    charged: Money | None = None,
) -> Billed:
    """Return the bill for agreed lines of which some were used otherwise than agreed.

    Without anything told, every line is billed as agreed.

    Args:
        lines: as agreed, additions last, in the area's currency.
        used: what was used and clocked.
        basis: which minutes are paid.
        area: the tax rules that the lines were agreed by.
        on: the day whose rates apply.
        exempt: the charge kinds that the customer's certificate frees from tax.
        charged: what suppliers charged in freight and fees, without tax; None if that is not known.

    Raises: RequestRefused, and the errors of the tax rules.
    """
    check_used(lines, used)
    billed = [*_lines(lines, used, basis)]
    _deposit(lines, used, billed)
    if charged is not None:
        _pass_on(lines, billed, charged)
    _follow(lines, billed)
    _bear(lines, billed)
    billed += [_refund(lines[one.line - 1], one) for one in used.cores if one.quantity]
    return with_taxes(lines, billed, area=area, on=on, exempt=exempt)


def with_taxes(
    lines: Sequence[AgreedLine],
    billed: Sequence[BilledLine],
    *,
    area: TaxArea,
    on: date,
    exempt: Set[str],
) -> Billed:
    """Return billed lines with their taxes; `lines` are what they are of, by place.

    Raises: the errors of the tax rules.
    """
    charges = [Charge(lines[one.place - 1].tax_kind, one.amount) for one in billed]
    taxed = tax_reduced(area, charges, _reductions(lines, billed), on=on, exempt=exempt)
    shown = {tax.component for tax in (*taxed.taxes, *taxed.freed)}
    return Billed(
        lines=tuple(
            structs.replace(
                one,
                tax=tax,
                taxes=tuple(
                    line_taxes(
                        area,
                        charge.kind,
                        tax,
                        on=on,
                        is_exempt=charge.kind in exempt,
                        shown=shown,
                    )
                ),
            )
            for one, charge, tax in zip(billed, charges, taxed.lines, strict=True)
        ),
        taxed=taxed,
    )


def _reductions(lines: Sequence[AgreedLine], billed: Sequence[BilledLine]) -> Reductions:
    """Return what the allowances for what the shop bears reduce; other lines reduce nothing."""
    borne = [
        (at, line, _borne(line, one.amount))
        for at, one in enumerate(billed)
        if (line := lines[one.place - 1]).borne is not None and one.why is not Why.core_back
    ]
    return [
        tuple((at, off) for at, line, off in borne if off and line.tax_kind == own.tax_kind)
        if (own := lines[one.place - 1]).code == WARRANTY and one.amount.minor
        else ()
        for one in billed
    ]


def _lines(lines: Sequence[AgreedLine], used: Used, basis: LabourBasis) -> Iterator[BilledLine]:
    """Yield every agreed line as it is billed, discounts as they were agreed."""
    goods = {one.line: one for one in used.goods}
    clocked = {one.line: one.minutes for one in used.clocked}
    for place, line in enumerate(lines, start=1):
        if place in goods:
            dealt = goods[place]
            yield BilledLine(
                place=place,
                quantity=dealt.used,
                amount=amount_of_part(line, dealt.used),
                why=Why.agreed if dealt.used == line.quantity else Why.used,
                to_shelf=dealt.to_shelf,
                to_supplier=dealt.to_supplier,
                not_arrived=dealt.not_arrived,
            )
            continue
        minutes = clocked.get(place)
        quantity, why = line.quantity, Why.agreed
        if minutes is not None:
            quantity, why = _paid(line.quantity, minutes, basis)
        yield BilledLine(
            place=place,
            quantity=quantity,
            amount=amount_of_part(line, quantity),
            why=why,
            clocked=minutes,
        )


def _paid(agreed: Decimal, clocked: Decimal, basis: LabourBasis) -> tuple[Decimal, Why]:
    """Return the minutes that are paid, and why these."""
    if basis is LabourBasis.flat or clocked == agreed:
        return agreed, Why.agreed
    if basis is LabourBasis.actual_capped_by_quote and clocked > agreed:
        return agreed, Why.capped
    return clocked, Why.clocked


def amount_of_part(line: AgreedLine, quantity: Decimal) -> Money:
    """Return the amount of a quantity at the price of a line."""
    if quantity == line.quantity:
        return line.amount
    return line_amount(quantity, line.unit_price, line.base_quantity, currency=line.amount.currency)


def _deposit(lines: Sequence[AgreedLine], used: Used, billed: list[BilledLine]) -> None:
    """Change the deposits for old parts of goods of which fewer were used than agreed."""
    for place, line in enumerate(lines, start=1):
        quantity = deposits_due(lines, used, place) if line.kind == CORE else line.quantity
        if quantity != line.quantity:
            billed[place - 1] = structs.replace(
                billed[place - 1],
                quantity=quantity,
                amount=amount_of_part(line, quantity),
                why=Why.used,
            )


def _pass_on(lines: Sequence[AgreedLine], billed: list[BilledLine], charged: Money) -> None:
    """Change the lines of freight so that together they are at most what was charged."""
    left = charged
    for place, line in enumerate(lines):
        if line.kind == FREIGHT:
            amount = min(line.amount, left)
            left -= amount
            if amount != line.amount:
                billed[place] = structs.replace(billed[place], amount=amount, why=Why.charged)


def _follow(lines: Sequence[AgreedLine], billed: list[BilledLine]) -> None:
    """Change every discount with what it reduces; together they never exceed that."""
    taken: dict[str, int] = {}
    for place, line in enumerate(lines):
        if line.kind != DISCOUNT or line.code == WARRANTY:
            continue
        reduced = [at for at, one in enumerate(lines) if _is_reduced(one, line)]
        agreed = sum(lines[at].amount.minor for at in reduced)
        now = sum(billed[at].amount.minor for at in reduced)
        off = -line.amount.minor
        if agreed != now:
            if line.percent is not None and agreed > 0:
                off = round_ratio(off * max(now, 0), agreed)
            off = max(0, min(off, now, _left(lines, billed, line.tax_kind, taken)))
        taken[line.tax_kind] = taken.get(line.tax_kind, 0) + off
        if off != -line.amount.minor:
            amount = Money(-off, line.amount.currency)
            billed[place] = structs.replace(billed[place], amount=amount, why=Why.follows)


def _bear(lines: Sequence[AgreedLine], billed: list[BilledLine]) -> None:
    """Change every allowance for what the shop bears: of each line, the same share as agreed."""
    for place, line in enumerate(lines):
        if line.code != WARRANTY:
            continue
        off = sum(
            _borne(one, billed[at].amount)
            for at, one in enumerate(lines)
            if one.borne is not None and one.tax_kind == line.tax_kind
        )
        if off != -line.amount.minor:
            amount = Money(-off, line.amount.currency)
            billed[place] = structs.replace(billed[place], amount=amount, why=Why.follows)


def _borne(line: AgreedLine, now: Money) -> int:
    """Return what the shop bears of a line that is billed with an amount, in minor units."""
    borne, agreed = line.borne, line.amount.minor
    assert borne is not None
    return borne.minor if now.minor == agreed else round_ratio(borne.minor * now.minor, agreed)


def _left(
    lines: Sequence[AgreedLine], billed: Sequence[BilledLine], kind: str, taken: dict[str, int]
) -> int:
    """Return what discounts and the shop's own share have left of the lines of a tax kind, in minor
    units.
    """
    whole = sum(
        one.amount.minor - (0 if line.borne is None else _borne(line, one.amount))
        for line, one in zip(lines, billed, strict=True)
        if line.tax_kind == kind and line.kind not in (DISCOUNT, CORE)
    )
    return whole - taken.get(kind, 0)


def _is_reduced(line: AgreedLine, discount: AgreedLine) -> bool:
    if line.kind == DISCOUNT or line.tax_kind != discount.tax_kind:
        return False
    if discount.reduces is not None:
        return line.code == discount.reduces
    return line.kind != CORE


def _refund(line: AgreedLine, back: CoreBack) -> BilledLine:
    return BilledLine(
        place=back.line,
        quantity=back.quantity,
        amount=-amount_of_part(line, back.quantity),
        why=Why.core_back,
    )
