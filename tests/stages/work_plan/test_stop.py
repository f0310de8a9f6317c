"""What stopping costs: at every step of many quotes, and some worked by hand."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import HIRE_YARD, quote, starter, with_shop

from kitwright.catalogue.model import (
    Catalogue,
    ChargeKind,
    ChassisId,
    DiagnosisCode,
    FamilyId,
    JobId,
)
from kitwright.money import Money
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind
from kitwright.stages.request import (
    AskedDiagnosis,
    AskedJob,
    Discount,
    FreeLine,
    Terms,
)
from kitwright.stages.work_plan import Stop, find_stop, find_used
from kitwright.units import read_figure


def jobs(*named: tuple[str, int | None]) -> tuple[AskedJob, ...]:
    return tuple(AskedJob(JobId(name), cylinder) for name, cylinder in named)


VALVE: dict[str, Any] = {
    "family": FamilyId("QM-H27"),
    "serial": 2140077,
    "build_code": "1407",
    "chassis": ChassisId("PW-G5"),
    "diagnoses": (AskedDiagnosis(DiagnosisCode("VALVE-EX"), 1),),
    "diagnostic_done": True,
}
ASKED: dict[str, dict[str, Any]] = {
    "valve": VALVE,
    "short block": {
        "chassis": ChassisId("SK-ZT52"),
        "jobs": jobs(("J-SHORT-BLOCK", None)),
        "diagnostic_done": True,
    },
    "warped heads": {
        "chassis": ChassisId("DF-RT36"),
        "jobs": jobs(
            ("J-HEAD-GASKET", 1), ("J-HEAD-GASKET", 2), ("J-RESURFACE", 1), ("J-STEM-SEAL", 1)
        ),
    },
    "rings": {"chassis": ChassisId("DF-RT36"), "jobs": jobs(("J-RINGS", 1))},
    "stem seals": {"jobs": jobs(("J-STEM-SEAL", 1), ("J-STEM-SEAL", 2))},
    "spark plug": {"jobs": jobs(("J-PLUG", 1))},
    "oil for three": {"jobs": jobs(("J-OIL", None)), "terms": Terms(machines=3)},
}


def stops(found: Outcome, catalogue: Catalogue | None = None) -> list[Stop]:
    """Return what stopping costs before each step, and after the last."""
    repair = found.repair
    return [
        find_stop(
            (catalogue or starter()).shops[HIRE_YARD],
            found.request,
            found.plan,
            repair.lines,
            repair.kit.needs,
            before=before,
        ).up_to(repair.price)
        for before in range(1, len(found.plan.steps) + 2)
    ]


def price_of_minutes(found: Outcome, before: int) -> Money:
    """Return what the exact minutes of the steps before one cost at the shop's rates, rounded down
    and without tax.
    """
    rates = starter().shops[HIRE_YARD].labour.rates
    done = found.plan.steps[: before - 1]
    exact = sum(
        (
            step.minutes * Fraction(rates[step.labour_class]) / 60
            for step in done
            if step.labour_class
        ),
        Fraction(0),
    )
    return Money(int(exact * found.plan.machines * 100), "USD")


@pytest.mark.parametrize("name", ASKED)
def test_stop_costs_at_least_the_minutes_done_and_at_most_the_quote(name: str) -> None:
    found = quote(starter(), **ASKED[name])

    for stop in stops(found):
        assert price_of_minutes(found, stop.before) <= stop.in_boxes
        assert stop.in_boxes <= stop.refitted <= found.repair.price


@pytest.mark.parametrize("name", ASKED)
def test_stop_never_costs_less_as_teardown_goes_on(name: str) -> None:
    found = quote(starter(), **ASKED[name])
    first = next(
        place
        for place, step in enumerate(found.plan.steps, start=1)
        if step.kind in ("refit", "refill", "release", "hand_over")
    )
    on_the_way = stops(found)[:first]

    for price in ("refitted", "in_boxes"):
        prices = [getattr(stop, price) for stop in on_the_way]
        assert prices == sorted(prices)


@pytest.mark.parametrize("name", ASKED)
def test_stop_after_all_has_done_all_minutes_and_leaves_nothing_to_refit(name: str) -> None:
    found = quote(starter(), **ASKED[name])
    last = stops(found)[-1]

    assert last.to_refit == 0
    assert last.done == sum((step.minutes for step in found.plan.steps), Fraction(0))
    assert last.refitted == last.in_boxes


def test_stop_before_the_head_worked_by_hand() -> None:
    found = quote(starter(), **VALVE)
    (stop,) = found.stops
    steps = {step.name: step.minutes for step in found.plan.steps}

    assert found.plan.steps[stop.before - 1].name == "off head@1"
    off = [step for step in found.plan.steps[: stop.before - 1] if step.name.startswith("off ")]
    assert stop.to_refit == sum(steps[f"on {step.name.removeprefix('off ')}"] for step in off)
    # two classes, each rounded up by itself: of the way in, and of the way in and back
    tech = sum(
        (
            step.minutes
            for step in found.plan.steps[: stop.before - 1]
            if step.labour_class == "tech"
        ),
        Fraction(0),
    )
    clean = Fraction(12)
    assert stop.done == tech + clean
    rates = starter().shops[HIRE_YARD].labour.rates
    step = starter().shops[HIRE_YARD].labour.increment_minutes

    def cost(minutes: Fraction, rate: str) -> Decimal:
        return Decimal(-(-minutes // step) * step) * rates[rate] / 60  # type: ignore[index]

    refitted = cost(tech + stop.to_refit, "tech") + cost(clean, "clean")
    in_boxes = cost(tech, "tech") + cost(clean, "clean")
    # the diagnosis is paid without its credit; exhaust and intake gaskets are renewed when it is
    # refitted, which here are part of a set, so that the set is paid, and the clips and nuts by
    # themselves; in boxes, nothing is renewed
    assert stop.refitted.amount > refitted + Decimal("85.00")
    assert stop.in_boxes.amount == round(in_boxes + Decimal("85.00"), 2)


def test_oil_that_was_drained_is_due_only_if_it_is_filled_again() -> None:
    found = quote(starter(), **ASKED["oil for three"])
    shop, plan, repair = starter().shops[HIRE_YARD], found.plan, found.repair
    drained = next(
        at for at, step in enumerate(plan.steps, start=1) if step.name == "off oil_drain"
    )
    filled = next(at for at, step in enumerate(plan.steps, start=1) if step.name == "on oil_drain")
    kinds = {line.kind for line in repair.lines}
    assert LineKind.consumable in kinds

    def oil(before: int, *, in_boxes: bool) -> Fraction:
        used = find_used(
            shop, plan, repair.lines, repair.kit.needs, before=before, in_boxes=in_boxes
        )
        lines = ((repair.lines[one.place], one.share) for one in used.shares)
        return sum(
            (share for line, share in lines if line.kind is LineKind.consumable), Fraction(0)
        )

    for before in range(drained + 1, filled + 1):
        assert oil(before, in_boxes=False) > 0
        assert oil(before, in_boxes=True) == 0
    assert oil(filled + 1, in_boxes=True) == oil(filled + 1, in_boxes=False) > 0


def test_stop_follows_the_shop_s_terms() -> None:
    def prices(**changes: Any) -> tuple[Money, Money]:
        fees = starter().shops[HIRE_YARD].fees
        abort = structs.replace(fees.abort, **changes)
        catalogue = with_shop(starter(), fees=structs.replace(fees, abort=abort))
        (stop,) = quote(catalogue, **VALVE).stops
        return stop.refitted, stop.in_boxes

    refitted, in_boxes = prices()
    # by hand, see above: all minutes and the diagnosis, without what is renewed
    whole = Money(14600 + 8500, "USD")
    assert prices(return_in_boxes_discount_percent=read_figure("0")) == (refitted, whole)
    assert in_boxes < whole < refitted
    half = prices(return_in_boxes_discount_percent=read_figure("50"))
    assert half[0] == refitted
    assert in_boxes < half[1] < refitted
    free = prices(charge_done=False)
    assert free[0] < refitted
    assert free[1] < in_boxes


def test_stop_passes_no_price_of_the_quote_however_much_that_is_reduced() -> None:
    most = Discount(reason="r", by="b", percent=Decimal(90))
    found = quote(starter(), **VALVE, terms=Terms(discounts=(most,)))
    (stop,) = found.stops

    assert stop.refitted == stop.in_boxes == found.repair.price


def test_stop_charges_sublet_work_and_added_lines_once_they_are_done() -> None:
    line = FreeLine(
        description="Bracket straightened",
        kind=ChargeKind.labour,
        quantity=Decimal(20),
        unit="minute",
        unit_price=Decimal(2),
        reason="r",
        by="b",
    )
    asked = {**ASKED["warped heads"], "terms": Terms(free_lines=(line,))}
    found = quote(starter(), **asked)
    names = [step.name for step in found.plan.steps]
    every = stops(found)

    for name, least in (("head_resurface@1", 50), ("hand 1", 40)):
        place = names.index(name)
        assert every[place + 1].in_boxes.amount - every[place].in_boxes.amount >= least


def test_stops_are_before_the_head_and_before_the_lower_end() -> None:
    found = quote(starter(), **ASKED["rings"])

    decided = [found.plan.steps[stop.before - 1].name for stop in found.stops]
    assert sorted(decided) == ["off head@1", "off sump"]
    assert quote(starter(), **ASKED["spark plug"]).stops == ()
