"""What adds up in every quote, worked out again from the printed figures alone.

Each function asserts one thing of a quote; `reconcile` asserts them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from math import floor

from msgspec import Struct

from kitwright.catalogue.model import (
    ChargeKind,
    DiagnosticCredit,
    RoundBy,
    TaxArea,
)
from kitwright.catalogue.model.words import Record
from kitwright.money import Money, digits
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind, PricedLine
from kitwright.stages.request import LineRef, MinutesOverride, PriceOverride


def minor(value: Fraction, currency: str) -> int:
    """Return an amount in minor units, a half away from zero."""
    scale: int = 10 ** digits(currency)
    size = floor(abs(value) * scale + Fraction(1, 2))
    return -size if value < 0 else size


def added(moneys: Iterable[Money]) -> int:
    return sum(each.minor for each in moneys)


def check_lines(quote: Outcome) -> None:
    """Every amount is quantity x unit price / base quantity, rounded once, half up."""
    currency = quote.shop.currency
    for line in quote.repair.lines:
        exact = Fraction(line.quantity) * Fraction(line.unit_price) / Fraction(line.base_quantity)
        assert line.amount == Money(minor(exact, currency), currency), line
        assert line.quantity >= 0, line
        if line.computed is not None:
            price = Fraction(line.computed.unit_price)
            was = Fraction(line.quantity) * price / Fraction(line.computed.base_quantity)
            assert line.computed.amount.minor == minor(was, currency), line


def check_totals(quote: Outcome) -> None:
    """Lines, taxes and totals sum to one another, whether prices exclude tax or include it."""
    repair, totals = quote.repair, quote.repair.totals
    amounts = added(line.amount for line in repair.lines)
    taken = [line.amount for line in repair.lines if line.kind is LineKind.discount]
    assert totals.discount.minor == added(taken) <= 0
    assert totals.lines.minor + totals.discount.minor == amounts
    if quote.request.tax_area is None:
        assert repair.line_taxes is None
        assert repair.taxes == ()
        assert (totals.tax, totals.gross, totals.payable) == (None, None, None)
        is_gross = quote.shop.selling_prices_include_tax
        assert totals.net == (None if is_gross else Money(amounts, quote.shop.currency))
        return
    assert repair.line_taxes is not None
    assert totals.net is not None
    assert totals.tax is not None
    assert totals.gross is not None
    assert totals.net + totals.tax == totals.gross
    assert added(each.net for each in repair.line_taxes) == totals.net.minor
    assert added(each.tax for each in repair.line_taxes) == totals.tax.minor
    assert added(each.gross for each in repair.line_taxes) == totals.gross.minor
    assert added(tax.amount for tax in repair.taxes) == totals.tax.minor
    is_included = quote.shop.selling_prices_include_tax
    spared = added(tax.amount for tax in repair.freed) if is_included else 0
    assert amounts == (totals.gross if is_included else totals.net).minor + spared
    for line, taxed in zip(repair.lines, repair.line_taxes, strict=True):
        assert taxed.net + taxed.tax == taxed.gross
        if is_included and line.tax_kind in quote.request.exempt_kinds:
            assert taxed.tax.minor == 0
        else:
            assert line.amount == (taxed.gross if is_included else taxed.net)


def check_payable(quote: Outcome) -> None:
    """What is payable is the gross amount less what was prepaid, in whole coins for cash."""
    totals, shop, terms = quote.repair.totals, quote.shop, quote.request.asked.terms
    assert totals.prepaid.minor == minor(Fraction(terms.prepaid), shop.currency)
    if totals.gross is None or totals.payable is None:
        assert totals.cash_rounding.minor == 0
        return
    assert totals.payable == totals.gross - totals.prepaid + totals.cash_rounding
    if not terms.pays_cash or shop.cash_step is None:
        assert totals.cash_rounding.minor == 0
        return
    coin = minor(Fraction(shop.cash_step), shop.currency)
    assert totals.payable.minor % coin == 0
    assert 2 * abs(totals.cash_rounding.minor) <= coin


def check_taxes(quote: Outcome) -> None:
    """Rates are those of the quote's day, each component bears what it should, and nothing that
    is exempt or untaxed is taxed.
    """
    area, on = quote.request.tax_area, quote.request.asked.on
    if area is None:
        return
    repair = quote.repair
    assert repair.line_taxes is not None
    by_id = {component.id: component for component in area.components}
    for tax in repair.taxes:
        valid = [each for each in by_id[tax.component].rates if each.valid_from <= on]
        assert tax.percent == valid[-1].percent
    rates = {kind: _rate(area, kind, quote) for kind in ChargeKind}
    freed = {kind: _whole_rate(area, kind, quote) for kind in quote.request.exempt_kinds}
    exact = Fraction(0)
    for line, taxed in zip(repair.lines, repair.line_taxes, strict=True):
        rate = rates[line.tax_kind]
        spared = freed.get(line.tax_kind, Fraction(0)) if area.prices_include_tax else Fraction(0)
        off = line.amount.minor * spared / (1 + spared)
        strays = 2 * (len(area.components) + 1) * max(1, len(line.reduces))
        if line.tax_kind in freed:
            assert abs(line.amount.minor - taxed.gross.minor - off) < strays, (line, taxed)
        part = rate / (1 + rate) if area.prices_include_tax else rate
        exact += line.amount.minor * part
        # no line strays further from its own tax than its components can be rounded; a discount
        # takes off the rounded tax of every line that it reduces
        most = 2 * (len(area.components) + 1) * max(1, len(line.reduces))
        assert abs(taxed.tax.minor - line.amount.minor * part) < most, (line, taxed)
        if not rate:
            assert taxed.tax.minor == 0, line
    assert repair.totals.tax is not None
    steps = len(area.components) * (1 + len(area.components))
    if area.rounding.by is RoundBy.line:
        steps *= len(repair.lines)
    elif area.rounding.by is RoundBy.document:
        # one rounding for each group of kinds that are taxed alike
        steps = len({line.tax_kind for line in repair.lines})
    assert abs(repair.totals.tax.minor - exact) <= steps


def _rate(area: TaxArea, kind: ChargeKind, quote: Outcome) -> Fraction:
    """Return the whole tax that is charged on a net price of one kind."""
    return Fraction(0) if kind in quote.request.exempt_kinds else _whole_rate(area, kind, quote)


def _whole_rate(area: TaxArea, kind: str, quote: Outcome) -> Fraction:
    """Return the whole tax on a net price of one kind, whoever buys: components, and those on top
    of them.
    """
    whole = Fraction(0)
    for component in area.components:
        if kind in component.applies_to:
            valid = [each for each in component.rates if each.valid_from <= quote.request.asked.on]
            rate = Fraction(valid[-1].percent) / 100
            whole += rate * (1 + whole) if component.compounds else rate
    return whole


def _named(lines: Iterable[PricedLine], wanted: LineRef) -> int:
    """Return the place of the line that a change names in full."""
    (place,) = [
        place
        for place, line in enumerate(lines)
        if (line.code, line.kind.value) == (wanted.code, wanted.kind)
        and (line.operation is None or (line.operation[1] or None) == wanted.cylinder)
        and line.labour_class == wanted.labour_class
    ]
    return place


def check_discounts(quote: Outcome) -> None:
    """Every discount is what was asked of what was left, and never more."""
    terms, currency = quote.request.asked.terms, quote.shop.currency
    whole = [line for line in quote.repair.lines if line.kind is not LineKind.discount]
    taken = [line for line in quote.repair.lines if line.kind is LineKind.discount]
    assert [*whole, *taken] == [*quote.repair.lines]
    left = [line.amount.minor for line in whole]
    of_lines = [discount for discount in terms.discounts if discount.line is not None]
    for discount, off in zip(of_lines, taken, strict=False):
        assert discount.line is not None
        place = _named(whole, discount.line)
        asked = (
            minor(Fraction(discount.amount), currency)
            if discount.amount is not None
            else minor(
                Fraction(left[place], 10 ** digits(currency))
                * Fraction(discount.percent or 0)
                / 100,
                currency,
            )
        )
        assert off.amount.minor == -max(asked, 0)
        assert off.tax_kind is whole[place].tax_kind
        assert -off.amount.minor <= max(left[place], 0)
        left[place] += off.amount.minor
    by_kind: dict[ChargeKind, int] = {}
    for line, amount in zip(whole, left, strict=True):
        by_kind[line.tax_kind] = by_kind.get(line.tax_kind, 0) + amount
    for off in taken[len(of_lines) :]:
        assert off.tax_kind is not ChargeKind.core
        assert 0 < -off.amount.minor <= by_kind[off.tax_kind]
        by_kind[off.tax_kind] += off.amount.minor


def check_overrides(quote: Outcome) -> None:
    """An overridden line has the asked price and keeps the computed one beside it."""
    terms = quote.request.asked.terms
    asked = [each for each in terms.overrides if isinstance(each, PriceOverride)]
    places = {_named(quote.repair.lines, each.line): each for each in asked}
    for place, line in enumerate(quote.repair.lines):
        override = places.get(place)
        is_capped = any(why.code == "credit-follows-fee" for why in line.why)
        assert (line.computed is None) is (override is None and not is_capped)
        if override is not None and line.computed is not None and not is_capped:
            assert line.unit_price == override.unit_price
            if not terms.changes_work:
                before = quote.draft.repair.lines[place]
                assert line.computed.amount == before.amount
                assert line.computed.unit_price == before.unit_price


def check_minutes(quote: Outcome) -> None:
    """Minutes of classes, of jobs and of labour lines are the same minutes."""
    terms, labour, shop = quote.request.asked.terms, quote.repair.labour, quote.shop
    set_by_hand = {
        (each.job, each.cylinder or 0): each.minutes
        for each in terms.overrides
        if isinstance(each, MinutesOverride)
    }
    lines = [line.quantity for line in quote.repair.lines if line.kind is LineKind.labour]
    assert sum(lines) == labour.billed == sum(each.minutes_here for each in quote.operated)
    of_classes = sum(each.billed for each in labour.classes)
    extra = sum(each.minutes for each in labour.bench_minimum)
    assert of_classes + extra == labour.billed
    for each in labour.classes:
        own = [one.minutes for one in labour.allotted if one.labour_class == each.labour_class]
        assert sum(own) == each.billed
        if not set_by_hand:
            increment = shop.labour.increment_minutes * terms.machines
            assert each.billed % increment == 0
            assert each.exact <= each.billed < each.exact + increment
    for operated in quote.operated:
        minutes = set_by_hand.get(operated.operation.key)
        assert operated.minutes_here >= 0
        if minutes is not None:
            assert operated.minutes_here == minutes * terms.machines
        elif not set_by_hand and not _minutes_by_hand(quote):
            assert operated.minutes_here == operated.minutes_computed
    assert sum(each.minutes_computed for each in quote.operated) == quote.draft.repair.labour.billed
    if len(set_by_hand) < len(quote.operated):
        # never more than is short with the labour by hand, never less
        least = shop.labour.minimum_bench_minutes * terms.machines
        assert extra == max(0, least - of_classes - _minutes_by_hand(quote))


def _minutes_by_hand(quote: Outcome) -> int:
    """Return what the labour that somebody wrote by hand is worth in whole minutes."""
    labour = quote.shop.labour
    rate = Fraction(labour.rates[labour.minimum_bench_class])
    minutes = Fraction(0)
    for line in quote.request.asked.terms.free_lines:
        if line.kind is ChargeKind.labour:
            count = Fraction(line.quantity)
            minutes += {
                "minute": count,
                "hour": count * 60,
                "piece": count * Fraction(line.unit_price) / rate * 60,
            }[line.unit]
    return floor(minutes)


def check_fitted(quote: Outcome) -> None:
    """Each part's line has the number that is taken off the shelf or bought, as often, with its
    make; what nothing fills has the number that is needed.
    """
    kit = quote.repair.kit
    fitted: dict[str, Fraction] = {}
    open_now = {id(need): Fraction(need.quantity) for need in kit.needs}
    packs = [(each.item, each.unit == "set", each.make, each.covers) for each in kit.from_stock]
    packs += [
        (
            each.source.item,
            any(one.number != each.source.item for one in each.covers),
            each.source.brand,
            each.covers,
        )
        for each in kit.bought
    ]
    packs += [(each.item, True, None, each.covers) for each in kit.brought]
    makes: dict[tuple[str, str | None], Fraction] = {}
    for item, is_set, make, covers in packs:
        for cover in covers:
            open_now[id(cover.need)] -= cover.quantity
            if not is_set:
                fitted[item] = fitted.get(item, Fraction(0)) + cover.quantity
                makes[item, make] = makes.get((item, make), Fraction(0)) + cover.quantity
    for need in kit.needs:
        rest = open_now[id(need)]
        assert rest >= 0
        if rest:
            fitted[need.item] = fitted.get(need.item, Fraction(0)) + rest
            makes[need.item, None] = makes.get((need.item, None), Fraction(0)) + rest
    lines = [line for line in quote.repair.lines if line.kind is LineKind.part]
    for line in lines:
        assert fitted[line.code] == line.quantity, line
        told = {(line.code, one.name): Fraction(one.quantity) for one in line.makes}
        assert told == {key: count for key, count in makes.items() if key[0] == line.code}
    consumables = {line.code for line in quote.repair.lines if line.kind is LineKind.consumable}
    assert {line.code for line in lines} | consumables == fitted.keys()
    for line in quote.repair.lines:
        if line.kind is LineKind.part_set:
            assert sum(one.quantity for one in line.makes) == line.quantity


def check_orders(quote: Outcome) -> None:
    """Orders add up, and the freight line is what they charge, with tax where prices have it."""
    repair, shop = quote.repair, quote.shop
    bought = {(each.source.supplier.id, each.source.sku): each.packs for each in repair.kit.bought}
    ordered = {
        (order.supplier.id, line.source.sku): line.packs
        for order in repair.orders
        for line in order.lines
    }
    assert ordered == bought
    for order in repair.orders:
        fees = added(fee.amount for fee in order.fees)
        assert order.goods.minor == added(line.net for line in order.lines)
        assert order.net.minor == order.goods.minor + order.freight.minor + fees
        for line in order.lines:
            exact = Fraction(line.unit_cost) * line.packs
            assert line.net.minor == minor(exact, shop.currency)
    charged = Fraction(added(order.charges for order in repair.orders))
    charged /= 10 ** digits(shop.currency)
    area = quote.request.tax_area
    if shop.selling_prices_include_tax:
        # what is not known of the customer does not make the shop's price; an exemption does not
        # either, and takes its tax off again
        if area is None:
            return
        charged *= 1 + _whole_rate(area, ChargeKind.freight, quote)
    freight = [line for line in repair.lines if line.kind is LineKind.freight]
    computed = [line.computed.amount if line.computed else line.amount for line in freight]
    most = Fraction(shop.fees.freight.cap)
    assert added(computed) == minor(min(charged, most), shop.currency)


def check_fees(quote: Outcome) -> None:
    """The diagnostic credit is a share of the fee; supplies follow labour up to their cap."""
    shop, machines = quote.shop, quote.request.asked.terms.machines
    currency = shop.currency

    def was(code: str) -> int | None:
        found = [line for line in quote.repair.lines if line.code == code]
        amounts = [line.computed.amount if line.computed else line.amount for line in found]
        return amounts[0].minor if amounts else None

    fee, credit = was("diagnostic-fee"), was("diagnostic-credit")
    assert (fee is not None) is quote.request.asked.diagnostic_done
    if credit is not None:
        assert fee is not None
        assert -fee <= credit <= 0
        assert shop.fees.diagnostic_credit is not DiagnosticCredit.none
        if shop.fees.diagnostic_credit is DiagnosticCredit.full_if_repair_accepted:
            assert credit == -fee
    of_labour = Fraction(
        added(
            line.computed.amount if line.computed else line.amount
            for line in quote.repair.lines
            if line.kind is LineKind.labour
            or (line.kind is LineKind.free and line.tax_kind is ChargeKind.labour)
        ),
        10 ** digits(currency),
    )
    terms = shop.fees.supplies
    share = of_labour * Fraction(terms.percent_of_labour) / 100
    most = min(share, Fraction(terms.cap) * machines)
    supplies = was("shop-supplies") or 0
    assert 0 <= supplies <= minor(most, currency)
    if not terms.exclude_itemised:
        assert supplies == minor(most, currency)


def _moneys(value: object, seen: set[int]) -> Iterator[object]:
    """Yield every amount and every plain value, catalogue records left out."""
    if isinstance(value, Money):
        yield value
    elif isinstance(value, Record):
        return
    elif isinstance(value, Struct):
        if id(value) not in seen:
            seen.add(id(value))
            for name in value.__struct_fields__:
                yield from _moneys(getattr(value, name), seen)
    elif isinstance(value, dict):
        for each in value.values():
            yield from _moneys(each, seen)
    elif isinstance(value, tuple | list):
        for each in value:
            yield from _moneys(each, seen)
    else:
        yield value


def check_currency(quote: Outcome) -> None:
    """All amounts are whole minor units of the shop's currency; nothing is a float."""
    repair = quote.repair
    orders = [(order.goods, order.fees, order.freight, order.net) for order in repair.orders]
    extras = [(extra.price, extra.minutes) for extra in quote.extras]
    figures = (repair.lines, repair.line_taxes, repair.taxes, repair.totals, orders, extras)
    for value in _moneys((*figures, repair.labour.classes, repair.labour.allotted), set()):
        assert not isinstance(value, float)
        if isinstance(value, Money):
            assert type(value.minor) is int
            assert value.currency == quote.shop.currency


CHECKS = (
    check_lines,
    check_totals,
    check_payable,
    check_taxes,
    check_discounts,
    check_overrides,
    check_minutes,
    check_fitted,
    check_orders,
    check_fees,
    check_currency,
)


def reconcile(quote: Outcome) -> None:
    """Assert that everything in a quote adds up."""
    for check in CHECKS:
        check(quote)
