"""What an area charges on a kind of line on a day, and what it refuses to answer."""

from collections.abc import Callable, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    TaxArea,
    TaxComponent,
)
from kitwright.tax import (
    KindUnassigned,
    RateNegative,
    RateNotYetValid,
    effective_rate,
    gross_up,
)
from kitwright.tax.area import rate_changes
from kitwright.units import read_figure

PART, LABOUR, CORE = ChargeKind.part, ChargeKind.labour, ChargeKind.core
DAY = date(2027, 3, 1)


def component(
    name: str,
    rates: Sequence[tuple[date, str]],
    *,
    applies_to: tuple[ChargeKind, ...] = (PART,),
    compounds: bool = False,
) -> TaxComponent:
    return TaxComponent(
        id=name,
        name=name.title(),
        rates=tuple(Rate(valid_from=day, percent=read_figure(percent)) for day, percent in rates),
        applies_to=applies_to,
        compounds=compounds,
    )


def area(*components: TaxComponent, untaxed: tuple[ChargeKind, ...] = (CORE,)) -> TaxArea:
    return TaxArea(
        id=AreaId("here"),
        name="Here",
        note="",
        currency="USD",
        prices_include_tax=False,
        rounding=Rounding(by=RoundBy.line, mode=RoundMode.half_up),
        components=components,
        untaxed=untaxed,
    )


def test_effective_rate_adds_the_components_of_a_kind() -> None:
    here = area(
        component("first", [(DAY, "5")], applies_to=(PART, LABOUR)),
        component("second", [(DAY, "9.975")], applies_to=(PART,)),
    )

    assert effective_rate(here, PART, DAY) == Fraction("0.14975")
    assert effective_rate(here, LABOUR, DAY) == Fraction("0.05")
    assert effective_rate(here, CORE, DAY) == 0


def test_effective_rate_multiplies_where_a_component_compounds() -> None:
    here = area(
        component("first", [(DAY, "5")]),
        component("second", [(DAY, "9.5")], compounds=True),
        component("third", [(DAY, "1")]),
        component("fourth", [(DAY, "2")], compounds=True),
    )

    first_two = Fraction("1.05") * Fraction("1.095")
    assert effective_rate(here, PART, DAY) == (first_two + Fraction("0.01")) * Fraction("1.02") - 1


def test_a_component_compounds_only_on_those_that_bear_on_the_same_kind() -> None:
    here = area(
        component("first", [(DAY, "5")], applies_to=(LABOUR,)),
        component("second", [(DAY, "9.5")], compounds=True),
    )

    assert effective_rate(here, PART, DAY) == Fraction("0.095")


@pytest.mark.parametrize(
    ("on", "rate"),
    [
        (date(2020, 1, 1), "0.15"),
        (date(2026, 12, 31), "0.15"),
        (date(2027, 1, 1), "0.16"),
        (date(2030, 1, 1), "0.16"),
    ],
)
def test_effective_rate_is_that_of_the_last_row_not_after_the_day(on: date, rate: str) -> None:
    rows = [(date(2020, 1, 1), "15"), (date(2027, 1, 1), "16")]

    assert effective_rate(area(component("vat", rows)), PART, on) == Fraction(rate)
    assert effective_rate(area(component("vat", rows[::-1])), PART, on) == Fraction(rate)


def test_effective_rate_refuses_a_day_before_the_first_rate() -> None:
    here = area(component("vat", [(DAY, "20")]))

    with pytest.raises(RateNotYetValid) as refusal:
        effective_rate(here, PART, date(2027, 2, 28))

    assert (refusal.value.area, refusal.value.component) == ("here", "vat")
    assert "2027-02-28" in str(refusal.value)


def test_a_rate_that_is_not_valid_yet_does_not_disturb_other_kinds() -> None:
    here = area(
        component("vat", [(DAY, "20")]),
        component("work", [(date(2030, 1, 1), "3")], applies_to=(LABOUR,)),
    )

    assert effective_rate(here, PART, DAY) == Fraction("0.2")


def test_effective_rate_refuses_a_kind_that_the_area_does_not_place() -> None:
    with pytest.raises(KindUnassigned) as refusal:
        effective_rate(area(component("vat", [(DAY, "20")])), ChargeKind.discount, DAY)

    assert (refusal.value.area, refusal.value.kind) == ("here", "discount")


def test_effective_rate_refuses_a_negative_rate() -> None:
    with pytest.raises(RateNegative) as refusal:
        effective_rate(area(component("odd", [(DAY, "-100")])), PART, DAY)

    assert refusal.value.percent == Decimal(-100)


def test_gross_up_leaves_the_net_once_tax_is_taken_out() -> None:
    here = area(component("vat", [(DAY, "20")]))

    assert gross_up(Fraction("10.25"), here, PART, DAY) == Fraction("12.3")
    assert gross_up(Fraction("10.25"), here, CORE, DAY) == Fraction("10.25")


def test_rate_changes_tells_what_changes_after_one_day_up_to_another() -> None:
    first, last = date(2027, 3, 2), date(2027, 3, 31)
    rates = [(date(2020, 1, 1), "5"), (DAY, "6"), (first, "7"), (last, "8")]
    same = [(date(2020, 1, 1), "2"), (first, "2")]
    later = [(date(2020, 1, 1), "3"), (date(2027, 4, 1), "4")]
    state = component("state", rates)
    others = (
        component("city", same),
        component("county", later),
        component("work", rates, applies_to=(LABOUR,)),
    )

    found = rate_changes(area(*others, state), {"part"}, on=DAY, until=last)

    # neither what changed that very day, nor what comes afterwards, stays, or taxes other lines
    assert [(each.component, each.first_day, each.before, each.after) for each in found] == [
        (state, first, Decimal(6), Decimal(7)),
        (state, last, Decimal(7), Decimal(8)),
    ]


@pytest.mark.parametrize(
    ("asked", "error", "facts"),
    [
        (
            lambda: effective_rate(area(component("state", [(DAY, "-1")])), PART, on=DAY),
            RateNegative,
            {"area": "here", "component": "state", "percent": Decimal(-1)},
        ),
        (
            lambda: effective_rate(
                area(component("state", [(DAY, "1")])), PART, on=date(2027, 2, 28)
            ),
            RateNotYetValid,
            {"area": "here", "component": "state", "on": date(2027, 2, 28)},
        ),
        (
            lambda: effective_rate(area(), LABOUR, on=DAY),
            KindUnassigned,
            {"area": "here", "kind": LABOUR},
        ),
    ],
)
def test_errors_of_an_area_carry_and_tell_what_they_are_about(
    asked: Callable[[], object], error: type[Exception], facts: dict[str, object]
) -> None:
    with pytest.raises(error) as refused:
        asked()

    assert {name: getattr(refused.value, name) for name in facts} == facts
    for fact in facts.values():
        assert str(fact) in str(refused.value)
