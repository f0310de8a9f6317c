"""Leak-down figures: computed losses, a published threshold, and common practice."""

from decimal import Decimal
from fractions import Fraction

import pytest
from tests.diagnosis.rows import Row, assessed
from tests.stages.workbench import HIRE_YARD, starter

from kitwright.catalogue.model import Grade
from kitwright.stages.finding import Assessment
from kitwright.stages.finding.leakage import read_gauges
from kitwright.stages.request import AskedReading
from kitwright.units import PressureUnit, in_psi
from kitwright.workshop import Workshop

WORKSHOP = Workshop(starter(), starter().shops[HIRE_YARD])
BOTH_SOUND = {"leakdown_band@1": "le5", "leakdown_band@2": "le5"}


def percent(supply: str, in_cylinder: str, unit: PressureUnit = PressureUnit.psi) -> Fraction:
    reading = AskedReading(supply=Decimal(supply), in_cylinder=Decimal(in_cylinder), unit=unit)
    return read_gauges(reading).percent


def assess(
    given: dict[str, str] | None = None, /, *, family: str = "TB-V68", **more: object
) -> Assessment:
    return assessed(WORKSHOP, Row(id="outside", given=given or {}, family=family, **more))  # type: ignore[arg-type]


def gauged(*in_cylinder: str, supply: str = "80") -> dict[str, tuple[str, ...]]:
    readings: dict[str, tuple[str, ...]] = {}
    for cylinder, figure in enumerate(in_cylinder, start=1):
        readings[f"supply_psi@{cylinder}"] = (supply,)
        readings[f"cylinder_psi@{cylinder}"] = (figure,)
    return readings


# Loss % = 100 (supply - cylinder) / supply, computed; the third is common practice.
@pytest.mark.parametrize(
    ("supply", "in_cylinder", "lost"),
    [
        ("80", "75", "6.25"),
        ("80", "70", "12.5"),
        ("80", "68", "15"),
        ("80", "60", "25"),
        ("100", "70", "30"),
    ],
)
def test_leakage_is_the_published_loss(supply: str, in_cylinder: str, lost: str) -> None:
    assert percent(supply, in_cylinder) == Fraction(lost)


def test_pressures_convert_exactly() -> None:
    # a pound-force is 4.4482216152605 N, an inch 0.0254 m, a bar 100 kPa: all by definition
    assert in_psi(Decimal("6.894757293168"), PressureUnit.kpa) == pytest.approx(1, abs=1e-12)
    assert in_psi(Decimal(1), PressureUnit.bar) == in_psi(Decimal(100), PressureUnit.kpa)
    assert in_psi(Decimal("0.45359237"), PressureUnit.psi) == Fraction("0.45359237")


@pytest.mark.parametrize("unit", PressureUnit)
def test_leakage_does_not_depend_on_the_unit(unit: PressureUnit) -> None:
    assert percent("6.4", "4.8", unit) == 25


def test_more_than_a_quarter_lost_is_cause_to_suspect_the_cylinder() -> None:
    # FAA AC 43.13-1B, differential compression test: over 25 % loss
    found = assess(family="QM-H27", readings=gauged("59.9"))

    assert found.findings.leakages[0].band == "20_30"
    assert found.diagnosed.none < Decimal("0.2")
    assert found.diagnosed.ranked


def test_supply_above_100_psi_is_refused_with_a_message() -> None:
    # common practice: the crank may be driven round
    found = assess(family="QM-H27", readings=gauged("100", supply="110"))

    assert found.findings.leakages[0].percent is None
    assert not found.diagnosed.ranked
    assert "100 psi" in found.findings.answered[0].gate.message
    assert found.next_tests[0].test.id == "T-LEAKDOWN"


@pytest.mark.parametrize("lost", ["2", "3.5", "5"])
def test_2_to_5_percent_past_the_rings_is_a_healthy_engine(lost: str) -> None:
    # common practice
    in_cylinder = str(Decimal(80) * (100 - Decimal(lost)) / 100)

    found = assess(
        {"air_dipstick@1": "yes", "plug_oil@1": "no"},
        family="QM-H27",
        readings=gauged(in_cylinder),
    )

    assert not [one for one in found.diagnosed.ranked if one.grade]


def test_5_psi_between_cylinders_is_acceptable() -> None:
    # common practice; at any supply that counts
    for supply in ("60", "80", "100"):
        top = Decimal(supply) * Decimal("0.97")
        found = assess(readings=gauged(str(top), str(top - 5), supply=supply))

        assert not found.findings.answered, supply


@pytest.mark.parametrize("apart", ["10", "12", "15"])
def test_10_to_15_percent_between_cylinders_calls_for_a_closer_look(apart: str) -> None:
    # common practice
    worse = Decimal(100) - 3 - Decimal(apart)
    found = assess(readings=gauged("97", str(worse), supply="100"))

    (answered,) = found.findings.answered
    assert answered.gate.action == "ask"
    assert "more closely" in answered.gate.message


def test_all_cylinders_oily_with_good_leakdown_means_the_crankcase_vent() -> None:
    # common practice
    found = assess({**BOTH_SOUND, "plug_oil@1": "yes", "plug_oil@2": "yes"})

    assert found.diagnosed.ranked[0].code == "BREATHER"


def test_one_oily_cylinder_that_passes_means_stem_seal_or_guide() -> None:
    # common practice
    found = assess({**BOTH_SOUND, "plug_oil@1": "yes", "plug_oil@2": "no"})

    assert found.diagnosed.ranked[0].candidate.key == "STEM-SEAL@1"


def test_several_head_gaskets_failing_at_once_is_unlikely() -> None:
    # common practice: with both cylinders poor, something common to both, or rings, is likelier
    found = assess({"plug_oil@1": "yes", "plug_oil@2": "yes", "crankcase_vacuum": "pressure"})

    by_key = {one.candidate.key: one for one in found.diagnosed.ranked}
    assert found.diagnosed.ranked[0].code == "BREATHER"
    gaskets = [by_key[key].grade for key in ("HG-GALLERY@1", "HG-GALLERY@2") if key in by_key]
    assert Grade.probable not in gaskets
    assert Grade.confirmed not in gaskets
