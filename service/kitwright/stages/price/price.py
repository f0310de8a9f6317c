"""Price: the lines of a quote, from the kit, the labour, the parts orders and the shop's fees."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import (
    Catalogue,
    ChargeKind,
    Shop,
    SubletPrice,
    TaxArea,
)
from kitwright.money import Money, digits, line_amount, round_ratio, total
from kitwright.stages.kit import OIL_FILL, Kit
from kitwright.stages.ordering import PartsOrder
from kitwright.stages.price.line import (
    DIAGNOSTIC_CREDIT,
    DIAGNOSTIC_FEE,
    LineKind,
    PricedLine,
    price_line,
)
from kitwright.stages.request import Terms
from kitwright.stages.why import Fact, Why
from kitwright.stages.work import Allotted, Labour, Operation, OperationKey
from kitwright.tax.area import gross_up
from kitwright.units import exact

BENCH_MINIMUM = "bench-minimum"
SHOP_SUPPLIES = "shop-supplies"
WASTE_OIL = "waste-oil"
FREIGHT = "freight-and-order-fees"
MOST_LINES: Final = 64
"""Lines of labour and of sublet work that are remembered, of each kind."""


class Priced(Struct, frozen=True, kw_only=True):
    """All data that the lines are made from. `goods` are the kit's own lines, `before` is what
    suppliers charged in freight and fees for orders before these.
    """

    catalogue: Catalogue
    shop: Shop
    operations: tuple[Operation, ...]
    labour: Labour
    kit: Kit
    goods: tuple[PricedLine, ...]
    orders: tuple[PartsOrder, ...]
    before: Money
    diagnostic_done: bool
    diagnostic_fee: Decimal | None
    terms: Terms
    area: TaxArea | None
    on: date


def price_lines(given: Priced) -> tuple[PricedLine, ...]:
    """Return the lines of a quote in the order they are shown: goods, labour, sublet work,
    fees, freight, cores.

    If the shop's prices include tax, all amounts do; tax is added to suppliers' freight first,
    which is without tax.
    """
    goods = given.goods
    labour = tuple(_labour_lines(given))
    cores = tuple(line for line in goods if line.kind is LineKind.core)
    return (
        *(line for line in goods if line.kind is not LineKind.core),
        *labour,
        *_sublet_lines(given),
        *_diagnostic_lines(given),
        *_supplies_line(given, goods, labour),
        *_waste_oil_line(given),
        *_freight_line(given),
        *cores,
    )


def _labour_lines(given: Priced) -> Iterator[PricedLine]:
    shop, shares = given.shop, given.labour.shares
    rates = shop.labour.rates
    for each in given.labour.allotted:
        other = shares.get(each.operation)
        yield _line_of_job(each, other, str(rates[each.labour_class]), shop.currency)
    minimum = given.labour.bench_minimum
    if minimum:
        minutes = sum(each.minutes for each in minimum)
        facts: dict[str, Fact] = {
            "minutes": minutes,
            "minimum": shop.labour.minimum_bench_minutes,
        }
        together = Allotted(minimum[0].operation, minimum[0].labour_class, minutes)
        rate, why = rates[together.labour_class], Why("bench-minimum", facts)
        yield _labour_line(together, BENCH_MINIMUM, rate, shop.currency, why)


@lru_cache(MOST_LINES)
def _line_of_job(
    allotted: Allotted, other: OperationKey | None, rate: str, currency: str
) -> PricedLine:
    """Return the labour line of a job, which has work in common with another one. The rate is in
    digits, because equal rates may be written differently.
    """
    why = _labour_why(allotted, other)
    return _labour_line(allotted, allotted.operation[0], Decimal(rate), currency, *why)


def _labour_why(allotted: Allotted, other: OperationKey | None) -> Iterator[Why]:
    """Yield the reasons of a labour line; the work in common with another job is on its lines."""
    job, cylinder = allotted.operation
    yield Why(
        "labour-of-job",
        {
            "job": job,
            "cylinder": cylinder or None,
            "class": allotted.labour_class,
            "minutes": allotted.minutes,
        },
    )
    if other is not None:
        job, cylinder = other
        yield Why("shares-work", {"job": job, "cylinder": cylinder or None})


def _labour_line(
    allotted: Allotted, code: str, rate: Decimal, currency: str, *why: Why
) -> PricedLine:
    is_of_job = code == allotted.operation[0]
    return price_line(
        LineKind.labour,
        code,
        quantity=allotted.minutes,
        unit="minute",
        unit_price=rate,
        base_quantity=60,
        currency=currency,
        tax_kind=ChargeKind.labour,
        why=why,
        operation=allotted.operation if is_of_job else None,
        labour_class=allotted.labour_class,
    )


def _fee(
    given: Priced,
    code: str,
    unit_price: Decimal,
    why: Why,
    *,
    quantity: Decimal | int = 1,
    unit: str = "piece",
    kind: LineKind = LineKind.fee,
    tax_kind: ChargeKind = ChargeKind.fee,
    operation: OperationKey | None = None,
) -> PricedLine:
    return price_line(
        kind,
        code,
        quantity=quantity,
        unit=unit,
        unit_price=unit_price,
        currency=given.shop.currency,
        tax_kind=tax_kind,
        why=(why,),
        operation=operation,
    )


def _sublet_lines(given: Priced) -> Iterator[PricedLine]:
    for operation in given.operations:
        service = operation.job.sublet
        if service is not None:
            terms, machines = given.shop.sublet[service], given.terms.machines
            yield _sublet_line(service, terms, operation.key, machines, given.shop.currency)


@lru_cache(MOST_LINES)
def _sublet_line(
    service: str, terms: SubletPrice, operation: OperationKey, machines: int, currency: str
) -> PricedLine:
    job, cylinder = operation
    price = exact(terms.cost) * (1 + exact(terms.percent) / 100)
    facts: dict[str, Fact] = {"job": job, "cylinder": cylinder or None, "days": terms.days}
    return price_line(
        LineKind.sublet,
        service,
        quantity=machines,
        unit="piece",
        unit_price=Money.of(price, currency).amount,
        currency=currency,
        tax_kind=ChargeKind.sublet,
        why=(Why("sublet-of-job", facts),),
        operation=operation,
    )


def _diagnostic_lines(given: Priced) -> Iterator[PricedLine]:
    """Yield the diagnostic fee if a diagnosis was done, and its credit against a repair."""
    if not given.diagnostic_done:
        return
    fees = given.shop.fees
    fee = fees.diagnostic if given.diagnostic_fee is None else given.diagnostic_fee
    yield _fee(
        given,
        DIAGNOSTIC_FEE,
        fee,
        Why("diagnostic-done"),
        quantity=given.terms.machines,
    )
    is_repair = any(not operation.job.is_credited_to_repair for operation in given.operations)
    percent = fees.credited_percent
    if is_repair and percent:
        credit = line_amount(percent, fee, 100, currency=given.shop.currency)
        yield _fee(
            given,
            DIAGNOSTIC_CREDIT,
            -credit.amount,
            Why("diagnostic-credited", {"percent": percent}),
            quantity=given.terms.machines,
        )


def _supplies_line(
    given: Priced, goods: Sequence[PricedLine], labour: Sequence[PricedLine]
) -> Iterator[PricedLine]:
    """Yield shop supplies: a percentage of labour, including labour on added lines, up to the cap,
    less chemicals with their own lines if the shop's terms exclude those.
    """
    terms = given.shop.fees.supplies
    currency = given.shop.currency
    by_hand = (
        line_amount(line.quantity, line.unit_price, currency=currency)
        for line in given.terms.labour_by_hand
    )
    of_labour = total((*(line.amount for line in labour), *by_hand), currency)
    itemised = [
        line.amount
        for line in goods
        if line.kind is LineKind.consumable and given.catalogue.consumables[line.code].is_chemical  # type: ignore[index]
    ]
    chemicals = total(itemised if terms.exclude_itemised else (), currency)
    # in minor units over a common denominator, so that one fraction is rounded once
    percent_top, percent_bottom = terms.percent_of_labour.as_integer_ratio()
    cap_top, cap_bottom = terms.cap.as_integer_ratio()
    # each machine is a visit of its own
    cap_top *= given.terms.machines
    bottom = percent_bottom * 100 * cap_bottom
    share = of_labour.minor * percent_top * cap_bottom
    most = cap_top * 10 ** digits(currency) * percent_bottom * 100
    left = min(share, most) - chemicals.minor * bottom
    amount = Money(round_ratio(max(left, 0), bottom), currency)
    if amount.minor:
        facts: dict[str, Fact] = {
            "percent": terms.percent_of_labour,
            "labour": of_labour,
            "cap": Money(round_ratio(cap_top * 10 ** digits(currency), cap_bottom), currency),
            "chemicals": chemicals,
        }
        yield _fee(given, SHOP_SUPPLIES, amount.amount, Why("supplies-of-labour", facts))


def _waste_oil_line(given: Priced) -> Iterator[PricedLine]:
    """Yield the fee for waste oil; its quantity is that of the new oil."""
    price = given.shop.fees.waste_oil_per_litre
    for need in given.kit.needs:
        if need.role == OIL_FILL and price:
            yield _fee(
                given,
                WASTE_OIL,
                price,
                Why("oil-drained", {"litres": need.quantity}),
                quantity=need.quantity,
                unit=need.unit,
            )


def _freight_why(given: Priced, charged: Money, cap: Money) -> Why:
    suppliers = ", ".join(order.supplier.name for order in given.orders if order.charges.minor)
    facts: dict[str, Fact] = {"charged": charged, "cap": cap}
    if not given.before.minor:
        return Why("freight-of-orders", facts | {"suppliers": suppliers})
    if not suppliers:
        return Why("freight-of-orders-before", facts)
    return Why("freight-of-later-orders", facts | {"suppliers": suppliers, "before": given.before})


def _freight_line(given: Priced) -> Iterator[PricedLine]:
    """Yield the line for the orders' freight and suppliers' fees, up to the shop's cap."""
    currency = given.shop.currency
    charged = given.before + total((order.charges for order in given.orders), currency)
    if not charged.minor:
        return
    asked = charged
    if given.shop.selling_prices_include_tax:
        # if the customer's tax is not known, the shop's own tax is in its prices
        area = given.area or given.catalogue.tax_areas[given.shop.tax_area]
        grossed = gross_up(exact(charged.amount), area, ChargeKind.freight, given.on)
        asked = Money.of(grossed, currency)
    cap = Money.of(given.shop.fees.freight.cap, currency)
    amount = min(asked, cap)
    if not amount.minor:
        return
    yield _fee(
        given,
        FREIGHT,
        amount.amount,
        _freight_why(given, charged, cap),
        kind=LineKind.freight,
        tax_kind=ChargeKind.freight,
    )
