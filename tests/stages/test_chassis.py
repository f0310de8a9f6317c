"""A chassis that nobody named: a question, priced in the costliest machine that it may be."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest
from msgspec import structs
from tests.stages.drawn import draw_terms, draw_work
from tests.stages.drawn_shops import draw_workshop
from tests.stages.workbench import HEAD, MONDAY, job, quote, starter

from kitwright.catalogue.model import LOOSE, ChassisId, FamilyId
from kitwright.flow import quote_repair
from kitwright.stages.kit import Kit, Need
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import (
    Asked,
    Condition,
    LineRef,
    PriceOverride,
    RequestRefused,
    Rust,
    Terms,
)
from kitwright.units import read_figure
from kitwright.workshop import Workshop

SHOPS = [Workshop(starter(), shop) for shop in starter().shops.values()]


def carriers(family: FamilyId) -> list[ChassisId]:
    """Return the chassis that carry a family, by id."""
    layout = starter().families[family].layout
    return sorted(row.id for row in starter().chassis.values() if layout in row.layouts)


def named(workshop: Workshop, asked: Asked) -> Iterator[Outcome | None]:
    """Yield the quote in each chassis that carries the engine; None where the terms don't fit."""
    for chassis in carriers(asked.family):
        try:
            yield quote_repair(workshop, structs.replace(asked, chassis=chassis))
        except RequestRefused:
            yield None


def served(kit: Kit) -> set[tuple[str, int | None]]:
    """Return the roles that a kit takes from the shelf or buys for."""
    covers = [each.covers for each in kit.from_stock] + [each.covers for each in kit.bought]
    return {_place(cover.need) for each in covers for cover in each if cover.need.kind != "used"}


@pytest.mark.parametrize("seed", range(25))
def test_quote_repair_prices_an_unnamed_chassis_as_the_costliest_of_all(seed: int) -> None:
    random = Random(seed)
    workshop = draw_workshop(random)
    work = structs.replace(draw_work(random, workshop), chassis=None)
    asked = draw_terms(random, workshop, work)

    told = quote_repair(workshop, asked)

    quotes = [each for each in named(workshop, asked) if each is not None]
    prices = [each.repair.price for each in quotes]
    if len(quotes) == len(carriers(asked.family)):
        # of several that cost the same, the first by id
        costliest = quotes[prices.index(max(prices))]
        assert told.repair.price == costliest.repair.price
        assert told.repair.chassis == costliest.repair.chassis
        assert told.repair.lines == costliest.repair.lines
        assert told.operated == costliest.operated
        assert told.repair.plan == costliest.repair.plan
    assert told.is_provisional
    assert told.repair.price in prices


@pytest.mark.parametrize("rust", Rust)
def test_quote_repair_seeks_the_costliest_under_the_requests_own_conditions(rust: Rust) -> None:
    condition = Condition(rust=rust)

    told = quote(starter(), chassis=None, jobs=(HEAD,), condition=condition)

    every = [
        quote(starter(), chassis=chassis, jobs=(HEAD,), condition=condition).repair.price
        for chassis in carriers(told.request.family.id)
    ]
    assert told.repair.price == max(every)


def test_quote_repair_prices_a_loose_engine_only_where_that_is_said() -> None:
    loose = quote(starter(), chassis=LOOSE, jobs=(job("J-RINGS", 1),))
    unnamed = quote(starter(), chassis=None, jobs=(job("J-RINGS", 1),))

    assert not loose.is_provisional
    assert loose.repair.chassis is None
    assert unnamed.is_provisional
    assert unnamed.repair.price > loose.repair.price


def test_quote_repair_orders_nothing_that_not_every_machine_calls_for() -> None:
    # a whole engine: in a frame the fuel line comes off, and its clip is renewed; loose, it isn't
    told = quote(starter(), chassis=None, jobs=(job("J-ENGINE"),))
    named_one = quote(
        starter(), chassis=told.repair.chassis and told.repair.chassis.id, jobs=(job("J-ENGINE"),)
    )

    assert [need.role for need in told.repair.kit.held] == ["fuel_clip"]
    assert ("fuel_clip", None) not in served(told.repair.kit)
    assert ("fuel_clip", None) in served(named_one.repair.kit)
    assert told.repair.lines == named_one.repair.lines
    assert told.repair.orders != ()


@pytest.mark.parametrize("seed", range(25))
def test_quote_repair_orders_only_what_every_machine_calls_for(seed: int) -> None:
    random = Random(seed)
    workshop = draw_workshop(random)
    work = structs.replace(draw_work(random, workshop), chassis=None)

    told = quote_repair(workshop, work)

    for chassis in (LOOSE, *carriers(work.family)):
        there = quote_repair(workshop, structs.replace(work, chassis=chassis))
        called_for = {_place(need) for need in there.repair.kit.needs}
        assert served(told.repair.kit) <= called_for


def _place(need: Need) -> tuple[str, int | None]:
    return need.role, need.cylinder


def test_quote_repair_takes_a_change_of_a_line_that_only_the_costliest_has() -> None:
    work = Asked(family=FamilyId("TB-V68"), on=MONDAY, serial=3200000, jobs=(job("J-ENGINE"),))
    clip = next(
        line.code
        for line in quote_repair(SHOPS[0], work).repair.lines
        if any(why.facts.get("role") == "fuel_clip" for why in line.why)
    )
    free = PriceOverride(
        line=LineRef(code=clip), unit_price=read_figure("0"), reason="Goodwill", by="Ida"
    )

    told = quote_repair(SHOPS[0], structs.replace(work, terms=Terms(overrides=(free,))))

    assert told.is_provisional
    assert next(line for line in told.repair.lines if line.code == clip).amount.minor == 0


def test_quote_repair_adds_extras_to_the_costliest_machine_with_them() -> None:
    work = Asked(family=FamilyId("TB-V68"), on=MONDAY, serial=3200000, jobs=(HEAD,))
    plain = quote_repair(SHOPS[0], work)
    for extra in plain.extras:
        more = tuple(job(extra.job, cylinder) for cylinder in extra.cylinders or (None,))

        together = quote_repair(SHOPS[0], structs.replace(work, add_jobs=more))

        assert together.repair.price - plain.repair.price == extra.price


def test_quote_repair_asks_also_where_no_chassis_carries_the_engine() -> None:
    bare = structs.replace(starter(), chassis={})

    told = quote(bare, chassis=None, jobs=(HEAD,))

    assert told.is_provisional
    assert told.repair.chassis is None
