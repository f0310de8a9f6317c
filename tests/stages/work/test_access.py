"""Access plans of engines small enough to compute by hand; every minute is made up for the case."""

from __future__ import annotations

from fractions import Fraction

import pytest
from tests.stages.small import machine, off, part_of, plan, task

from kitwright.catalogue.model import (
    Chassis,
    ChassisRule,
    Component,
    LabourClass,
    RefitWork,
    Seize,
    WorkId,
)
from kitwright.stages.request import Rust

# In the frame a panel of 30 minutes stands before each; out of it nothing does. Out takes 40.
SIDES = (part_of("left", 2), part_of("right", 2))
PANELS = machine(
    part_of("left_panel", 20, 10),
    part_of("right_panel", 20, 10),
    part_of("engine_out", 15, 25),
    rules=(
        ChassisRule(applies_to="left", needs_any=(("left_panel", "engine_out"),)),
        ChassisRule(applies_to="right", needs_any=(("right_panel", "engine_out"),)),
    ),
)
LEFT, RIGHT = task("J-LEFT", "left"), task("J-RIGHT", "right")


def test_plan_access_leaves_the_engine_in_where_one_panel_is_quicker() -> None:
    found = plan(SIDES, LEFT, around=PANELS)

    assert off(found) == ["left_panel", "left"]
    assert found.minutes == 30 + 2
    assert not found.engine_out


def test_plan_access_takes_the_engine_out_where_that_is_quicker_for_the_jobs_together() -> None:
    # each alone: 32 with its panel against 42; together: 64 with both panels against 44
    found = plan(SIDES, LEFT, RIGHT, around=PANELS)

    assert off(found) == ["engine_out", "left", "right"]
    assert found.minutes == 40 + 2 + 2
    assert found.engine_out


def test_plan_access_takes_the_engine_out_for_cramped_work_alone() -> None:
    # nothing asks for it: 60 x 2 in the frame against 60 + 40 outside
    around = machine(part_of("engine_out", 15, 25), cramped="2")
    found = plan((part_of("deep", 40, 20, is_cramped=True),), task("J", "deep"), around=around)

    assert off(found) == ["deep", "engine_out"]
    assert found.minutes == 60 + 40
    (out,) = [each for each in found.removals if each.instance.id == "engine_out"]
    assert [why.code for why in out.why] == ["quicker-with-engine-out"]


def test_plan_access_applies_the_cramped_factor_to_cramped_components_while_the_engine_is_in() -> (
    None
):
    parts = (part_of("cover", 10, 20), part_of("muffler", 4, 6, "cover", is_cramped=True))
    found = plan(parts, task("J", "muffler"), around=machine(cramped="1.2"))

    minutes = {each.instance.id: (each.remove, each.refit) for each in found.removals}
    assert minutes == {
        "cover": (10, 20),
        "muffler": (Fraction("4.8"), Fraction("7.2")),
    }


def test_plan_access_keeps_the_cramped_factor_only_on_what_comes_off_before_the_engine() -> None:
    # the muffler comes off in the frame so that the engine can come out; the sump outside
    parts = (
        part_of("muffler", 10, is_cramped=True),
        part_of("sump", 10, is_cramped=True),
    )
    around = machine(
        part_of("engine_out", 5, 5, "muffler"),
        rules=(ChassisRule(applies_to="sump", needs_all=("engine_out",)),),
        cramped="1.5",
    )
    found = plan(parts, task("J", "sump"), around=around)

    minutes = {each.instance.id: each.remove for each in found.removals}
    assert minutes == {"muffler": 15, "engine_out": 5, "sump": 10}
    assert found.minutes == 15 + 10 + 10


def test_plan_access_multiplies_only_the_removal_of_what_seizes() -> None:
    # the shop's factor for heavy rust is 2, on exhaust, head and shaft
    parts = (
        part_of("muffler", 4, 6, seize=Seize.exhaust),
        part_of("cover", 4, 6, "muffler"),
    )
    found = plan(parts, task("J", "cover"), rust=Rust.heavy)

    minutes = {each.instance.id: (each.remove, each.refit) for each in found.removals}
    assert minutes == {
        "muffler": (Fraction(8), Fraction(6)),
        "cover": (Fraction(4), Fraction(6)),
    }


def test_plan_access_multiplies_cramped_rust_and_ratio_and_never_the_work_of_a_refit() -> None:
    faces = RefitWork(id=WorkId("faces"), minutes=16, labour_class=LabourClass("tech"))
    parts = (part_of("head", 10, 20, is_cramped=True, seize=Seize.head, work=(faces,)),)
    found = plan(
        parts, task("J", "head"), around=machine(cramped="1.2"), rust=Rust.light, ratio="0.85"
    )

    (head,) = found.removals
    # 10 x 0.85 x 1.2 x 1.3; 20 x 0.85 x 1.2; 16 as it is
    assert [head.remove, head.refit, head.work] == [
        Fraction("13.26"),
        Fraction("20.4"),
        Fraction(16),
    ]
    assert found.minutes == Fraction("49.66")


def test_plan_access_breaks_ties_by_fewest_components() -> None:
    parts = (
        part_of("a", 5),
        part_of("b", 5),
        part_of("c", 10),
        part_of("goal", 1, any_of=(("a", "c"), ("b", "c"))),
    )
    found = plan(parts, task("J", "goal"))

    assert off(found) == ["c", "goal"]


@pytest.mark.parametrize("order", [("left", "right"), ("right", "left")])
def test_plan_access_breaks_further_ties_by_the_smallest_ids(order: tuple[str, ...]) -> None:
    parts = (*(part_of(each, 5) for each in order), part_of("goal", 1, any_of=(order,)))
    found = plan(parts, task("J", "goal"))

    assert off(found) == ["left", "goal"]


# The engine comes out in 40 minutes. In the frame, one or two panels of 40 together stand before.
OUT = part_of("engine_out", 15, 25)
PIPES = (part_of("a_pipe", 5, 5), part_of("engine_out", 5, 25, "a_pipe"))


def panelled(*panels: Component, out: tuple[Component, ...] = (OUT,)) -> Chassis:
    """Return a machine whose last panel or taking the engine out lets the bench at the left."""
    way = ((panels[-1].id, "engine_out"),)
    return machine(*panels, *out, rules=(ChassisRule(applies_to="left", needs_any=way),))


@pytest.mark.parametrize(
    ("around", "best"),
    [
        # fewest components, whichever way that is and whatever they are called
        (
            panelled(part_of("a_panel", 10, 10), part_of("b_panel", 10, 10, "a_panel")),
            ["engine_out", "left"],
        ),
        (panelled(part_of("z_panel", 20, 20), out=PIPES), ["left", "z_panel"]),
        # as many: the smallest ids, sorted
        (panelled(part_of("a_panel", 20, 20)), ["a_panel", "left"]),
        (panelled(part_of("z_panel", 20, 20)), ["engine_out", "left"]),
    ],
    ids=["out has fewer", "in has fewer", "in has smaller ids", "out has smaller ids"],
)
def test_plan_access_breaks_ties_of_engine_in_and_out_as_it_does_others(
    around: Chassis, best: list[str]
) -> None:
    found = plan(SIDES, LEFT, around=around)

    assert found.minutes == 40 + 2
    assert sorted(off(found)) == best
    assert found.engine_out == ("engine_out" in best)


def test_plan_access_counts_the_work_of_a_refit_once_an_instance() -> None:
    # two jobs reach the head of cylinder 1, one that of cylinder 2
    faces = RefitWork(id=WorkId("faces"), minutes=16, labour_class=LabourClass("tech"))
    parts = (part_of("head", 5, 10, work=(faces,), per_cylinder=True),)
    found = plan(
        parts,
        task("J-GASKET", "head@", cylinder=1),
        task("J-GASKET", "head@", cylinder=2),
        task("J-VALVE", "head@", cylinder=1),
    )

    assert off(found) == ["head@1", "head@2"]
    assert found.minutes == 2 * (5 + 10 + 16)


def test_plan_access_orders_by_what_stands_before_and_then_by_id() -> None:
    parts = (
        part_of("zeta", 1),
        part_of("alpha", 1, 0, "zeta"),
        part_of("beta", 1),
    )
    found = plan(parts, task("J", "alpha", "beta"))

    assert off(found) == ["beta", "zeta", "alpha"]


def test_plan_access_counts_an_engine_that_is_loose_as_out_already() -> None:
    found = plan((part_of("sump", 8, 15),), task("J", "sump", "engine_out"))

    assert off(found) == ["sump"]
    assert not found.engine_out
