from decimal import Decimal

import pytest
from msgspec import structs
from tests.diagnosis.rows import Row, assessed
from tests.stages.workbench import HIRE_YARD, MONDAY, figure, starter, with_shop

from kitwright.catalogue.model import Catalogue, FamilyId, Grade, Scope
from kitwright.documents.assessment_text import assessment_text
from kitwright.documents.quote_text import quote_text
from kitwright.flow import assess as assess_findings
from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.stages.finding import Assessment, Cause, Ranked
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import (
    Asked,
    AskedAssessment,
    AskedCylinder,
    AskedFindings,
    AskedReading,
    RequestRefused,
)
from kitwright.telling import tell_quote
from kitwright.units import PressureUnit
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


def quoted(cylinder: dict[str, str], engine: dict[str, str] | None = None) -> Outcome:
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
    with_direct = ranked(assess({**GALLERY, "wet_test_improves@1": "no"}), "HG-GALLERY@1")
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
        "A strong hiss at the pushrod holes, cylinder 1: 51 times as likely with a head gasket "
    )
    assert [one.observation.kind.id for one in found.speaks_against] == ["wet_test_improves"]
    assert "times as likely without a head gasket" in SPEAKER.sentence(found.speaks_against[0].why)


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

    with pytest.raises(RequestRefused, match="can't occur together: air_other_plug@1"):
        assess({"air_other_plug@1": "yes"}, catalogue)


def test_clash_is_named_with_one_retest_and_keeps_from_confirming() -> None:
    found = assess({"leakdown_band@1": "le5", "air_exhaust@1": "yes", "lash_tight@1": "yes"})

    assert [one.conflict.id for one in found.findings.clashes] == ["CLASH-SOUND-EXHAUST"]
    retests = [one.test.id for one in found.next_tests if one.cause is Cause.clash]
    # the gate's own repeat of the same test comes first and stands for it
    assert retests == []
    assert found.next_tests[0].key == ("T-LEAKDOWN", 1)
    confirmed = [one for one in found.diagnosed.ranked if one.grade is Grade.confirmed]
    # the clearance itself was measured; what the air says of a valve clashes with the gauges
    assert [one.candidate.key for one in confirmed] == ["LASH-TIGHT@1"]
    assert all(one.is_seen for one in confirmed)


def test_clash_of_two_findings_over_a_fault_is_named() -> None:
    found = assess({"air_rocker_box@1": "strong_local", "leakdown_band@1": "le5"})

    over = found.diagnosed.clashes[0]
    assert over.ranked.candidate.key == "HG-GALLERY@1"
    assert {over.one.observation.kind.id, over.other.observation.kind.id} == {
        "air_rocker_box",
        "leakdown_band",
    }
    assert "Conflicting findings are not averaged" in SPEAKER.sentence(over.why)


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
        for words in ("Hold the crank", "blade, flywheel", "regulator at its lowest", "plug lead"):
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


READINGS_110: dict[str, tuple[str, ...]] = {"supply_psi@1": ("110",), "cylinder_psi@1": ("70",)}
WORN = {"wet_test_improves@1": "yes", "air_dipstick@1": "yes", "smoke_constant": "yes"}


def test_a_repair_is_not_quoted_while_its_readings_are_void() -> None:
    """Supply over 100 psi voids the reading, and with it the wet test that compares with it."""
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    told = {**WORN, "plug_oil@1": "yes", "crankcase_vacuum": "pressure", "oil_airbox": "yes"}

    found = assessed(workshop, Row(id="x", given=told, readings=READINGS_110, family="QM-H27"))

    void = {one.key for one in found.findings.observations if one.is_void}
    assert void == {"leakdown_band@1", "wet_test_improves@1"}
    rings = ranked(found, "RINGS-BORE@1")
    assert rings.is_weak
    assert not rings.is_quotable
    assert found.next_tests[0].key == ("T-LEAKDOWN", 1)


def test_a_wet_test_falls_with_the_readings_that_it_compares() -> None:
    """Two readings 7.5 points apart: neither counts, nor what oil seemed to change about them."""
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    apart: dict[str, tuple[str, ...]] = {"supply_psi@1": ("80",), "cylinder_psi@1": ("58", "52")}

    found = assessed(workshop, Row(id="x", given=WORN, readings=apart, family="QM-H27"))

    void = {one.key for one in found.findings.observations if one.is_void}
    assert void == {"leakdown_band@1", "wet_test_improves@1"}
    assert [one.test.id for one in found.next_tests[:2]] == ["T-LEAKDOWN", "T-WET"]
    assert not any(one.is_quotable for one in found.diagnosed.ranked)


def test_readings_through_different_restrictors_do_not_count_together() -> None:
    def taken(*orifices: str | None) -> Assessment:
        readings = tuple(
            AskedReading(
                supply=Decimal(90),
                in_cylinder=Decimal(60),
                unit=PressureUnit.psi,
                orifice_mm=None if size is None else Decimal(size),
            )
            for size in orifices
        )
        told = AskedFindings(cylinders=(AskedCylinder(cylinder=1, readings=readings),))
        workshop = Workshop(starter(), starter().shops[HIRE_YARD])
        return assess_findings(workshop, AskedAssessment(family=FamilyId("TB-S50"), findings=told))

    def answered(assessment: Assessment) -> list[str]:
        return [one.gate.id for one in assessment.findings.answered]

    assert answered(taken("1.0", "2.5")) == ["GATE-TESTERS-DIFFER"]
    assert not taken("1.0", "2.5").findings.counted
    for same in (("1.0", "1.00"), ("1.0", None), (None, None), ("2.5", "1.0", "1.0")):
        assert answered(taken(*same)) == []


def test_a_repair_is_quoted_on_a_sign_of_its_own_though_readings_are_void() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    told = {**WORN, "bore_scored@1": "yes", "plug_oil@1": "yes"}

    rings = ranked(
        assessed(workshop, Row(id="x", given=told, readings=READINGS_110, family="QM-H27")),
        "RINGS-BORE@1",
    )

    assert not rings.is_weak
    assert rings.is_quotable


def test_a_repair_is_not_quoted_on_an_indicative_reading_alone() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    low: dict[str, tuple[str, ...]] = {"supply_psi@1": ("50",), "cylinder_psi@1": ("20",)}

    for row in (
        Row(id="x", given=WORN, readings=low, family="QM-H27"),
        Row(id="y", given={**WORN, "air_rocker_box@1": "faint"}, readings=low, family="QM-D74"),
    ):
        for one in assessed(workshop, row).diagnosed.ranked:
            if "leakdown_band" in one.candidate.diagnosis.links:
                assert one.is_weak
                assert not one.is_quotable


def test_a_contested_repair_is_not_quoted() -> None:
    """The wet test speaks for the rings, the hiss for the gasket: the test is repeated first."""
    both = {**GALLERY, "wet_test_improves@1": "yes", "crankcase_vacuum": "pressure"}
    found = assess(both)

    assert [one.conflict.id for one in found.findings.clashes] == ["CLASH-WET-GASKET"]
    for key in ("HG-GALLERY@1", "RINGS-BORE@1"):
        assert ranked(found, key).is_contested
        assert not ranked(found, key).is_quotable
    quote = quoted({key.partition("@")[0]: level for key, level in both.items() if "@" in key})
    assert quote.basis is not None
    assert not quote.basis.is_repair
    assert quote.basis.in_play
    assert all(one.price.minor > 0 for one in quote.basis.in_play)


@pytest.mark.parametrize(
    ("given", "key", "job"),
    [
        ({"thread_visual@1": "yes"}, "PLUG-THREAD@1", "J-THREAD-PLUG"),
        ({"lash_tight@1": "yes"}, "LASH-TIGHT@1", "J-LASH"),
        ({"breather_blocked": "yes", "crankcase_vacuum": "vacuum"}, "BREATHER", "J-BREATHER"),
        ({"piston_holed@1": "yes"}, "PISTON-HOLED@1", "J-SHORT-BLOCK"),
        ({"air_head_edge@1": "yes"}, "HG-OUTSIDE@1", "J-HEAD-GASKET"),
    ],
)
def test_good_readings_never_take_away_what_was_seen(
    given: dict[str, str], key: str, job: str
) -> None:
    good = {
        "leakdown_band@1": "le5",
        "air_dipstick@1": "no",
        "air_intake@1": "no",
        "air_exhaust@1": "no",
        "air_plug_thread@1": "no",
        "wet_test_improves@1": "no",
    }
    found = assess({**good, **given}, family="QM-H27")

    first = found.diagnosed.ranked[0]
    assert first.candidate.key == key
    assert first.is_seen
    assert not first.is_contested
    assert first.is_quotable
    assert job in [placed.id for placed, _ in first.candidate.scopes[Scope.least]]


def test_a_question_caps_at_probable_and_stands_on_the_quote() -> None:
    hiss = {"leakdown_band": "gt30", "air_exhaust": "yes", "air_intake": "no", "air_dipstick": "no"}
    quote = quoted(hiss)

    assert quote.basis is not None
    assert quote.basis.is_repair
    valve = ranked(quote.basis.assessment, "VALVE-EX@1")
    assert [one.gate.id for one in valve.asking] == ["GATE-LASH-UNKNOWN-EX"]
    told = quote_text(tell_quote(quote, SPEAKER, catalogue=starter()))
    assert "Still to be checked: We will measure the valve clearances" in " ".join(told.split())
    # Sure enough by its probability, it waits for the answer.
    easy = with_shop(
        starter(),
        decision=structs.replace(
            starter().shops[HIRE_YARD].decision,
            confidence=structs.replace(
                starter().shops[HIRE_YARD].decision.confidence, confirmed=figure("0.85")
            ),
        ),
    )
    heard = {f"{name}@1": level for name, level in hiss.items()}
    asked = ranked(assess(heard, easy), "VALVE-EX@1")
    answered = ranked(assess({**heard, "lash_tight@1": "no"}, easy), "VALVE-EX@1")
    assert asked.probability > Decimal("0.85")
    assert (asked.grade, answered.grade) == (Grade.probable, Grade.confirmed)


def test_air_at_both_valves_sells_no_valve_whatever_the_gauges_say() -> None:
    both = {"air_intake": "yes", "air_exhaust": "yes", "lash_tight": "no"}
    for more in ({}, {"leakdown_band": "10_20"}, {"leakdown_band": "gt30"}):
        quote = quoted({**both, **more})

        assert [one.operation.job.id for one in quote.operated] == ["J-LEAKDOWN"]


def test_what_a_gate_puts_first_is_quoted_beside_another_repair() -> None:
    tight = {"lash_tight": "yes", "air_exhaust": "yes", "leakdown_band": "gt30"}
    quote = quoted(tight, {"fins_blocked": "yes"})

    assert {one.operation.job.id for one in quote.operated} == {"J-FINS", "J-LASH"}
    worn = {"plug_oil": "yes", "bore_scored": "yes", "air_dipstick": "yes", "crown_washed": "yes"}
    full = {"oil_level_over": "yes", "smoke_constant": "yes", "crankcase_vacuum": "pressure"}
    # too much oil, nothing measured: the level first, and nothing is opened before
    assert [one.operation.job.id for one in quoted(worn, full).operated] == ["J-OIL"]


def test_a_fault_that_waits_for_an_indicative_reading_asks_for_it_first() -> None:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    low: dict[str, tuple[str, ...]] = {"supply_psi@1": ("45",), "cylinder_psi@1": ("25",)}
    worn = {**WORN, "oil_airbox": "yes", "crankcase_vacuum": "pressure", "plug_oil@1": "yes"}

    found = assessed(workshop, Row(id="x", given=worn, readings=low, family="TB-S50"))

    assert ranked(found, "RINGS-BORE@1").is_weak
    assert found.next_tests[0].key == ("T-LEAKDOWN", 1)


def test_fuel_in_the_oil_explains_smoke_of_both_colours() -> None:
    found = assess(
        {
            "oil_fuel_smell": "yes",
            "oil_level_over": "yes",
            "float_seep": "yes",
            "smoke_black": "yes",
            "smoke_constant": "yes",
            "plug_fuel@1": "yes",
        },
        family="QM-H27",
    )

    assert "CLASH-SMOKE-CLEAN-PLUGS" in [one.conflict.id for one in found.findings.clashes]
    fuel = ranked(found, "FUEL-DILUTION")
    assert not fuel.is_contested
    assert fuel.is_quotable


def test_symptoms_confirm_nothing() -> None:
    """Signs are what shows the fault itself; smoke, soot and a better wet test come elsewhere."""
    symptoms = {"smoke_startup", "smoke_constant", "smoke_load", "smoke_black", "plug_soot"}
    symptoms |= {"plug_oil", "wet_test_improves", "crankcase_vacuum", "oil_airbox", "hunting"}
    symptoms |= {"leakdown_band", "air_dipstick", "float_seep", "air_plug_thread"}
    signs = {sign.finding for one in starter().rules.diagnosis for sign in one.direct}

    assert not signs & symptoms
    # faint air in the rocker box is blow-by, not the gasket
    faint = {**GALLERY, "air_rocker_box@1": "faint"}
    assert not ranked(assess(faint), "HG-GALLERY@1").is_direct


def test_a_fault_stays_in_the_ranking_where_there_is_no_job_for_it() -> None:
    """With its job gone a burnt valve is still a burnt valve, not a stripped plug thread."""
    jobs = {
        key: structs.replace(job, access=("exhaust_valve_of_another_layout@",))
        if key in ("J-VALVE-LAP", "J-VALVE-EX")
        else job
        for key, job in starter().jobs.items()
    }
    without = structs.replace(starter(), jobs=jobs)
    burnt = {"leakdown_band@1": "gt30", "air_exhaust@1": "yes", "lash_tight@1": "no"}

    here, there = assess(burnt), assess(burnt, without)

    assert [(one.candidate.key, one.probability) for one in here.diagnosed.ranked] == [
        (one.candidate.key, one.probability) for one in there.diagnosed.ranked
    ]
    valve = ranked(there, "VALVE-EX@1")
    assert not valve.candidate.has_repair
    assert not valve.is_quotable
    assert "The catalogue has no job for it." in assessment_text(there, SPEAKER)


def test_tight_clearance_is_set_before_valve_work_is_quoted() -> None:
    quote = quoted({"lash_tight": "yes", "leakdown_band": "20_30", "air_exhaust": "yes"})

    assert [one.operation.text for one in quote.operated] == ["J-LASH@1"]
