from collections.abc import Mapping
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from kitwright.catalogue.checks.walk import find_cycle
from kitwright.catalogue.graph import (
    ChassisInvalid,
    EngineGraph,
    ReferenceMalformed,
    ReferenceUnresolved,
    expand,
    expand_role,
    instances,
    job_fits,
    resolve_access,
)
from kitwright.catalogue.model import (
    Catalogue,
    ChassisId,
    ComponentId,
    FamilyId,
    JobId,
    Override,
    VisitWorkId,
)


def graph_of(catalogue: Catalogue, family: str, chassis: str | None = None) -> EngineGraph:
    machine = None if chassis is None else catalogue.chassis[ChassisId(chassis)]
    return instances(catalogue, catalogue.families[FamilyId(family)], machine)


@pytest.mark.parametrize(
    ("reference", "cylinder", "wanted"),
    [
        ("muffler", None, ("muffler",)),
        ("muffler", 2, ("muffler",)),
        ("head@", 2, ("head@2",)),
        ("head@*", None, ("head@1", "head@2")),
        ("head@*", 1, ("head@1", "head@2")),
    ],
)
def test_expand_spells_out_marks(
    reference: str, cylinder: int | None, wanted: tuple[str, ...]
) -> None:
    assert expand(reference, cylinder, 2) == wanted


@pytest.mark.parametrize("reference", ["", "@", "Head", "head@1", "head@**", "head @", "head\n"])
def test_expand_refuses_other_forms(reference: str) -> None:
    with pytest.raises(ReferenceMalformed):
        expand(reference, 1, 2)


def test_expand_refuses_the_same_cylinder_where_there_is_none() -> None:
    with pytest.raises(ReferenceMalformed):
        expand("head@", None, 2)


def test_expand_role_keeps_the_cylinder_beside_the_role() -> None:
    assert expand_role("exhaust_nut@*", None, 2) == (("exhaust_nut", 1), ("exhaust_nut", 2))
    assert expand_role("fuel_clip", 1, 2) == (("fuel_clip", None),)


def test_instances_makes_one_of_each_component_or_one_a_cylinder(starter: Catalogue) -> None:
    graph = graph_of(starter, "TB-V68")

    assert {name for name in graph.nodes if name.startswith("head")} == {"head@1", "head@2"}
    assert graph.nodes["muffler"].cylinder is None
    assert graph.nodes["head@2"].cylinder == 2
    assert graph.nodes["head@2"].needs_all == (
        "rocker_gear@2",
        "spark_plug@2",
        "intake_manifold",
        "muffler",
        "cyl_shroud@2",
    )
    assert graph.nodes["valve_springs@1"].needs_any == (("head@1", "air_hold@1"),)
    assert graph.nodes["muffler"].renews == (
        ("exhaust_gasket", 1),
        ("exhaust_gasket", 2),
        ("exhaust_nut", 1),
        ("exhaust_nut", 2),
    )
    assert not any(node.is_chassis for node in graph.nodes.values())


def test_instances_applies_overrides_field_by_field(starter: Catalogue) -> None:
    graph = graph_of(starter, "QM-D74")
    breather, head = graph.nodes["breather"].component, graph.nodes["head@1"].component

    assert graph.nodes["breather"].needs_all == ("intake_manifold",)
    assert (breather.remove_minutes, breather.refit_minutes) == (5, 8)
    assert breather.renews == ("breather_gasket",)
    assert (head.remove_minutes, head.refit_minutes, head.seize) == (9, 18, "head")


def test_instances_renews_by_flag(starter: Catalogue) -> None:
    assert ("head_bolt", 1) in graph_of(starter, "QM-D74").nodes["head@1"].renews
    assert ("head_bolt", 1) not in graph_of(starter, "TB-V68").nodes["head@1"].renews


def test_instances_adds_the_chassis_and_its_rules(starter: Catalogue) -> None:
    graph = graph_of(starter, "TB-V68", "DF-RT36")

    assert graph.nodes["bonnet"].is_chassis
    assert graph.nodes["spark_plug@1"].needs_all == ("bonnet",)
    assert graph.nodes["rocker_cover@2"].needs_any == (("side_panels", "engine_out"),)
    assert graph.nodes["muffler"].needs_all == ("muffler_shield", "front_brace")
    assert graph.done == frozenset()


def test_instances_counts_a_loose_engine_as_out(starter: Catalogue) -> None:
    family = starter.families[FamilyId("TB-S50")]
    override = Override(
        component=ComponentId("sump"),
        needs_all=("oil_drain", "engine_out"),
        needs_any=(("muffler", "engine_out"), ("muffler", "flywheel")),
    )

    graph = instances(starter, structs.replace(family, override=(override,)), None)

    assert "engine_out" not in graph.nodes
    assert graph.done == {"engine_out"}
    assert graph.nodes["sump"].needs_all == ("oil_drain",)
    assert graph.nodes["sump"].needs_any == (("muffler", "flywheel"),)


def test_instances_refuses_a_chassis_that_cannot_carry_the_engine(starter: Catalogue) -> None:
    with pytest.raises(ChassisInvalid) as caught:
        graph_of(starter, "QM-H27", "DF-RT36")

    assert (caught.value.chassis, caught.value.family) == ("DF-RT36", "QM-H27")


def test_instances_names_only_nodes_that_exist(starter: Catalogue) -> None:
    for family in starter.families.values():
        carriers = [row for row in starter.chassis.values() if family.layout in row.layouts]
        for chassis in (None, *carriers):
            graph = instances(starter, family, chassis)
            for node in graph.nodes.values():
                named = {*node.needs_all, *(one for group in node.needs_any for one in group)}
                assert named <= graph.nodes.keys()


def test_instances_refuses_what_was_not_checked(starter: Catalogue) -> None:
    family = starter.families[FamilyId("TB-S50")]
    unknown = Override(component=ComponentId("sump"), needs_all=("cellar",))
    nowhere = Override(component=ComponentId("cellar"))

    for override in (unknown, nowhere):
        with pytest.raises(ReferenceUnresolved) as caught:
            instances(starter, structs.replace(family, override=(override,)), None)
        assert caught.value.reference == "cellar"


def test_resolve_access_follows_the_aliases_of_the_layout(starter: Catalogue) -> None:
    access = starter.jobs[JobId("J-INTAKE-GASKET")].access
    found = {
        family.id: resolve_access(starter, family, access, None)
        for family in starter.families.values()
    }

    assert found == {
        "TB-V68": ("intake_manifold",),
        "QM-D74": ("intake_manifold",),
        "TB-S50": ("carburettor",),
        "QM-H27": ("carburettor",),
    }


def test_resolve_access_spells_out_cylinders_and_leaves_out_repeats(starter: Catalogue) -> None:
    twin = starter.families[FamilyId("TB-V68")]
    names = ("engine_out", "head@*", "head@", "flywheel")

    assert resolve_access(starter, twin, names, 2) == ("engine_out", "head@1", "head@2", "flywheel")


@pytest.mark.parametrize("name", ["cellar", "head", "muffler@*", "bonnet"])
def test_resolve_access_refuses_what_the_layout_lacks(starter: Catalogue, name: str) -> None:
    twin = starter.families[FamilyId("TB-V68")]

    with pytest.raises(ReferenceUnresolved):
        resolve_access(starter, twin, (name,), 1)


def test_job_fits_asks_the_layout(starter: Catalogue) -> None:
    horizontal, vertical = (starter.families[FamilyId(one)] for one in ("QM-H27", "TB-S50"))
    job = structs.replace(starter.jobs[JobId("J-OIL")], access=("fuel_tank",))

    assert job_fits(starter, horizontal, job)
    assert not job_fits(starter, vertical, job)


def test_every_starter_job_and_its_visit_work_fit_every_family(starter: Catalogue) -> None:
    for family in starter.families.values():
        for job in starter.jobs.values():
            assert job_fits(starter, family, job)
            for name in job.visit:
                access = starter.visit_work[VisitWorkId(name)].access
                resolve_access(starter, family, access, None)


def has_cycle(edges: Mapping[str, tuple[str, ...]]) -> bool:
    """Return whether nodes are left when those that need nothing are taken away again and again."""
    left = dict(edges)
    while free := [name for name, needs in left.items() if not left.keys() & set(needs)]:
        for name in free:
            del left[name]
    return bool(left)


@given(
    st.dictionaries(
        st.sampled_from("abcdefg"), st.lists(st.sampled_from("abcdefg"), max_size=3).map(tuple)
    )
)
def test_find_cycle_finds_one_where_there_is_one(edges: dict[str, tuple[str, ...]]) -> None:
    cycle = find_cycle(edges)

    assert (cycle is not None) == has_cycle(edges)
    if cycle is not None:
        assert cycle[0] == cycle[-1] == min(cycle)
        assert len(set(cycle)) == len(cycle) - 1
        assert all(after in edges[one] for one, after in pairwise(cycle))
