from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.workbench import figure, starter

from kitwright.catalogue.model import (
    Catalogue,
    FamilyId,
    Gate,
    GateAction,
    GateCondition,
    JobScope,
)
from kitwright.stages.finding import Findings, Standing, read_findings, whole_percent
from kitwright.stages.request import (
    AskedAssessment,
    AskedCylinder,
    AskedFindings,
    AskedGauge,
    AskedReading,
    RequestRefused,
)
from kitwright.units import PressureUnit

PSI = PressureUnit.psi


def reading(supply: str, in_cylinder: str, unit: PressureUnit = PSI) -> AskedReading:
    return AskedReading(supply=Decimal(supply), in_cylinder=Decimal(in_cylinder), unit=unit)


def asked(*cylinders: AskedCylinder, family: str = "TB-V68", **more: Any) -> AskedAssessment:
    findings = AskedFindings(cylinders=cylinders, **more)
    return AskedAssessment(family=FamilyId(family), findings=findings)


def read(*readings: AskedReading, catalogue: Catalogue | None = None, **more: Any) -> Findings:
    told = asked(AskedCylinder(cylinder=1, readings=readings, **more))
    return read_findings(catalogue or starter(), told)


def gates(findings: Findings) -> list[tuple[str, int | None, int | None]]:
    return [(one.gate.id, one.cylinder, one.reading) for one in findings.answered]


def with_gates(*gates: Gate) -> Catalogue:
    rules = structs.replace(starter().rules, gate=gates)
    return structs.replace(starter(), rules=rules)


def test_read_findings_takes_the_mean_of_two_readings() -> None:
    (leakage,) = read(reading("80", "72"), reading("80", "70")).leakages

    assert leakage.percent == Fraction("11.25")
    assert leakage.band == "10_20"
    assert leakage.standing is Standing.counts


@pytest.mark.parametrize(
    ("in_cylinder", "band"),
    [("95", "le5"), ("94.99", "5_10"), ("90", "5_10"), ("80", "10_20"), ("70", "20_30")],
)
def test_read_findings_counts_a_limit_to_the_band_below(in_cylinder: str, band: str) -> None:
    assert read(reading("100", in_cylinder)).leakages[0].band == band


def test_read_findings_voids_a_reading_above_100_psi() -> None:
    findings = read(reading("100.01", "90"))

    assert gates(findings) == [("GATE-PRESSURE", 1, 0)]
    assert findings.leakages[0].standing is Standing.void
    assert findings.leakages[0].band is None
    assert not findings.counted


@pytest.mark.parametrize(
    ("supply", "unit"), [("100", PSI), ("689.4757", PressureUnit.kpa), ("6.8947", PressureUnit.bar)]
)
def test_read_findings_takes_100_psi_in_any_unit(supply: str, unit: PressureUnit) -> None:
    assert not gates(read(reading(supply, supply, unit)))


def test_read_findings_keeps_a_reading_below_60_psi_as_indicative() -> None:
    findings = read(reading("59.9", "50"), findings={"air_exhaust": "yes", "lash_tight": "no"})

    (leakage,) = findings.leakages
    assert leakage.standing is Standing.indicative
    powers = {one.kind.id: one.power for one in findings.counted}
    assert powers == {"leakdown_band": Decimal("0.5"), "air_exhaust": 1, "lash_tight": 1}


def test_read_findings_voids_a_cylinder_above_its_supply() -> None:
    findings = read(reading("80", "80.1"))

    assert gates(findings) == [("GATE-CYL-OVER-SUPPLY", 1, 0)]
    assert findings.leakages[0].percent is None


def test_read_findings_never_calls_a_negative_leakage_sound() -> None:
    # even where a shop has taken the gate out
    findings = read(reading("80", "84"), catalogue=with_gates())

    assert not findings.answered
    assert findings.leakages[0].band is None
    assert not findings.counted


@pytest.mark.parametrize(
    ("readings", "sound"),
    [
        ((), set()),
        ((reading("80", "76"), reading("80", "76")), {1}),
        ((reading("80", "44"), reading("80", "44")), set()),
        ((reading("80", "72"), reading("80", "60")), set()),
        ((reading("50", "48"), reading("50", "48")), set()),
        ((reading("80", "84"),), set()),
    ],
    ids=["missing", "good", "bad", "void", "indicative", "impossible"],
)
def test_findings_know_a_cylinder_to_hold_air_only_by_a_good_leak_down_that_counts(
    readings: tuple[AskedReading, ...], sound: set[int]
) -> None:
    assert read(*readings).sound == sound


def test_read_findings_voids_two_readings_more_than_5_points_apart_until_repeated() -> None:
    apart = read(reading("80", "72"), reading("80", "66"))
    repeated = read(reading("80", "72"), reading("80", "66"), reading("80", "67"))

    assert gates(apart) == [("GATE-READINGS-APART", 1, None)]
    assert apart.leakages[0].band is None
    assert not gates(repeated)
    assert repeated.leakages[0].percent == Fraction("16.875")


APART = (reading("50", "34.5"), reading("80", "72"))
"""31 % with too little pressure, 10 % with enough: one of them is wrong."""


@pytest.mark.parametrize("readings", [APART, APART[::-1]], ids=["fuller-last", "fuller-first"])
def test_read_findings_voids_readings_far_apart_whichever_is_fuller(
    readings: tuple[AskedReading, ...],
) -> None:
    findings = read(*readings)

    assert ("GATE-READINGS-APART", 1, None) in gates(findings)
    assert findings.leakages[0].standing is Standing.void
    assert findings.leakages[0].band is None


def test_read_findings_takes_full_readings_that_agree_after_a_thin_one_that_does_not() -> None:
    findings = read(*APART, reading("80", "71"))

    assert gates(findings) == [("GATE-PRESSURE-LOW", 1, 0)]
    assert findings.leakages[0].percent == Fraction("10.625")


def test_read_findings_does_not_hide_full_readings_apart_behind_thin_ones_that_agree() -> None:
    # the two full ones decide, at 10 and 40 %: their mean is no leakage of this cylinder
    full = (reading("80", "72"), reading("80", "48"))
    thin = (reading("50", "45"), reading("50", "45"))

    assert ("GATE-READINGS-APART", 1, None) in gates(read(*full, *thin))


def test_read_findings_compares_no_reading_with_a_void_one() -> None:
    assert gates(read(reading("110", "60"), reading("80", "72"))) == [("GATE-PRESSURE", 1, 0)]


@pytest.mark.parametrize(
    ("percent", "told"),
    [
        ("10", 10),
        ("9.4", 9),
        ("9.5", 10),
        ("10.2", 11),
        ("10.6", 11),
        ("26.67", 27),
        ("5.01", 6),
        ("0.4", 0),
        ("-0.2", -1),
        ("99.7", 100),
    ],
)
def test_whole_percent_is_the_nearest_in_the_same_band(percent: str, told: int) -> None:
    kind = next(row for row in starter().rules.finding if row.id == "leakdown_band")

    assert whole_percent(Fraction(percent), kind) == told


def test_read_findings_takes_5_points_apart() -> None:
    assert not gates(read(reading("80", "72"), reading("80", "68")))


def test_read_findings_lets_a_good_reading_stand_beside_a_void_one() -> None:
    findings = read(reading("110", "60"), reading("90", "81"))

    assert gates(findings) == [("GATE-PRESSURE", 1, 0)]
    assert findings.leakages[0].percent == 10
    assert findings.leakages[0].standing is Standing.counts


def test_read_findings_voids_air_at_both_valves_with_a_high_leakage() -> None:
    air = {"air_intake": "yes", "air_exhaust": "yes", "air_dipstick": "yes", "plug_oil": "yes"}

    findings = read(reading("80", "50"), findings=air)

    assert [one.kind.id for one in findings.counted] == ["plug_oil"]


def test_read_findings_holds_valves_of_that_cylinder_after_a_tight_clearance() -> None:
    findings = read(findings={"lash_tight": "yes"})
    valve = starter().diagnoses["VALVE-EX"].code  # type: ignore[index]

    assert [one.gate.job for one in findings.holding(GateAction.do_first, valve, 1)] == ["J-LASH"]
    assert not findings.holding(GateAction.do_first, valve, 2)


def test_read_findings_asks_about_low_cranking_compression_in_any_unit() -> None:
    low = AskedGauge(reading="cranking_psi", value=Decimal("3.8"), unit=PressureUnit.bar)

    assert gates(read(gauges=(low,))) == [("GATE-COMP-RELEASE", None, None)]


def test_read_findings_follows_gates_that_a_shop_has_written() -> None:
    strict = Gate(
        id="OURS",
        scope=JobScope.cylinder,
        when=(
            GateCondition(reading="supply_psi", below=figure("85")),
            GateCondition(finding="plug_oil", levels=("yes",)),
        ),
        action=GateAction.indicative,
        affects=("plug_oil",),
        power=figure("0.25"),
        message="ours",
    )

    findings = read(reading("80", "76"), catalogue=with_gates(strict), findings={"plug_oil": "yes"})

    assert gates(findings) == [("OURS", 1, None)]
    assert {one.kind.id: one.power for one in findings.counted} == {
        "plug_oil": Decimal("0.25"),
        "leakdown_band": 1,
    }


@given(st.permutations(range(len(starter().rules.gate))))
def test_read_findings_does_not_mind_the_order_of_gates(order: list[int]) -> None:
    shuffled = with_gates(*(starter().rules.gate[place] for place in order))
    air = {"air_intake": "yes", "air_exhaust": "yes", "lash_tight": "yes"}

    findings = read(reading("110", "60"), reading("50", "30"), catalogue=shuffled, findings=air)
    plain = read(reading("110", "60"), reading("50", "30"), findings=air)

    assert findings.observations == plain.observations
    assert sorted(gates(findings), key=str) == sorted(gates(plain), key=str)


def test_read_findings_names_every_fault_with_its_place() -> None:
    told = asked(
        AskedCylinder(cylinder=3),
        AskedCylinder(
            cylinder=1,
            readings=(reading("0", "70"), reading("80", "-1")),
            gauges=(AskedGauge(reading="cranking", value=Decimal(80), unit=PSI),),
            findings={"leakdown_band": "le5", "plug_oily": "yes", "hunting": "yes"},
        ),
        AskedCylinder(
            cylinder=1, readings=(reading("-3", "0"),), has_list=False, findings={"plug_oil": "si"}
        ),
        background=("overheat", "overheated", "overheated"),
        engine={"plug_oil": "yes"},
    )

    with pytest.raises(RequestRefused) as refused:
        read_findings(starter(), told, ("findings",))

    assert {(fault.path[1:], fault.code) for fault in refused.value.faults} == {
        (("background", 0), "unknown-background"),
        (("background", 2), "named-twice"),
        (("engine", "plug_oil"), "finding-misplaced"),
        (("cylinders", 0, "cylinder"), "cylinder-out-of-range"),
        (("cylinders", 1, "leakdown", 0, "supply"), "pressure-not-positive"),
        (("cylinders", 1, "leakdown", 1, "in_cylinder"), "pressure-not-positive"),
        (("cylinders", 1, "gauges", 0, "reading"), "unknown-reading"),
        (("cylinders", 1, "findings", "leakdown_band"), "level-derived"),
        (("cylinders", 1, "findings", "plug_oily"), "unknown-finding"),
        (("cylinders", 1, "findings", "hunting"), "finding-misplaced"),
        (("cylinders", 2, "cylinder"), "cylinder-twice"),
        (("cylinders", 2, "leakdown", "supply"), "pressure-not-positive"),
        (("cylinders", 2, "findings", "plug_oil"), "unknown-level"),
    }
    assert {fault.path[0] for fault in refused.value.faults} == {"findings"}


def test_read_findings_offers_close_matches() -> None:
    with pytest.raises(RequestRefused, match="did you mean plug_oil"):
        read(findings={"plug_oli": "yes"})
