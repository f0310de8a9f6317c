"""Shops and tax areas drawn at random, within what the catalogue's checks let through.

Every function takes its choices from a `Random`: one with a seed, or one that Hypothesis drives.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import cache
from random import Random
from typing import TypeVar

from msgspec import structs
from tests.stages.workbench import starter

from kitwright.catalogue.model import (
    AreaId,
    Band,
    Break,
    Catalogue,
    ChargeKind,
    Deposit,
    DiagnosticCredit,
    Exemption,
    Fees,
    FreightRule,
    Labour,
    LabourClass,
    Offer,
    PartsPrice,
    PriceList,
    PriceListId,
    PriceRule,
    Quality,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    Shop,
    StockRow,
    SubletPrice,
    Supplier,
    Supplies,
    TaxArea,
    TaxComponent,
)
from kitwright.money import digits
from kitwright.units import Figure, decimal_text, read_figure
from kitwright.workshop import Workshop

T = TypeVar("T")

WORTH = {"JPY": Fraction(150), "USD": Fraction(1), "BHD": Fraction(3, 8)}
"""Roughly what a dollar is in currencies with 0, 2 and 3 digits."""
CHANGE = date(2027, 7, 1)
"""The day on which drawn rates change."""
KINDS = tuple(kind for kind in ChargeKind if kind is not ChargeKind.discount)
LIST = PriceListId("drawn")


def money(dollars: Decimal | Fraction | int, currency: str, finer: int = 0) -> Figure:
    """Return what so many dollars are worth, in whole minor units or `finer` digits beyond;
    zero only for nothing.
    """
    places = digits(currency) + finer
    scaled = round(Fraction(dollars) * WORTH[currency] * 10**places)
    return read_figure(decimal_text(Fraction(max(scaled, 1 if dollars else 0), 10**places)))


def figure(value: Fraction | int) -> Figure:
    return read_figure(decimal_text(Fraction(value)))


def maybe(random: Random, chance: float) -> bool:
    return random.random() < chance


def some(random: Random, things: Sequence[T], most: int) -> tuple[T, ...]:
    """Return up to `most` different ones, in an order of their own."""
    return tuple(random.sample(things, random.randint(0, min(most, len(things)))))


@cache
def ground(currency: str, *, is_included: bool) -> Catalogue:
    """Return the starter catalogue with every price in one currency, and one price list."""
    plain = starter()

    def priced(usd: Figure) -> dict[PriceListId, Figure]:
        return {LIST: money(usd, currency)}

    usd = PriceListId("usd")
    parts = {
        part.id: structs.replace(
            part,
            list_price=priced(part.list_price[usd]),
            # the starter has few deposits: those of rings and carburettor kits besides
            core_deposit=priced(part.core_deposit.get(usd, Figure("4.50")))
            if part.core_deposit or part.id.endswith(("-P-601", "-C-701"))
            else {},
        )
        for part in plain.parts.values()
    }
    sets = {
        each.id: structs.replace(each, list_price=priced(each.list_price[usd]))
        for each in plain.sets.values()
    }
    consumables = {
        each.id: structs.replace(each, list_price=priced(each.list_price[usd]))
        for each in plain.consumables.values()
    }
    return structs.replace(
        plain,
        price_lists={LIST: PriceList(id=LIST, currency=currency, includes_tax=is_included)},
        parts=parts,
        sets=sets,
        consumables=consumables,
        suppliers={each.id: _supplier(each, currency) for each in plain.suppliers.values()},
        tax_areas={},
        shops={},
    )


def _supplier(plain: Supplier, currency: str) -> Supplier:

    def whole(value: Figure) -> Figure:
        return money(value, currency)

    free_from = plain.free_freight_from
    return structs.replace(
        plain,
        currency=currency,
        freight=whole(plain.freight),
        free_freight_from=None if free_from is None else whole(free_from),
        minimum_order=whole(plain.minimum_order),
        small_order_fee=whole(plain.small_order_fee),
        hazmat_fee=whole(plain.hazmat_fee),
        price_list=None if plain.price_list is None else LIST,
        offer=tuple(_offer(each, currency) for each in plain.offer),
    )


def _offer(plain: Offer, currency: str) -> Offer:
    own = plain.freight
    return structs.replace(
        plain,
        cost=money(plain.cost, currency, finer=1),
        breaks=tuple(
            Break(packs=each.packs, cost=money(each.cost, currency, finer=1))
            for each in plain.breaks
        ),
        freight=None if own is None else money(own, currency),
    )


def draw_area(random: Random, name: str, currency: str, *, is_included: bool) -> TaxArea:
    """Return a tax area of one to three components, some of whose rates change on `CHANGE`."""
    components = tuple(_component(random, place) for place in range(random.randint(1, 3)))
    taxed = {kind for each in components for kind in each.applies_to}
    freed = tuple(kind for kind in KINDS if kind in taxed and maybe(random, 0.6))
    return TaxArea(
        id=AreaId(name),
        name=name,
        note="",
        currency=currency,
        prices_include_tax=is_included,
        rounding=Rounding(
            by=random.choice([*RoundBy]),
            mode=random.choice([*RoundMode]),
        ),
        components=components,
        untaxed=tuple(kind for kind in KINDS if kind not in taxed),
        exemption=Exemption(kinds=freed) if freed else None,
    )


def _component(random: Random, place: int) -> TaxComponent:
    kinds = tuple(kind for kind in KINDS if maybe(random, 0.7)) or (ChargeKind.part,)
    starts = [date(2020, 1, 1)] + ([CHANGE] if maybe(random, 0.5) else [])
    return TaxComponent(
        id=f"t{place}",
        name=f"Tax {place}",
        rates=tuple(Rate(valid_from=start, percent=_percent(random)) for start in starts),
        applies_to=KINDS if maybe(random, 0.3) else kinds,
        compounds=place > 0 and maybe(random, 0.5),
    )


def _percent(random: Random) -> Figure:
    usual = ("0", "5", "7", "8", "9.975", "10", "13", "19", "20", "27")
    if maybe(random, 0.6):
        return read_figure(random.choice(usual))
    return figure(Fraction(random.randint(0, 400_000), 10_000))


def draw_workshop(random: Random) -> Workshop:
    """Return a shop of its own policy in one of three currencies, with two tax areas."""
    currency = random.choice([*WORTH])
    is_included = maybe(random, 0.5)
    plain = ground(currency, is_included=is_included)
    areas = [
        draw_area(random, f"area-{place}", currency, is_included=is_included) for place in (1, 2)
    ]
    shop = _shop(random, currency, areas[0].id, is_included=is_included)
    catalogue = structs.replace(
        plain, tax_areas={area.id: area for area in areas}, shops={shop.id: shop}
    )
    return Workshop(catalogue, shop)


def _shop(random: Random, currency: str, area: AreaId, *, is_included: bool) -> Shop:
    plain = random.choice([*starter().shops.values()])
    steps: list[Figure | None] = [money(Fraction(n, 20), currency) for n in (1, 5)]
    return structs.replace(
        plain,
        currency=currency,
        tax_area=area,
        price_list=LIST,
        selling_prices_include_tax=is_included,
        labour=_labour(random, plain.labour, currency),
        parts_price=_parts_price(random, currency),
        quality_floor={role: random.choice([*Quality]) for role in plain.quality_floor},
        sublet={
            service: SubletPrice(
                cost=money(terms.cost, currency, finer=random.randint(0, 2)),
                days=terms.days,
                percent=figure(Fraction(random.randint(0, 500), 10)),
            )
            for service, terms in plain.sublet.items()
        },
        fees=_fees(random, plain.fees, currency),
        quote=structs.replace(
            plain.quote,
            deposit=Deposit(
                special_order_percent=figure(random.choice([0, 30, 50, 100])),
                whole_engine_percent=figure(random.choice([0, 50, 100])),
            ),
        ),
        cash_step=random.choice([None, *steps]),
        stock=_stock(random, currency),
    )


def _labour(random: Random, plain: Labour, currency: str) -> Labour:
    finer = random.randint(0, 1)
    return structs.replace(
        plain,
        increment_minutes=random.choice([1, 5, 6, 10, 15, 30]),
        rates={
            name: money(Fraction(random.randint(300, 1500), 10), currency, finer)
            for name in plain.rates
        },
        minimum_bench_minutes=random.choice([0, 15, 30, 60, 240]),
        minimum_bench_class=random.choice([LabourClass("tech"), LabourClass("senior")]),
        debris_heavy_minutes=random.choice([0, 7, 20]),
        previous_work_minutes=random.choice([0, 15, 31]),
        rust_factor={
            level: figure(Fraction(random.randint(100, 220), 100)) if level != "none" else figure(1)
            for level in plain.rust_factor
        },
    )


def _parts_price(random: Random, currency: str) -> PartsPrice:
    rule = random.choice([*PriceRule])
    by_bands = rule in (PriceRule.markup, PriceRule.lower_of_list_and_markup)
    edges = sorted(random.sample([1, 2, 5, 10, 25, 60, 100, 250, 500], random.randint(0, 4)))
    bands = [
        Band(
            up_to=money(edge, currency),
            percent=figure(Fraction(random.randint(0, 1500), 10)),
        )
        for edge in edges
    ]
    bands.append(Band(percent=figure(random.randint(0, 80))))
    return PartsPrice(
        rule=rule,
        bands=tuple(bands) if by_bands else (),
        margin_percent=figure(Fraction(random.randint(0, 700), 10))
        if rule is PriceRule.margin
        else None,
        step=money(Fraction(random.choice([1, 5, 10, 50]), 100), currency),
        is_monotone=maybe(random, 0.7),
    )


def _fees(random: Random, plain: Fees, currency: str) -> Fees:
    credit = random.choice([*DiagnosticCredit])
    is_partial = credit is DiagnosticCredit.partial_percent
    return structs.replace(
        plain,
        diagnostic=money(Fraction(random.randint(0, 12_000), 100), currency),
        diagnostic_credit=credit,
        diagnostic_credit_percent=figure(Fraction(random.randint(0, 1000), 10))
        if is_partial
        else None,
        waste_oil_per_litre=money(Fraction(random.choice([0, 4, 7]), 10), currency, finer=1),
        supplies=Supplies(
            percent_of_labour=figure(Fraction(random.randint(0, 120), 10)),
            cap=money(random.choice([0, 5, 25, 400]), currency),
            exclude_itemised=maybe(random, 0.5),
        ),
        freight=FreightRule(cap=money(random.choice([0, 5, 25, 400]), currency)),
    )


def _stock(random: Random, currency: str) -> tuple[StockRow, ...]:
    plain = starter()
    items = random.sample([*plain.parts, *plain.sets, *plain.consumables], random.randint(0, 40))
    rows = []
    for item in items:
        record = plain.parts.get(item) or plain.sets.get(item)
        own = Quality.maker if record is None else record.quality
        on_hand = random.randint(0, 6)
        rows.append(
            StockRow(
                item=item,
                on_hand=on_hand,
                promised=random.randint(0, on_hand),
                bin="A1",
                cost=money(Fraction(random.randint(0, 3000), 100), currency, finer=1),
                quality=own,
            )
        )
    return tuple(rows)
