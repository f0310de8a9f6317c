"""Work plans: cases worked by hand, small ones against every order, and a checker that can fail."""

from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import pairwise, permutations

import pytest
from msgspec import structs
from tests.stages.small import bench, catalogue_of, machine, part_of, task
from tests.stages.small import family as small_family
from tests.stages.work_plan.visits import Planned, planned, request_of
from tests.stages.workbench import HIRE_YARD, figure

from kitwright.catalogue.model import (
    Catalogue,
    ChargeKind,
    ContingencyId,
    JobId,
    LabourClass,
    Layout,
    LayoutId,
    ServiceId,
    Side,
)
from kitwright.catalogue.worth import worth_of
from kitwright.stages.request import Condition, Debris, FreeLine, MinutesOverride, Terms
from kitwright.stages.work import Operation
from kitwright.stages.work_plan import Step, WorkPlan
from kitwright.units import exact
from kitwright.workshop import Workshop

TRACTOR, GENERATOR, WALK_BEHIND = "DF-RT36", "PW-G5", "MF-WB30"


def both_stem_seals(**asked: object) -> Planned:
    jobs = (("J-STEM-SEAL", 1), ("J-STEM-SEAL", 2))
    return planned("TB-V68", TRACTOR, *jobs, **asked)  # type: ignore[arg-type]


def short_block() -> Planned:
    return planned("TB-V68", TRACTOR, ("J-SHORT-BLOCK", None))


def exhaust_valve() -> Planned:
    return planned("QM-H27", GENERATOR, ("J-VALVE-EX", 1))


def breather() -> Planned:
    return planned("TB-V68", TRACTOR, ("J-BREATHER", None))


def head_and_plug_thread() -> Planned:
    return planned("QM-D74", None, ("J-HEAD-GASKET", 1), ("J-THREAD-PLUG", 1))


def head_and_clearances() -> Planned:
    return planned("TB-V68", TRACTOR, ("J-HEAD-GASKET", 1), ("J-LASH", 2))


def test_stem_seals_of_a_twin_are_done_on_one_cylinder_before_the_other() -> None:
    found = both_stem_seals()

    # worked by hand: nothing of the engine but the shrouding is in the way; each cylinder is held,
    # its seals are renewed and it is closed before the crank is held for the other
    assert found.names == [
        "photographs",
        "engine_cold",
        "off bonnet",
        "leads_grounded",
        "off side_panels",
        *(
            f"{step}@{cylinder}"
            for cylinder in (1, 2)
            for step in (
                "off spark_plug",
                "off rocker_cover",
                "off rocker_gear",
                "off air_hold",
                "off valve_springs",
                "guide_wear_check",
                "on valve_springs",
                "on air_hold",
                "on rocker_gear",
                "on rocker_cover",
                "on spark_plug",
            )
        ),
        "on side_panels",
        "on bonnet",
        "ready_to_run",
        "V-RUN",
        "governed_speed",
        "engine_stopped",
        "hand_over",
    ]
    assert found.plan.is_least


def test_short_block_is_built_on_the_bench_before_the_engine_goes_in() -> None:
    found = short_block()
    names = found.names
    out, back = names.index("off engine_out"), names.index("on engine_out")
    places = [step.place for step in found.plan.steps]

    assert names[2] == "off battery_off"
    assert {"off fuel_line", "off muffler", "off pto_clutch", "off oil_drain"} <= {*names[:out]}
    assert {*places[out + 1 : back]} == {"bench", None}
    assert {*places[: out + 1]} == {*places[back:]} == {"machine", None}
    # the flywheel, which is out of reach in a tight frame, goes on where it came off
    assert found.in_order("off engine_out", "off flywheel", "transfer_parts", "on flywheel")
    assert found.in_order("on head@1", "on head@2", "on blower_housing", "on engine_out")
    assert found.in_order("on engine_out", "on oil_drain", "on battery_off", "ready_to_run")
    # the plugs come out again for the leak-down after the run, with the engine dead
    assert names[-10:] == [
        "V-RUN",
        "governed_speed",
        "engine_stopped",
        "leads_grounded_after",
        "plugs_out_after",
        "V-LEAK-AFTER",
        "leakage_noted",
        "plugs_in_after",
        "manual_after",
        "hand_over",
    ]


def test_faces_are_cleaned_after_all_that_drops_chips_on_them() -> None:
    # the deck that the gasket goes on is the new block's
    assert short_block().in_order("transfer_parts", "clean_deck@1", "on head@1")
    rings = planned("TB-V68", TRACTOR, ("J-RINGS", 1))
    assert rings.in_order("hone_measure_clean@1", "clean_deck@1", "clean_crankcase_faces")
    thread = planned("TB-V68", TRACTOR, ("J-HEAD-GASKET", 1), ("J-THREAD-CASE", 1))
    assert thread.in_order("insert_head_thread@1", "clean_deck@1", "on head@1")


def test_generator_exhaust_valve_is_looked_at_before_it_is_fitted() -> None:
    found = exhaust_valve()

    # all that may show a dearer fault is looked at first: stud, thread, guide and warp
    looks = ("off head@1", "off valve_springs@1", "clean_faces@1", "flatness_check@1")
    assert found.in_order("V-FINS", "off muffler", *looks, "fit_exhaust_valve@1", "lap_and_test@1")
    assert found.in_order("lap_and_test@1", "on valve_springs@1", "on head@1", "on muffler")
    by_name = {step.name: step for step in found.plan.steps}
    assert {by_name[name].place for name in found.names if name.endswith("valve_springs@1")} == {
        "bench"
    }
    assert [need.role for need in by_name["fit_exhaust_valve@1"].uses] == ["valve_ex"]
    assert [need.role for need in by_name["on oil_drain"].uses] == ["oil_fill"]
    assert found.in_order("on head@1", "on oil_drain", "V-RUN")


def test_what_may_show_the_dearest_find_is_looked_at_first() -> None:
    found = head_and_plug_thread()
    worths = worths_of(found)

    # a crack around the spark plug needs a new head, a broken exhaust stud an hour's work
    assert worths["off spark_plug@1"] > worths["off muffler"] > worths["off rocker_gear@1"]
    assert found.in_order("off spark_plug@1", "off muffler", "off head@1", "flatness_check@1")
    assert found.plan.is_least


def worths_of(found: Planned) -> dict[str, Fraction]:
    """Return the steps that may show something, each with the worth of the dearest find."""
    workshop, family = found.workshop, found.request.family
    rows = {
        (row.id, one.cylinder): worth_of(
            workshop.catalogue, workshop.shop, family, row, one.cylinder
        )
        for one in found.visit.operations
        for row in one.job.contingency
    }
    return {
        step.name: max(rows.get(key, Fraction(0)) for key in step.reveals)
        for step in found.plan.steps
        if step.reveals
    }


def test_worth_of_a_find_is_its_work_and_parts_by_hand() -> None:
    found = head_and_plug_thread()
    rows = {row.id: row for one in found.visit.operations for row in one.job.contingency}
    shop, catalogue = found.workshop.shop, found.workshop.catalogue

    def worth(name: str, cylinder: int) -> Fraction:
        row = rows[ContingencyId(name)]
        return worth_of(catalogue, shop, found.request.family, row, cylinder)

    pushrods = [row for row in catalogue.fitments[found.request.family.id] if row.role == "pushrod"]
    listed = catalogue.parts[pushrods[0].part].list_price[shop.price_list]
    assert worth("bent_pushrod", 1) == exact(listed) * exact(pushrods[0].quantity)
    # packing and measuring at the bench rate, and what the machine shop charges
    rate = exact(shop.labour.rates[LabourClass("tech")])
    sublet = exact(shop.sublet[ServiceId("head_resurface")].cost)
    assert worth("warped_head", 1) == rate * 10 / 60 + sublet


def test_clearances_of_what_stays_on_are_set_before_anything_else_comes_off() -> None:
    found = head_and_clearances()
    done = found.names.index("retest_leak@2")

    off = {name for name in found.names[:done] if name.startswith("off ")}
    assert "off rocker_cover@2" in off
    assert off.isdisjoint({"off muffler", "off rocker_gear@1", "off fuel_line", "off head@1"})
    # where the rocker gear comes off, they are set once it is on again
    again = planned("TB-V68", TRACTOR, ("J-STEM-SEAL", 2), ("J-LASH", 2))
    assert again.in_order("on rocker_gear@2", "set_lash_cold@2", "retest_leak@2")


def oil_and_leakdown() -> Planned:
    return planned("TB-S50", WALK_BEHIND, ("J-LEAKDOWN", None), ("J-OIL", None), ("J-LASH", 1))


def test_oil_is_changed_before_tests_that_its_level_spoils() -> None:
    found = oil_and_leakdown()
    tests = ("warm_up", "vacuum_and_write_up", "leakdown@1", "off rocker_cover@1", "retest_leak@1")

    assert found.in_order("V-INTAKE", "off oil_drain", "on oil_drain", "safe_to_start", *tests)
    # what the manual gives and what the gauges show have blanks where they are needed
    assert found.in_order("leakdown@1", "first_leakage_noted", "set_lash_cold@1", "retest_noted")
    assert found.in_order("engine_cold", "lash_looked_up", "set_lash_cold@1")
    assert found.wrong() == ()
    assert planned("TB-V68", TRACTOR, ("J-LASH", 1), ("J-OIL", None)).wrong() == ()
    # alone, without a test, it stands where it is done with the fewest changes
    plain = planned("TB-V68", TRACTOR, ("J-OIL", None), ("J-PTO-SEAL", None))
    assert plain.in_order("off oil_drain", "off pto_seal", "on pto_seal", "on oil_drain")


def test_oil_stays_out_until_what_it_is_drained_for_is_closed() -> None:
    found = planned("QM-D74", None, ("J-LEAKDOWN", None), ("J-OIL", None), ("J-HEAD-GASKET", 1))

    assert found.in_order("leakdown@1", "off head@1", "on head@1", "on oil_drain", "V-RUN")
    assert found.wrong() == ()


def test_step_names_what_a_find_made_there_may_lead_to() -> None:
    check = next(step for step in head_and_clearances().plan.steps if "flatness" in step.name)

    assert check.reveals == (("warped_head", 1), ("head_past_resurfacing", 1))


def test_rehearse_finds_what_a_step_does_not_say_that_it_may_show() -> None:
    found = exhaust_valve()
    for at, step in enumerate(found.plan.steps):
        if step.reveals:
            steps = [*found.plan.steps]
            steps[at] = structs.replace(step, reveals=step.reveals[1:])
            assert "does not say that it may show" in " ".join(found.wrong(found.with_steps(steps)))


def test_unbilled_steps_are_those_of_the_machine() -> None:
    generator = exhaust_valve()
    washer = planned("QM-H27", "OS-PW27", ("J-MAG-SEAL", None))
    loose = planned("QM-H27", None, ("J-MAG-SEAL", None))

    assert generator.in_order("V-RUN", "governed_speed", "generator_output", "plugs_out_after")
    assert washer.in_order("on flywheel", "set_air_gap", "on blower_housing", "water_for_run")
    assert washer.in_order("water_for_run", "V-RUN", "governed_speed")
    for found, others in (
        (generator, {"water_for_run", "set_air_gap"}),
        (washer, {"generator_output", "plugs_out_after"}),
        (loose, {"generator_output", "water_for_run"}),
    ):
        assert others.isdisjoint(found.names)
    # neither they nor cleaning faces for a joint has minutes of its own
    by_name = {step.name: step for step in generator.plan.steps}
    assert by_name["clean_deck@1"].place == "machine"
    assert {by_name[name].minutes for name in ("clean_deck@1", "plugs_out_after")} == {0}
    missing = [step for step in washer.plan.steps if step.name != "water_for_run"]
    assert "water_for_run is missing" in washer.wrong(washer.with_steps(missing))
    strange = [*washer.with_steps(loose.plan.steps).steps, by_name["generator_output"]]
    assert "generator_output is for nothing" in washer.wrong(washer.with_steps(strange))


def test_breather_under_the_manifold_needs_the_housing_alone_off() -> None:
    found = breather()

    assert found.in_order("off blower_housing", "off breather", "clean_drain_back_and_hose")
    assert found.in_order("clean_drain_back_and_hose", "on breather", "on blower_housing", "V-RUN")
    assert "off head@1" not in found.names
    assert found.in_order("V-RUN", "recheck_vacuum", "hand_over")


@pytest.mark.parametrize(
    ("family", "chassis"),
    [("TB-S50", WALK_BEHIND), ("TB-V68", TRACTOR), ("QM-H27", GENERATOR)],
)
def test_sealed_joint_is_closed_at_once(family: str, chassis: str) -> None:
    found = planned(family, chassis, ("J-RINGS", 1))
    closed = found.names.index("on sump")

    assert found.names[closed - 1] == "seal_crankcase_joint"
    assert found.wrong() == ()
    early = structs.replace(
        found.plan, steps=tuple(_moved(found.plan, "seal_crankcase_joint", "on head@1"))
    )
    assert "on sump does not follow seal_crankcase_joint at once" in found.wrong(early)


@pytest.mark.parametrize("visit", [both_stem_seals, short_block, exhaust_valve, breather])
def test_work_plan_holds_every_promise(visit: Callable[[], Planned]) -> None:
    assert visit().wrong() == ()


def _moved(plan: WorkPlan, name: str, before: str) -> list[Step]:
    steps = [step for step in plan.steps if step.name != name]
    (moved,) = (step for step in plan.steps if step.name == name)
    place = next(place for place, step in enumerate(steps) if step.name == before)
    return [*steps[:place], moved, *steps[place:]]


@pytest.mark.parametrize(
    ("visit", "name", "before", "words"),
    [
        (both_stem_seals, "off air_hold@2", "on air_hold@1", "holds the crank"),
        (both_stem_seals, "on valve_springs@1", "off air_hold@1", "it is not off"),
        (both_stem_seals, "on rocker_gear@1", "on air_hold@1", "holds the crank"),
        (both_stem_seals, "V-RUN", "on bonnet", "the engine runs with something off"),
        (both_stem_seals, "guide_wear_check@1", "off valve_springs@1", "valve_springs@1 is on"),
        (both_stem_seals, "on valve_springs@1", "guide_wear_check@1", "valve_springs@1 is on"),
        (short_block, "on battery_off", "on bonnet", "not the last to go on"),
        (short_block, "off bonnet", "off battery_off", "not the first to come off"),
        (short_block, "off flywheel", "off engine_out", "with the engine in"),
        (short_block, "on flywheel", "on fuel_line", "with the engine in"),
        (short_block, "on muffler", "on engine_out", "the engine is out"),
        (short_block, "V-LEAK-AFTER", "V-RUN", "V-RUN is not done yet"),
        (short_block, "V-FINS", "photographs", "is on"),
        (short_block, "photographs", "off bonnet", "photographs comes after"),
        (short_block, "hand_over", "V-RUN", "not the last step"),
        (short_block, "leads_grounded", "off muffler", "leads_grounded comes after"),
        (exhaust_valve, "V-FINS", "off valve_springs@1", "has been off"),
        (exhaust_valve, "off spark_plug@1", "off frame_top", "spark_plug@1 is off"),
        (short_block, "openings_covered", "off bonnet", "before something is opened"),
        (exhaust_valve, "on oil_drain", "on head@1", "is not on again"),
        (exhaust_valve, "fit_exhaust_valve@1", "flatness_check@1", "may show something"),
        (head_and_plug_thread, "off muffler", "off spark_plug@1", "may show a dearer find"),
        (oil_and_leakdown, "warm_up", "off oil_drain", "comes before on oil_drain"),
        (oil_and_leakdown, "off spark_plug@1", "on oil_drain", "comes before on oil_drain"),
        (head_and_clearances, "off intake_manifold", "set_lash_cold@2", "which may change what"),
    ],
)
def test_rehearse_finds_a_step_in_the_wrong_place(
    visit: Callable[[], Planned], name: str, before: str, words: str
) -> None:
    found = visit()

    assert words in " ".join(found.wrong(found.with_steps(_moved(found.plan, name, before))))


def test_rehearse_finds_each_step_that_is_missing_or_done_twice() -> None:
    found = short_block()
    steps = found.plan.steps

    for place, step in enumerate(steps):
        without = found.with_steps([*steps[:place], *steps[place + 1 :]])
        assert found.wrong(without), step.name
        assert found.wrong(found.with_steps([*steps[: place + 1], *steps[place:]])), step.name


def test_rehearse_finds_minutes_and_needs_that_went_astray() -> None:
    found = short_block()
    plan = found.plan

    for place, step in enumerate(plan.steps):
        for changed in (
            structs.replace(step, minutes=step.minutes + 1),
            structs.replace(step, uses=step.uses[1:]),
            structs.replace(step, place="bench" if step.place == "machine" else "machine"),
        ):
            if changed == step or (step.labour_class is None and changed.minutes != step.minutes):
                continue
            other = found.with_steps([*plan.steps[:place], changed, *plan.steps[place + 1 :]])
            if step.place is not None or changed.place is None:
                assert found.wrong(other), step.name
    assert found.wrong(structs.replace(plan, adjustments=plan.adjustments[1:]))
    assert found.wrong(structs.replace(plan, changes=(9, 9, 9)))
    assert found.wrong(structs.replace(plan, bound=(9, 9, 9)))


def test_steps_and_adjustments_add_up_to_the_billed_minutes() -> None:
    found = exhaust_valve()
    exact = sum((step.minutes for step in found.plan.steps), Fraction(0))
    more = {each.labour_class: each.minutes for each in found.plan.adjustments}

    assert exact + sum(more.values()) == found.visit.labour.billed
    assert all(each.why.code == "rounded-up" for each in found.plan.adjustments)


def test_bench_minimum_is_a_row_of_its_own() -> None:
    found = planned("TB-S50", None, ("J-PLUG", 1))
    rows = [(each.why.code, each.minutes) for each in found.plan.adjustments]

    assert found.visit.labour.billed == 30
    assert ("bench-minimum-added", Fraction(24)) in rows
    assert found.wrong() == ()


def test_minutes_set_by_hand_are_a_row_of_their_own() -> None:
    less = MinutesOverride(job=JobId("J-VALVE-EX"), cylinder=1, minutes=100, reason="r", by="b")
    found = planned("QM-H27", GENERATOR, ("J-VALVE-EX", 1), terms=Terms(overrides=(less,)))

    assert {each.why.code for each in found.plan.adjustments} == {"minutes-set-by-hand"}
    assert found.wrong() == ()


def test_several_machines_have_the_steps_of_one() -> None:
    one = planned("TB-V68", TRACTOR, ("J-OIL", None))
    many = planned("TB-V68", TRACTOR, ("J-OIL", None), terms=Terms(machines=14))

    assert many.names == one.names
    assert [step.minutes for step in many.plan.steps] == [step.minutes for step in one.plan.steps]
    assert many.plan.machines == 14
    assert many.wrong() == ()


def test_lines_added_by_hand_are_steps_once_all_is_apart() -> None:
    lines = (
        _line("Bracket straightened", ChargeKind.labour, "0.5", "hour"),
        _line("Bolt", ChargeKind.part, "2", "piece"),
        _line("Bridge toll", ChargeKind.fee, "1", "piece"),
    )
    found = planned("QM-H27", GENERATOR, ("J-VALVE-EX", 1), terms=Terms(free_lines=lines))
    by_hand = [step for step in found.plan.steps if step.name.startswith("hand ")]

    assert [(step.name, step.text, step.minutes) for step in by_hand] == [
        ("hand 1", "Bracket straightened", Fraction(30)),
        ("hand 2", "Bolt", Fraction(0)),
    ]
    assert found.in_order("off valve_springs@1", "hand 1", "on head@1")
    assert found.wrong() == ()


def _line(what: str, kind: ChargeKind, quantity: str, unit: str) -> FreeLine:
    return FreeLine(
        description=what,
        kind=kind,
        quantity=figure(quantity),
        unit=unit,
        unit_price=figure("10"),
        reason="r",
        by="b",
    )


def test_valves_are_held_by_rope_unless_the_cylinder_is_known_to_hold_air() -> None:
    def holds(sound: set[int]) -> dict[str, str | None]:
        steps = both_stem_seals(sound=frozenset(sound)).plan.steps
        return {
            step.name: step.other_hold.remove_name.split(":")[0] if step.other_hold else None
            for step in steps
            if step.kind == "hold"
        }

    rope = "Hold the valves with rope"
    assert holds(set()) == {"off air_hold@1": rope, "off air_hold@2": rope}
    assert holds({2}) == {"off air_hold@1": rope, "off air_hold@2": None}
    assert both_stem_seals().plan.held == {1, 2}
    assert both_stem_seals(sound=frozenset({1, 2})).plan.held == set()


def test_air_is_never_a_caution_where_rope_holds() -> None:
    air = both_stem_seals(sound=frozenset({1, 2})).plan.steps
    rope = both_stem_seals().plan.steps

    assert any("HZ-AIR" in step.hazards for step in air if step.kind == "hold")
    assert not any(step.hazards for step in rope if step.kind == "hold")


def test_no_valves_are_held_with_the_head_off() -> None:
    found = planned("TB-V68", TRACTOR, ("J-STEM-SEAL", 1), ("J-HEAD-GASKET", 1))

    assert "off head@1" in found.names
    assert not any("air_hold" in name for name in found.names)
    assert found.wrong() == ()


def test_fins_are_cleaned_before_the_engine_is_opened_or_its_openings_are_plugged() -> None:
    openings = ("off spark_plug@1", "off muffler", "off carburettor", "off head@1")
    for found in (exhaust_valve(), planned("QM-H27", None, ("J-HEAD-GASKET", 1))):
        assert all(found.in_order("V-FINS", one) for one in openings)
        assert "openings_covered" not in found.names

    # to take the engine out, the muffler has to come off in any case
    out = short_block()
    assert out.in_order("off muffler", "openings_covered", "V-FINS", "off spark_plug@1")

    # and the plugs are out for the test
    tested = planned("TB-V68", TRACTOR, ("J-LEAKDOWN", None), ("J-HEAD-GASKET", 1))
    assert tested.in_order("off spark_plug@2", "openings_covered", "V-FINS", "off muffler")
    assert tested.wrong() == out.wrong() == ()


def test_whatever_the_visit_repairs_is_no_find() -> None:
    own = {find for step in exhaust_valve().plan.steps for find, _ in step.reveals}
    assert "burnt_exhaust_valve" not in own
    assert "pitted_inlet_valve" in own

    lapped = planned("QM-H27", GENERATOR, ("J-VALVE-LAP", 1))
    assert "burnt_exhaust_valve" in {find for s in lapped.plan.steps for find, _ in s.reveals}


def test_a_head_beyond_resurfacing_may_be_found_on_either_cylinder() -> None:
    by_name = {step.name: step for step in short_block().plan.steps}
    for cylinder in (1, 2):
        finds = by_name[f"flatness_check@{cylinder}"].reveals
        assert ("head_past_resurfacing", cylinder) in finds


def test_breather_has_a_cold_engine_a_blank_for_the_reading_and_an_end() -> None:
    found = breather()
    assert found.in_order("engine_cold", "off breather", "V-RUN", "recheck_vacuum")
    assert found.in_order("recheck_vacuum", "vacuum_noted", "engine_stopped", "hand_over")


def test_tank_is_drained_before_its_line_comes_off() -> None:
    assert exhaust_valve().in_order("leads_grounded", "fuel_drained", "off fuel_line")


def test_sublet_work_is_a_wait_between_the_head_s_work_and_its_refit() -> None:
    found = planned("TB-V68", TRACTOR, ("J-RESURFACE", 1))
    (wait,) = (step for step in found.plan.steps if step.days is not None)

    assert (wait.name, wait.kind, wait.days) == ("head_resurface@1", "wait", 3)
    assert not wait.minutes
    assert found.in_order("off head@1", "pack_and_measure@1", "head_resurface@1", "on head@1")


def test_previous_work_and_debris_have_steps() -> None:
    condition = Condition(debris=Debris.heavy, previous_work=True)
    found = planned("QM-H27", GENERATOR, ("J-VALVE-EX", 1), condition=condition)

    assert found.in_order("previous_work", "off frame_top", "V-FINS", "debris_heavy")
    assert found.wrong() == ()


# -- small plans, against every order there is ------------------------------------------------


def _counts(steps: tuple[Step, ...]) -> tuple[int, int, int]:
    """Return how often place, side and tools change, those that a step lacks passed over."""

    def changes(told: Iterator[str | None]) -> int:
        return sum(one != other for one, other in pairwise(filter(None, told)))

    return (
        changes(step.place for step in steps),
        changes(step.side for step in steps),
        changes(
            ", ".join(step.instance.component.tools) if step.instance is not None else None
            for step in steps
        ),
    )


def _bare(catalogue: Catalogue, *operations: Operation) -> Catalogue:
    """Return a catalogue of these jobs alone, without unbilled steps."""
    jobs = {one.job.id: one.job for one in operations}
    return structs.replace(catalogue, jobs=jobs, ticks={}, visit_work={}, contingencies={})


SMALL = {
    "two sides": (
        (
            structs.replace(part_of("a", 1), side=Side.flywheel),
            structs.replace(part_of("b", 1), side=Side.output, tools=("puller",)),
            structs.replace(part_of("c", 1, 0, "a"), side=Side.flywheel, tools=("driver",)),
        ),
        ("a", "b", "c"),
    ),
    "a chain and a loner": (
        (
            structs.replace(part_of("a", 1), side=Side.under),
            structs.replace(part_of("b", 1, 0, "a"), side=Side.output),
            structs.replace(part_of("c", 1), side=Side.under),
        ),
        ("b", "c"),
    ),
    "a hold on each side": (
        (
            structs.replace(part_of("h", 1), holds="crank", tools=("rope",)),
            structs.replace(part_of("s", 1, 0, "h"), side=Side.flywheel),
            structs.replace(part_of("t", 1), side=Side.output, needs_free=("crank",)),
        ),
        ("s", "t"),
    ),
    "two ways in, both open": (
        (
            structs.replace(part_of("a", 1), side=Side.under, tools=("puller",)),
            structs.replace(part_of("b", 1), side=Side.output),
            structs.replace(part_of("c", 1, any_of=(("a", "b"),)), side=Side.output),
        ),
        ("a", "b", "c"),
    ),
    "two ways in, one of them shut": (
        (
            part_of("a", 1),
            part_of("b", 1),
            structs.replace(part_of("c", 1, any_of=(("a", "b"),)), refit_after=("a",)),
        ),
        ("a", "b", "c"),
    ),
    "an order of refits": (
        (
            structs.replace(part_of("a", 1), side=Side.under),
            structs.replace(part_of("b", 1), side=Side.output, refit_after=("a",)),
            structs.replace(part_of("c", 1), side=Side.under, refit_after=("b",)),
        ),
        ("a", "b", "c"),
    ),
}


@pytest.mark.parametrize("name", SMALL)
def test_work_plan_changes_least_of_all_orders(name: str) -> None:
    components, access = SMALL[name]
    job = task("J", *access, work=(bench("w", 3),))
    around = machine(part_of("engine_out", 90))
    catalogue = _bare(catalogue_of(*components, of=small_family(cylinders=1)), job)
    family = catalogue.families[small_family().id]
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    found = Planned(workshop, request_of(family, around, catalogue=catalogue), [job])

    def is_valid(steps: tuple[Step, ...]) -> bool:
        counted = structs.replace(
            found.plan, steps=steps, changes=_counts(steps), bound=_counts(steps)
        )
        return not found.wrong(counted)

    assert found.wrong() == ()
    valid = (steps for steps in permutations(found.plan.steps) if is_valid(steps))
    assert found.plan.changes == min(map(_counts, valid))
    assert found.plan.is_least


def test_part_that_needs_another_on_is_back_before_that_comes_off() -> None:
    parts = (part_of("a", 1), structs.replace(part_of("b", 1), needs_on=("a",)))
    job = task("J", "a", "b", work=(structs.replace(bench("w", 3), needs_off=("b",)),))
    catalogue = _bare(catalogue_of(*parts, of=small_family(cylinders=1)), job)
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    family = catalogue.families[small_family().id]
    found = Planned(workshop, request_of(family, None, catalogue=catalogue), [job])

    assert found.in_order("off b", "on b", "off a", "on a")
    assert found.wrong() == ()


def test_layout_of_the_small_engine_is_its_own() -> None:
    # what the small plans rest on: the starter's steps are not mixed in
    catalogue = _bare(catalogue_of(part_of("a", 1)), task("J", "a"))
    layout: Layout = catalogue.layouts[LayoutId("L")]

    assert [row.id for row in layout.component] == ["a"]
    assert not catalogue.ticks
