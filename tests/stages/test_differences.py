"""What is priced from what differs, and covered part by part, against the same done whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date
from itertools import combinations
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.drawn import draw_terms, draw_work, jobs_of
from tests.stages.drawn_shops import draw_workshop
from tests.stages.test_properties import CATALOGUE, SHOPS, Case, cases, thorough

from kitwright.catalogue.model import ItemId, Shop
from kitwright.flow import quote_repair
from kitwright.money import Money, total
from kitwright.solve.cover import Pack, Uncoverable, least_cover
from kitwright.stages.kit import Kit, Need
from kitwright.stages.kit.choice import find_lots
from kitwright.stages.kit.lot import Lot
from kitwright.stages.kit.market import Market
from kitwright.stages.kit.wanted import Wanted
from kitwright.stages.ordering import split_orders
from kitwright.stages.ordering.order import order_line, place_orders
from kitwright.stages.outcome import Compared, Repair
from kitwright.stages.price import PricedLine, price_of, tax_lines
from kitwright.stages.request import Request, RequestRefused, read_request
from kitwright.stages.supply import Source
from kitwright.stages.work import Jobs, Operation, choose_jobs, settle
from kitwright.visit import known_needs, price_jobs, quote_jobs, untouched
from kitwright.workshop import Workshop


def figures(lines: tuple[PricedLine, ...]) -> list[PricedLine]:
    """Return lines without their reasons, which may be those of fewer jobs."""
    return [structs.replace(line, why=()) for line in lines]


def needed(kit: Kit) -> list[tuple[object, ...]]:
    return [(need.role, need.cylinder, need.item, need.quantity) for need in kit.needs]


def ordered(kit: Kit) -> list[tuple[object, ...]]:
    return [(each.source, each.packs, len(each.covers)) for each in kit.bought]


def assert_same(found: Compared, whole: Repair) -> None:
    assert found.price == whole.price
    assert found.labour == whole.labour
    assert figures(found.lines) == figures(whole.lines)
    assert needed(found.kit) == needed(whole.kit)
    assert ordered(found.kit) == ordered(whole.kit)
    assert found.kit.left_over == whole.kit.left_over
    # how much less another purchase might cost is not asked of what is only compared
    assert not found.kit.is_least


def added(workshop: Workshop, request: Request, jobs: Jobs, random: Random) -> Jobs:
    """Return jobs with another one or two of the family."""
    more = random.sample(jobs_of(request.family.id), random.randint(1, 2))
    operations = [
        Operation(job=workshop.catalogue.jobs[each.job], cylinder=each.cylinder) for each in more
    ]
    return settle([*jobs.operations, *operations], left_out=jobs.left_out)


@pytest.mark.parametrize("seed", range(12))
def test_price_jobs_finds_beside_a_repair_what_a_whole_quote_does(seed: int) -> None:
    random = Random(seed)
    workshop = draw_workshop(random)
    request = untouched(
        read_request(workshop.catalogue, workshop.shop, draw_work(random, workshop))
    )
    jobs = choose_jobs(workshop.catalogue, request)
    known = known_needs(quote_jobs(workshop, request, jobs))
    for _ in range(4):
        together = added(workshop, request, jobs, random)
        found = price_jobs(workshop, request, together, known)
        assert_same(found, quote_jobs(workshop, request, together))


@thorough
@given(cases(), st.randoms(use_true_random=False))
def test_price_jobs_finds_what_a_whole_quote_does_in_the_starter_shops(
    case: Case, random: Random
) -> None:
    workshop = SHOPS[case.shop.id]
    request = untouched(read_request(CATALOGUE, case.shop, case.asked))
    jobs = choose_jobs(CATALOGUE, request)
    known = known_needs(quote_jobs(workshop, request, jobs))
    together = added(workshop, request, jobs, random)

    found = price_jobs(workshop, request, together, known)

    assert_same(found, quote_jobs(workshop, request, together))


@thorough
@given(cases())
def test_quote_repair_prices_extras_by_the_difference_of_two_whole_quotes(case: Case) -> None:
    workshop = SHOPS[case.shop.id]
    plain = structs.replace(case.asked, terms=case.asked.terms.untouched())
    quote = quote_repair(workshop, plain)
    request = read_request(CATALOGUE, case.shop, plain)
    jobs = quote.repair.jobs
    for extra in quote.extras:
        job = CATALOGUE.jobs[extra.job]
        more = [Operation(job=job, cylinder=each) for each in extra.cylinders or (None,)]
        together = settle([*jobs.operations, *more], left_out=jobs.left_out)
        whole = quote_jobs(workshop, request, together)
        assert extra.price == whole.price - quote.repair.price
        assert extra.minutes == whole.labour.billed - quote.repair.labour.billed
        there = {each[:3] for each in needed(quote.repair.kit)}
        assert [(need.role, need.cylinder, need.item) for need in extra.needs] == [
            each[:3] for each in needed(whole.kit) if each[:3] not in there
        ]
        assert figures(extra.lines) == figures(whole.lines)


@thorough
@given(cases())
def test_quote_repair_prices_savings_by_the_difference_of_two_whole_quotes(case: Case) -> None:
    workshop = SHOPS[case.shop.id]
    plain = structs.replace(case.asked, terms=case.asked.terms.untouched())
    quote = quote_repair(workshop, plain)
    request = read_request(CATALOGUE, case.shop, plain)
    jobs = quote.repair.jobs
    operations = jobs.operations
    assert [each.operation for each in quote.savings] == (
        list(operations) if len(operations) > 1 else []
    )
    for saving in quote.savings:
        others = [each for each in operations if each != saving.operation]
        others += [each.operation for each in jobs.swallowed]
        rest = quote_jobs(workshop, request, settle(others, left_out=jobs.left_out))
        assert saving.price == quote.repair.price - rest.price
        assert saving.minutes == quote.repair.labour.billed - rest.labour.billed
        assert figures(saving.lines) == figures(rest.lines)


@pytest.mark.parametrize("seed", range(12))
def test_price_of_is_the_price_of_the_totals(seed: int) -> None:
    random = Random(seed)
    workshop = draw_workshop(random)
    work = draw_work(random, workshop)
    for _ in range(6):
        asked = draw_terms(random, workshop, work)
        try:
            quote = quote_repair(workshop, asked)
        except RequestRefused:
            continue
        repair = quote.repair
        totals = tax_lines(workshop.shop, quote.request, repair.lines, repair.advances).totals
        assert price_of(workshop.shop, quote.request, repair.lines) == totals.price


@settings(thorough)
@given(cases(most=4))
def test_choose_kit_buys_at_the_least_that_any_set_of_suppliers_comes_to(case: Case) -> None:
    # with empty shelves, so that all that is wanted is bought
    shop = structs.replace(case.shop, stock=())
    workshop = Workshop(CATALOGUE, shop)
    plain = structs.replace(case.asked, needed_by=None, terms=case.asked.terms.untouched())
    request = read_request(CATALOGUE, shop, plain)
    assume(not request.may_be)
    kit = quote_jobs(workshop, request, choose_jobs(CATALOGUE, request)).kit
    market = Market(CATALOGUE, shop, workshop.supply)
    wanted = Wanted(CATALOGUE, [need for need in kit.needs if not need.is_question])
    pieces = wanted.pieces(wanted.items)
    lots = find_lots(market, wanted, pieces, CATALOGUE.sets)
    short = {each.item for each in kit.unfilled}
    wanted_now = {item: count for item, count in pieces.items() if item not in short}
    suppliers = sorted({lot.source.supplier.id for lot in lots if lot.source is not None})
    found = {}
    for size in range(1, len(suppliers) + 1):
        for some in combinations(suppliers, size):
            allowed = [lot for lot in lots if lot.source and lot.source.supplier.id in some]
            with suppress(Uncoverable):
                found[some] = _landed(shop, allowed, wanted_now, plain.on)
    told = split_orders(CATALOGUE, shop, kit, plain.on)
    landed = total((order.net for order in told), shop.currency)
    ready = max((order.promised for order in told), default=plain.on)
    if not wanted_now:
        assert told == ()
        return
    _, at_the_latest = found[tuple(suppliers)]
    in_time = [cost for cost, day in found.values() if day <= at_the_latest]
    assert ready <= at_the_latest
    # items that come in time may be bought where they are not the cheapest
    assert landed <= min(in_time)
    assert kit.gap <= landed.minor
    assert kit.is_least is (kit.gap == 0)


def _landed(
    shop: Shop, lots: Sequence[Lot], wanted: Mapping[ItemId, int], on: date
) -> tuple[Money, date]:
    """Return what the cheapest lots come to with the charges of their orders, and when all are
    there.
    """
    packs = [
        Pack(id=lot.id, holds=lot.holds, cost=lot.cost, limit=lot.limit, group=lot.group)
        for lot in lots
    ]
    cover = least_cover(wanted, packs)
    by_key = {lot.id: lot for lot in lots}
    bought: dict[tuple[str, str], tuple[Source, int]] = {}
    for key, times in cover.packs:
        source = by_key[key].source
        assert source is not None
        before = bought.get(key[:2], (source, 0))[1]
        bought[key[:2]] = source, before + by_key[key].packs * times
    orders = place_orders(
        CATALOGUE, (order_line(shop, source, packs, (), on) for source, packs in bought.values())
    )
    cost = total((order.net for order in orders), shop.currency)
    return cost, max(order.promised for order in orders)


def needs_of(kit: Kit) -> list[Need]:
    return [need for part in kit.parts for need in part.needs]


@thorough
@given(cases())
def test_choose_kit_has_every_need_in_one_part(case: Case) -> None:
    kit = case.quote().repair.kit

    assert sorted(map(id, needs_of(kit))) == sorted(map(id, kit.needs))
