"""Quotes by a shop's own estimates, beside those of a catalogue that says the same."""

from __future__ import annotations

from fractions import Fraction
from random import Random
from typing import Any, TypeVar

import pytest
from msgspec import Struct, structs
from tests.stages.drawn import draw_work
from tests.stages.drawn_shops import draw_workshop
from tests.stages.workbench import HEAD, HIRE_YARD, LATE_V68, MONDAY, V68, starter

from kitwright.catalogue.model import (
    LOOSE,
    Catalogue,
    ContingencyId,
    FamilyId,
    LabourClass,
    Shop,
)
from kitwright.contingencies import Foresight
from kitwright.flow import quote_repair
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import Asked
from kitwright.stages.work import GROUP_OF, Estimates, Group, PaceKey, times_odds
from kitwright.units import Figure
from kitwright.workshop import Workshop

R = TypeVar("R", bound=Struct)
TIMES = 3


def longer(record: R, *names: str) -> R:
    """Return a record of the catalogue with some of its minutes longer."""
    found = {name: getattr(record, name) for name in names}
    return structs.replace(
        record, **{name: one if one is None else one * TIMES for name, one in found.items()}
    )


def slower(catalogue: Catalogue) -> Catalogue:
    """Return a catalogue in which everything takes longer."""

    def family(one: Any) -> Any:
        return structs.replace(one, override=tuple(map(component, one.override)))

    def component(one: Any) -> Any:
        if one.refit_work is None:
            return longer(one, "remove_minutes", "refit_minutes")
        work = tuple(longer(each, "minutes") for each in one.refit_work)
        changed = longer(one, "remove_minutes", "refit_minutes")
        return structs.replace(changed, refit_work=work)

    def with_components(one: Any) -> Any:
        return structs.replace(one, component=tuple(map(component, one.component)))

    def job(one: Any) -> Any:
        return structs.replace(one, work=tuple(longer(each, "minutes") for each in one.work))

    return structs.replace(
        catalogue,
        families={name: family(one) for name, one in catalogue.families.items()},
        layouts={name: with_components(one) for name, one in catalogue.layouts.items()},
        chassis={name: with_components(one) for name, one in catalogue.chassis.items()},
        jobs={name: job(one) for name, one in catalogue.jobs.items()},
        visit_work={name: longer(one, "minutes") for name, one in catalogue.visit_work.items()},
        shops={name: slower_shop(one) for name, one in catalogue.shops.items()},
    )


def slower_shop(shop: Shop) -> Shop:
    labour = longer(shop.labour, "debris_heavy_minutes", "previous_work_minutes")
    elements = {
        name: structs.replace(
            one, remove=Figure(str(one.remove * TIMES)), refit=Figure(str(one.refit * TIMES))
        )
        for name, one in labour.elements.items()
    }
    return structs.replace(shop, labour=structs.replace(labour, elements=elements))


def own(catalogue: Catalogue, shop: Shop, factor: Fraction, *groups: Group) -> Estimates:
    """Return estimates by which groups of steps take a factor of the catalogue's minutes."""
    return Estimates(
        revision=1,
        factors={
            PaceKey(family, group, labour_class): factor
            for family in catalogue.families
            for group in groups or GROUP_OF.values()
            for labour_class in shop.labour.rates
        },
    )


def told(outcome: Outcome) -> tuple[object, ...]:
    repair = outcome.repair
    return (
        repair.totals,
        repair.plan.minutes,
        [(one.labour_class, one.exact, one.billed) for one in repair.labour.classes],
        [(one.job, one.price, one.minutes) for one in outcome.extras],
        [(one.operation.key, one.price, one.minutes) for one in outcome.savings],
        sorted((step.name, step.minutes) for step in outcome.plan.steps),
    )


@pytest.mark.parametrize("seed", range(4))
def test_estimates_give_what_a_catalogue_with_those_minutes_gives(seed: int) -> None:
    random = Random(seed)
    paced = draw_workshop(random)
    paced.estimates = own(paced.catalogue, paced.shop, Fraction(TIMES))
    other = Workshop(slower(paced.catalogue), slower_shop(paced.shop))

    for _ in range(12):
        asked = draw_work(random, paced)

        assert told(quote_repair(paced, asked)) == told(quote_repair(other, asked))


def test_a_workshop_keeps_quotes_of_different_estimates_apart() -> None:
    catalogue = starter()
    shop = catalogue.shops[HIRE_YARD]
    workshop = Workshop(catalogue, shop)
    asked = Asked(family=V68, serial=LATE_V68, chassis=LOOSE, on=MONDAY, jobs=(HEAD,))
    plain = told(quote_repair(workshop, asked))

    workshop.estimates = own(catalogue, shop, Fraction(5, 4), "teardown")
    slow = quote_repair(workshop, asked)
    workshop.estimates = Estimates()

    assert told(quote_repair(workshop, asked)) == plain
    fresh = Workshop(catalogue, shop)
    fresh.estimates = own(catalogue, shop, Fraction(5, 4), "teardown")
    assert told(quote_repair(fresh, asked)) == told(slow) != plain


def test_own_odds_change_the_probability_of_their_contingency_alone() -> None:
    catalogue = starter()
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    asked = Asked(family=V68, serial=LATE_V68, chassis=LOOSE, on=MONDAY, jobs=(HEAD,))

    def chances() -> dict[tuple[str, int | None], Fraction]:
        found = Foresight(workshop).look_ahead(quote_repair(workshop, asked)).prospect
        assert found is not None
        return {
            (one.found.kind.id, one.found.cylinder): Fraction(one.probability) for one in found.each
        }

    before = chances()
    name = max(before, key=lambda key: before[key])[0]
    workshop.estimates = Estimates(revision=1, odds={ContingencyId(name): Fraction(1, 2)})
    after = chances()

    changed = {key[0] for key in before if before[key] != after.get(key)}
    assert name in changed
    key = next(key for key in before if key[0] == name)
    wanted = times_odds(before[key], Fraction(1, 2))
    assert abs(after[key] - wanted) <= Fraction(1, 10_000)


def test_estimates_of_another_family_or_class_change_nothing() -> None:
    catalogue = starter()
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    asked = Asked(family=V68, serial=LATE_V68, chassis=LOOSE, on=MONDAY, jobs=(HEAD,))
    plain = told(quote_repair(workshop, asked))
    workshop.estimates = Estimates(
        revision=7,
        factors={
            PaceKey(FamilyId("QM-H27"), "work", LabourClass("tech")): Fraction(3),
            PaceKey(V68, "work", LabourClass("nobody")): Fraction(3),
        },
    )

    assert told(quote_repair(workshop, asked)) == plain
