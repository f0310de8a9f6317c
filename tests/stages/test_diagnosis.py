from decimal import Decimal

import pytest
from msgspec import structs
from tests.diagnosis.rows import Row, assessed
from tests.stages.workbench import HIRE_YARD, MONDAY, figure, starter, with_shop

from kitwright.catalogue.model import Catalogue, FamilyId, Grade
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.stages.assessment import Assessment
from kitwright.stages.diagnosis import Ranked
from kitwright.stages.next_test import Cause
from kitwright.stages.observed import AskedCylinder, AskedFindings
from kitwright.stages.quote import Quote
from kitwright.stages.refusal import RequestRefused
from kitwright.stages.request import Asked
from kitwright.workshop import Workshop

GALLERY = {
    "leakdown_band@1": "20_30",
    "air_rocker_box@1": "strong_local",
    "plug_oil@1": "yes",
    "air_dipstick@1": "yes",
}
SPEAKER = Speaker(starter(), "en")


def assess(
    given: dict[str, str], catalogue: Catalogue | None = None, /, family: str = "TB-V68"
) -> Assessment:
    catalogue = catalogue or starter()
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    return assessed(workshop, Row(id="x", given=given, family=family))


def ranked(assessment: Assessment, key: str) -> Ranked:
    return next(one for one in assessment.diagnosed.ranked if one.candidate.key == key)


def quoted(cylinder: dict[str, str], engine: dict[str, str] | None = None) -> Quote:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    findings = AskedFindings(
        engine=engine or {}, cylinders=(AskedCylinder(cylinder=1, findings=cylinder),)
    )
    asked = Asked(family=FamilyId("TB-V68"), on=MONDAY, serial=3200000, findings=findings)
    return quote_repair(workshop, asked)


def test_diagnose_guesses_nothing_from_nothing() -> None:
    found = assess({})

    assert not found.diagnosed.ranked
    assert {one.cause for one in found.next_tests} == {Cause.basic}


def test_diagnose_confirms_only_with_a_direct_finding() -> None:
    with_direct = ranked(assess(GALLERY), "HG-GALLERY@1")
    # the same strength of belief, by another route
    sure = {**GALLERY, "wet_test_improves@1": "no"}
    del sure["air_rocker_box@1"]
    without = with_shop(
        starter(),
        decision=structs.replace(
            starter().shops[HIRE_YARD].decision,
            confidence=structs.replace(
                starter().shops[HIRE_YARD].decision.confidence, confirmed=figure("0.5")
            ),
        ),
    )

    assert with_direct.grade is Grade.confirmed
    assert ranked(assess(sure, without), "HG-GALLERY@1").grade is Grade.probable


def test_diagnose_says_how_many_times_more_likely() -> None:
    found = ranked(assess({**GALLERY, "wet_test_improves@1": "yes"}), "HG-GALLERY@1")

    assert SPEAKER.sentence(found.speaks_for[0].why).startswith(
        "A strong hiss at the pushrod holes, cylinder 1: 42 times more likely if it is a head "
    )
    assert [one.observation.kind.id for one in found.speaks_against] == ["wet_test_improves"]
    assert "more likely if it is not a head gasket" in SPEAKER.sentence(found.speaks_against[0].why)


def test_diagnose_takes_the_families_flags() -> None:
    given = {"wet_test_improves@1": "yes", "leakdown_band@1": "20_30"}
    upright = ranked(assess(given, family="QM-H27"), "RINGS-BORE@1")
    flat = ranked(assess(given, family="TB-S50"), "RINGS-BORE@1")

    assert upright.probability > flat.probability


def test_diagnose_weighs_an_indicative_reading_less() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])

    def none_of(supply: str, in_cylinder: str) -> Decimal:
        gauges: dict[str, tuple[str, ...]] = {
            "supply_psi@1": (supply,),
            "cylinder_psi@1": (in_cylinder,),
        }
        return assessed(workshop, Row(id="x", readings=gauges)).diagnosed.none

    assert none_of("80", "56") < none_of("50", "35") < none_of("50", "50")


def test_diagnose_multiplies_the_odds_of_a_background() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    plain = Row(id="x", given={"oil_fuel_smell": "yes"})
    known = structs.replace(plain, background=("stored_with_fuel_on",))

    before = ranked(assessed(workshop, plain), "FUEL-DILUTION").probability
    after = ranked(assessed(workshop, known), "FUEL-DILUTION").probability

    assert after > before


def test_diagnose_names_what_the_rules_call_impossible() -> None:
    rules = starter().rules
    never = tuple(
        structs.replace(one, base=(figure("1"), figure("0"))) if one.id == "air_other_plug" else one
        for one in rules.finding
    )
    catalogue = structs.replace(starter(), rules=structs.replace(rules, finding=never))

    with pytest.raises(RequestRefused, match="can't be seen together: air_other_plug@1"):
        assess({"air_other_plug@1": "yes"}, catalogue)


def test_clash_is_named_with_one_retest_and_keeps_from_confirming() -> None:
    found = assess({"leakdown_band@1": "le5", "air_exhaust@1": "yes", "lash_tight@1": "yes"})

    assert [one.conflict.id for one in found.findings.clashes] == ["CLASH-SOUND-EXHAUST"]
    retests = [one.test.id for one in found.next_tests if one.cause is Cause.clash]
    # the gate's own repeat of the same test comes first and stands for it
    assert retests == []
    assert found.next_tests[0].key == ("T-LEAKDOWN", 1)
    assert all(one.grade is not Grade.confirmed for one in found.diagnosed.ranked)


def test_clash_of_two_findings_over_a_fault_is_named() -> None:
    found = assess({"air_rocker_box@1": "strong_local", "leakdown_band@1": "le5"})

    over = found.diagnosed.clashes[0]
    assert over.ranked.candidate.key == "HG-GALLERY@1"
    assert {over.one.observation.kind.id, over.other.observation.kind.id} == {
        "air_rocker_box",
        "leakdown_band",
    }
    assert "Neither is averaged away" in SPEAKER.sentence(over.why)


def test_next_tests_begin_with_what_a_gate_has_voided() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    gauges: dict[str, tuple[str, ...]] = {"supply_psi@2": ("110",), "cylinder_psi@2": ("90",)}

    found = assessed(workshop, Row(id="x", given={"plug_oil@1": "yes"}, readings=gauges))

    assert found.next_tests[0].key == ("T-LEAKDOWN", 2)
    assert found.next_tests[0].cause is Cause.voided
    causes = [one.cause for one in found.next_tests]
    assert causes == sorted(causes, key=list(Cause).index)


def test_next_tests_are_ranked_by_bits_a_minute() -> None:
    found = [one for one in assess({"plug_oil@1": "yes"}).next_tests if one.bits is not None]

    worth = [one.bits / one.test.minutes for one in found if one.bits is not None]
    assert worth == sorted(worth, reverse=True)
    assert not any(one.test.is_basic for one in found)


def test_every_assessment_that_asks_for_a_leakdown_says_how_to_hold_the_crank() -> None:
    for given in ({"plug_oil@1": "yes"}, {"air_exhaust@1": "yes"}, {"lash_tight@1": "yes"}):
        found = assess(given)

        asks = any(one.test.id == "T-LEAKDOWN" for one in found.next_tests)
        told = " ".join(one.hazard.text for one in found.precautions)
        assert asks
        for words in ("Hold the crank", "blade, flywheel", "Regulator at its lowest", "plug lead"):
            assert words in told
        for words in ("Bleed to zero", "maker's manual and local rules come first"):
            assert words in told


def test_stop_leaves_no_test_and_no_quote() -> None:
    stuck = {"crank_locked": "yes", "plug_hole_liquid@1": "yes", **GALLERY}
    found = assess(stuck)

    assert found.next_tests == ()
    assert not any(one.is_quotable for one in found.diagnosed.ranked)
    with pytest.raises(RequestRefused, match="stopped: "):
        quoted({"plug_hole_liquid": "yes"}, {"crank_locked": "yes"})


def test_findings_that_are_sure_are_quoted_as_the_repair() -> None:
    quote = quoted({key.partition("@")[0]: level for key, level in GALLERY.items()})

    assert quote.basis is not None
    assert quote.basis.is_repair
    assert "J-HEAD-GASKET" in [one.operation.job.id for one in quote.operated]


def test_findings_that_are_not_sure_are_quoted_as_the_next_test() -> None:
    quote = quoted({"plug_oil": "yes"})

    assert quote.basis is not None
    assert [one.operation.job.id for one in quote.operated] == ["J-LEAKDOWN"]
    assert quote.basis.in_play
    for one in quote.basis.in_play:
        assert one.price.minor > 0
        assert one.faults[0].probability < Decimal("0.6")


def test_tight_clearance_is_set_before_valve_work_is_quoted() -> None:
    quote = quoted({"lash_tight": "yes", "leakdown_band": "20_30", "air_exhaust": "yes"})

    assert [one.operation.text for one in quote.operated] == ["J-LASH@1"]
