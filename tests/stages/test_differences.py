"""What is priced from what differs, and covered part by part, against the same done whole."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.drawn import draw_terms, draw_work, jobs_of
from tests.stages.drawn_shops import draw_workshop
from tests.stages.test_properties import CATALOGUE, SHOPS, Case, cases, thorough

from kitwright.flow import quote_repair
from kitwright.solve.cover import Pack, least_cover
from kitwright.stages.kit import Kit, Need
from kitwright.stages.kit.lot import Market, find_lots
from kitwright.stages.kit.wanted import Wanted
from kitwright.stages.outcome import Compared, Repair
from kitwright.stages.price import PricedLine, price_of, tax_lines
from kitwright.stages.request import Request, RequestRefused, read_request
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
    assert found.kit.is_least == whole.kit.is_least


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
def test_choose_kit_covers_part_by_part_at_what_a_search_among_all_lots_finds(case: Case) -> None:
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
    cover = least_cover(
        {item: count for item, count in pieces.items() if item not in short},
        [
            Pack(id=lot.key, holds=lot.holds, cost=lot.cost, limit=lot.limit, group=lot.group)
            for lot in lots
        ],
    )
    by_key = {lot.key: lot for lot in lots}
    bought: dict[tuple[str, str], int] = {}
    for key, times in cover.packs:
        bought[key[:2]] = bought.get(key[:2], 0) + by_key[key].packs * times
    assert bought == {(each.source.supplier.id, each.source.sku): each.packs for each in kit.bought}


def needs_of(kit: Kit) -> list[Need]:
    return [need for part in kit.parts for need in part.needs]


@thorough
@given(cases())
def test_choose_kit_has_every_need_in_one_part(case: Case) -> None:
    kit = case.quote().repair.kit

    assert sorted(map(id, needs_of(kit))) == sorted(map(id, kit.needs))
