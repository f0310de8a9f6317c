from msgspec import structs
from tests.stages.small import catalogue_of, family, part_of, task
from tests.stages.workbench import (
    HIRE_YARD,
    MONDAY,
    V68,
    figure,
    of_family,
    starter,
    with_part,
    with_role,
    with_shop,
)

from kitwright.catalogue.model import Catalogue, ItemId, LabourClass
from kitwright.proof import prove_catalogue, prove_plans, prove_repairs


def messages(catalogue: Catalogue) -> set[str]:
    found = prove_repairs(of_family(catalogue), MONDAY)
    return {problem.message for problems in found for problem in problems}


def without_row(catalogue: Catalogue, place: int) -> Catalogue:
    rows = catalogue.fitments[V68]
    return structs.replace(
        catalogue, fitments={**catalogue.fitments, V68: (*rows[:place], *rows[place + 1 :])}
    )


def test_prove_catalogue_finds_nothing_in_the_starter_catalogue() -> None:
    proof = prove_catalogue(starter(), MONDAY)
    assert proof.problems == ()
    assert proof.repairs > 1000
    assert proof.plans > 4000


def test_prove_catalogue_finds_every_fitment_that_is_removed() -> None:
    # what no part fits, no shop can fit: one stands for all
    whole = starter()
    catalogue = structs.replace(whole, shops={HIRE_YARD: whole.shops[HIRE_YARD]})
    for place, row in enumerate(catalogue.fitments[V68]):
        found = messages(without_row(catalogue, place))
        if row.role in ("piston", "pushrod"):
            continue  # no job and no refit asks for these by itself
        assert any(f"no part fits {row.role}" in message for message in found), row


def test_prove_catalogue_finds_a_part_that_nobody_sells_though_some_lie_on_the_shelf() -> None:
    # the last oil filters are on the shelf: once fitted, there is no way to get more
    catalogue = with_part(starter(), "V68-F-801", maker="Nobody")
    assert "V68-F-801" in {row.item for row in catalogue.shops["hire-yard"].stock}  # type: ignore[index]
    assert any("V68-F-801" in message for message in messages(catalogue))


def test_prove_catalogue_finds_two_parts_for_one_role() -> None:
    catalogue = with_role(
        starter(),
        "exhaust_nut",
        lambda row: (row, structs.replace(row, part=ItemId("V68-B-206"))),
    )
    assert any("V68-B-205 and V68-B-206" in message for message in messages(catalogue))


def test_prove_catalogue_finds_two_quantities_for_one_role() -> None:
    catalogue = with_role(
        starter(),
        "exhaust_nut",
        lambda row: (row, structs.replace(row, quantity=figure("3"))),
    )
    assert any("exhaust_nut" in message for message in messages(catalogue))


def _problems(catalogue: Catalogue) -> set[tuple[str, str]]:
    """Return what is wrong with work plans: the jobs, and the error."""
    loose = structs.replace(of_family(catalogue), chassis={})
    found = prove_plans(loose, MONDAY)
    return {
        (problem.record.partition(" in ")[0], problem.message)
        for problems in found
        for problem in problems
    }


def _with_component(name: str, **changes: object) -> Catalogue:
    catalogue = starter()
    layout = catalogue.layouts[catalogue.families[V68].layout]
    rows = tuple(
        structs.replace(row, **changes) if row.id == name else row for row in layout.component
    )
    changed = structs.replace(layout, component=rows)
    return structs.replace(catalogue, layouts={**catalogue.layouts, layout.id: changed})


def test_prove_plans_finds_rules_that_go_round_in_a_circle() -> None:
    catalogue = _with_component("head", refit_after=("flywheel",))
    circular = structs.replace(
        catalogue.layouts[catalogue.families[V68].layout],
        component=tuple(
            structs.replace(row, refit_after=("head@*",)) if row.id == "flywheel" else row
            for row in catalogue.layouts[catalogue.families[V68].layout].component
        ),
    )
    found = _problems(
        structs.replace(catalogue, layouts={**catalogue.layouts, circular.id: circular})
    )

    assert any(
        jobs == "J-SHORT-BLOCK" and "no order is possible" in message for jobs, message in found
    )


def test_prove_plans_finds_holds_that_can_never_be_open_together() -> None:
    # springs that come off only while both cylinders are held
    catalogue = _with_component(
        "valve_springs", needs_any=(), needs_all=("rocker_gear@", "air_hold@*")
    )
    found = _problems(catalogue)

    clashing = {jobs for jobs, message in found if "exclude one another" in message}
    assert {"J-STEM-SEAL@1", "J-STEM-SEAL@2"} <= clashing


def test_prove_plans_names_no_pair_of_a_job_that_is_wrong_alone() -> None:
    catalogue = _with_component("head", refit_after=("spark_plug@",))
    found = _problems(catalogue)
    alone = {jobs for jobs, _ in found if " with " not in jobs}

    assert alone
    assert not [jobs for jobs, _ in found if alone & {*jobs.split(" with ")} and " with " in jobs]


def test_prove_plans_finds_a_job_billed_more_with_another_than_alone() -> None:
    # the way from above is quicker than both others, yet each of its classes is rounded up
    parts = (
        part_of("side", 45),
        part_of("back", 45),
        part_of("glass", 1, labour_class=LabourClass("senior")),
        part_of("dust", 1, labour_class=LabourClass("clean")),
        part_of("top", 70, 0, "glass", "dust"),
        part_of("left", 0, any_of=(("side", "top"),)),
        part_of("right", 0, any_of=(("back", "top"),)),
    )
    small = family()
    both = [task("J-L", "left").job, task("J-R", "right").job]
    plain = catalogue_of(*parts, of=small)
    labour = structs.replace(plain.shops[HIRE_YARD].labour, increment_minutes=30)
    catalogue = structs.replace(
        with_shop(plain, labour=labour),
        families={small.id: small},
        fitments={small.id: ()},
        jobs={one.id: one for one in both},
        chassis={},
        ticks={},
    )
    found = {message for problems in prove_plans(catalogue, MONDAY) for message in problems}

    assert {problem.message for problem in found} == {
        "J-R is billed 90 min here, though 60 min alone"
    }
