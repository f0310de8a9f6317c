"""The distribution of the final total: against every combination, and against a simulation."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction
from itertools import combinations, pairwise
from random import Random
from typing import Any

import pytest
from msgspec import structs
from tests.flow.test_contingencies import asked, looked, usd
from tests.stages.workbench import HEAD, HIRE_YARD, ORCHARD, job, starter

from kitwright.catalogue.model import ContingencyId, FamilyId
from kitwright.contingencies import Foresight, _Visit
from kitwright.flow import quote_repair
from kitwright.stages.contingency import Prospect
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import Asked, AskedJob, RequestRefused
from kitwright.units import exact
from kitwright.workshop import Workshop

ALL = 10**6
MOST = int(os.environ.get("KITWRIGHT_MOST_CONTINGENCIES", "8"))
"""The longest list that is enumerated here; 14 takes half a minute."""


def whole(workshop: Workshop, request: Asked) -> tuple[Outcome, Prospect]:
    quote = Foresight(workshop, most=ALL).look_ahead(quote_repair(workshop, request))
    assert quote.prospect is not None
    return quote, quote.prospect


def enumerated(workshop: Workshop, quote: Outcome, found: Prospect) -> dict[int, Fraction]:
    """Return the probability of each total, from every set of the contingencies that are told."""
    visit = _Visit(workshop, quote, Foresight(workshop)._list(quote))
    places = {id(one): place for place, one in enumerate(visit.listed)}
    by_name = {(one.kind.id, one.cylinder): place for place, one in enumerate(visit.listed)}
    assert len(places) == len(by_name)
    after = {}
    once = {}
    chance = {}
    for one in found.each:
        place = by_name[one.found.kind.id, one.found.cylinder]
        chance[place] = exact(one.probability)
        after[place] = None if one.after is None else by_name[one.after.kind.id, one.after.cylinder]
    for place, before in after.items():
        once[place] = chance[place] if before is None else chance[place] / chance[before]
    # of those that exclude each other at most one is there; all others are alone in their group
    groups: dict[object, list[int]] = defaultdict(list)
    for place in after:
        groups[visit.rivalry(place) or place].append(place)
    totals: dict[int, Fraction] = defaultdict(Fraction)
    for size in range(len(after) + 1):
        for some in map(frozenset, combinations(after, size)):
            weight = Fraction(1)
            for members in groups.values():
                there = [place for place in members if place in some]
                able = [at for at in members if after[at] is None or after[at] in some]
                if not there:
                    weight *= 1 - sum(once[at] for at in able)
                else:
                    is_able = len(there) == 1 and there[0] in able
                    weight *= once[there[0]] if is_able else 0
            if weight:
                totals[(quote.repair.price + visit.more(some).price).minor] += weight
    return dict(totals)


def jobs_of(family: FamilyId) -> Iterator[tuple[AskedJob, ...]]:
    """Yield each job alone, on one cylinder and on all of them."""
    every = range(1, starter().families[family].cylinders + 1)
    for name, record in starter().jobs.items():
        if record.scope.value != "cylinder":
            yield (AskedJob(name, None),)
            continue
        yield (AskedJob(name, 1),)
        if len(every) > 1:
            yield tuple(AskedJob(name, cylinder) for cylinder in every)


@pytest.mark.parametrize("family", [str(name) for name in starter().families])
@pytest.mark.parametrize("shop", [HIRE_YARD, ORCHARD])
def test_the_range_is_that_of_every_combination(family: str, shop: Any) -> None:
    workshop = Workshop(starter(), starter().shops[shop])
    compared = 0
    for jobs in jobs_of(FamilyId(family)):
        request = asked(*jobs, family=FamilyId(family), serial=None)
        try:
            _, some = looked(workshop, request)
        except RequestRefused:
            continue  # this kind of engine has not the parts for it
        if not 0 < len(some.each) <= MOST:
            continue
        compared += 1
        quote, found = whole(workshop, request)
        totals = enumerated(workshop, quote, found)
        assert found.spread.is_exact
        assert dict(zip(found.spread.figures, found.spread.shares, strict=True)) == totals
        mean = sum((figure * share for figure, share in totals.items()), Fraction(0))
        assert abs(mean - found.expected.minor) <= Fraction(1, 2)
        for percent in (50, 80, 90, 95):
            share = Fraction(percent, 100)
            limit = found.total_at(share).minor
            below = sum((p for figure, p in totals.items() if figure < limit), Fraction(0))
            assert below < share
            assert below + totals[limit] >= share
        quoted = found.as_quoted.minor
        over = sum((totals[at] for at in totals if at > quoted), Fraction(0))
        assert found.chance_over(found.as_quoted) == over
    assert compared >= 2


def test_the_range_of_few_combinations_priced_is_never_too_low() -> None:
    shop, request = starter().shops[HIRE_YARD], asked(HEAD, job("J-HEAD-GASKET", 2))
    _, true = whole(Workshop(starter(), shop), request)

    for most in (1, 5, 20, 60):
        workshop = Workshop(starter(), shop)
        quote = Foresight(workshop, most=most).look_ahead(quote_repair(workshop, request))
        found = quote.prospect
        assert found is not None
        assert found.spread.estimated > 0
        assert found.expected >= true.expected
        for percent in (50, 80, 90, 95):
            told, exactly = (one.total_at(Fraction(percent, 100)) for one in (found, true))
            assert exactly <= told <= true.worst
        for limit in (true.as_quoted, true.total_at(Fraction(4, 5)), true.worst):
            over = true.chance_over(limit)
            assert (
                over
                <= found.chance_over(limit)
                <= over + found.spread.left + found.spread.estimated
            )


def test_the_range_agrees_with_a_simulation() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    quote, found = whole(workshop, asked(job("J-VALVE-LAP", 1)))
    visit = _Visit(workshop, quote, Foresight(workshop)._list(quote))
    by_name = {(str(one.kind.id), one.cylinder): place for place, one in enumerate(visit.listed)}
    random = Random(1)
    drawn = 4000
    in_order = sorted(found.each, key=lambda one: by_name[one.found.kind.id, one.found.cylinder])
    totals = []
    for _ in range(drawn):
        there: set[tuple[str, int | None]] = set()
        for one in in_order:
            odds = float(one.probability)
            if one.after is not None:
                if (one.after.kind.id, one.after.cylinder) not in there:
                    continue
                before = next(each for each in found.each if each.found is one.after)
                odds /= float(before.probability)
            if random.random() < odds:
                there.add((one.found.kind.id, one.found.cylinder))
        totals.append((visit.price + visit.more(by_name[name] for name in there).price).minor)

    for percent in (50, 80, 90, 95):
        limit = found.total_at(Fraction(percent, 100))
        seen = sum(one > limit.minor for one in totals) / drawn
        expected = float(found.chance_over(limit))
        # four standard errors
        assert abs(seen - expected) <= 4 * (expected * (1 - expected) / drawn) ** 0.5 + 1e-9
    spread = (sum(one**2 for one in totals) / drawn - (sum(totals) / drawn) ** 2) ** 0.5
    assert abs(sum(totals) / drawn - found.expected.minor) <= 4 * spread / drawn**0.5


def test_the_range_rises_from_the_quote_to_the_dearest() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    _, found = looked(workshop, asked(HEAD))

    steps = [found.total_at(Fraction(percent, 100)) for percent in range(1, 101)]
    assert all(one <= other for one, other in pairwise([*steps, found.worst]))
    assert found.as_quoted < found.expected < found.worst
    assert found.chance_over(found.worst) == 0


def test_of_two_that_exclude_each_other_at_most_one_is_found() -> None:
    kinds = dict(starter().contingencies)
    for name in ("broken_exhaust_stud", "stripped_head_thread"):
        key = ContingencyId(name)
        kinds[key] = structs.replace(kinds[key], one_of="fastener")
    free = Workshop(starter(), starter().shops[HIRE_YARD])
    bound = Workshop(structs.replace(starter(), contingencies=kinds), starter().shops[HIRE_YARD])
    request = asked(job("J-HEAD-RENEW", 1))
    _, apart = whole(free, request)
    _, either = whole(bound, request)

    # each is as probable as before; both together cost the most, and can't happen any more
    assert [one.probability for one in either.each] == [one.probability for one in apart.each]
    assert sum(either.spread.shares) == 1
    assert either.worst < apart.worst
    assert either.spread.figures[-1] == either.worst.minor
    assert either.expected.minor - apart.expected.minor in range(-60, 61)
    assert usd("0") < either.as_quoted
