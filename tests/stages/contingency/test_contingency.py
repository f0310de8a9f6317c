"""What may turn up: the list of a visit, and how probable each is."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import HEAD, MONDAY, V68, job, quote, starter

from kitwright.catalogue.model import JobId
from kitwright.stages.contingency import MayTurnUp, find_chances, list_contingencies
from kitwright.stages.finding import Findings, read_findings
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import AskedAssessment, AskedCylinder, AskedFindings, Condition, Rust


def listed(made: Outcome) -> tuple[MayTurnUp, ...]:
    repair = made.draft.repair
    return list_contingencies(starter(), made.request, repair.jobs, repair.kit.needs)


def named(made: Outcome) -> dict[tuple[str, int | None], MayTurnUp]:
    found = {(one.kind.id, one.cylinder): one for one in listed(made)}
    assert len(found) == len(listed(made))
    return {(str(name), cylinder): one for (name, cylinder), one in found.items()}


def chances(made: Outcome, findings: Findings | None = None) -> dict[tuple[str, int | None], str]:
    rows = listed(made)
    told = find_chances(rows, made.request, findings)
    return {
        (str(one.kind.id), one.cylinder): str(of.probability)
        for one, of in zip(rows, told, strict=True)
    }


def seen(background: tuple[str, ...] = (), **engine: str) -> Findings:
    asked = AskedFindings(background=background, engine=engine)
    return read_findings(starter(), AskedAssessment(family=V68, findings=asked))


def test_list_contingencies_has_the_rows_of_the_jobs_and_of_those_they_bring() -> None:
    found = named(quote(starter(), jobs=(HEAD,)))

    own = {row.id for row in starter().jobs[JobId("J-HEAD-GASKET")].contingency}
    assert {name for name, cylinder in found if cylinder == 1} >= own
    ways = found["head_past_resurfacing", 1].ways
    before = listed(quote(starter(), jobs=(HEAD,)))[ways[0].after or 0]
    assert before.kind.id == "warped_head"


def test_list_contingencies_tells_what_each_adds() -> None:
    found = named(quote(starter(), jobs=(HEAD,)))

    assert [each.key for each in found["warped_head", 1].operations] == [("J-RESURFACE", 1)]
    assert [each.key for each in found["scored_bore", 1].operations] == [("J-SHORT-BLOCK", 0)]
    assert found["bent_pushrod", 1].operations == ()
    assert found["bent_pushrod", 1].roles == (("pushrod", 1),)


@pytest.mark.parametrize(
    ("work", "gone"),
    [
        # the resurfacing is asked for already
        ((HEAD, job("J-RESURFACE", 1)), "warped_head"),
        # a new head comes with its valves, so no valve of the old one turns up burnt
        ((job("J-HEAD-RENEW", 1), job("J-VALVE-LAP", 1)), "burnt_exhaust_valve"),
        # the crankcase of a new short block has new threads
        ((HEAD, job("J-SHORT-BLOCK")), "stripped_head_thread"),
    ],
)
def test_list_contingencies_leaves_out_what_the_quote_holds(
    work: tuple[Any, ...], gone: str
) -> None:
    assert (gone, 1) not in named(quote(starter(), jobs=work))


def test_list_contingencies_has_each_cylinder_of_two_heads_once() -> None:
    found = named(quote(starter(), jobs=(HEAD, job("J-HEAD-GASKET", 2))))

    # the short block's own row means any one of them, which both stand here already
    assert {cylinder for name, cylinder in found if name == "warped_head"} == {1, 2}
    assert found["scored_bore", 2].operations == found["scored_bore", 1].operations


def test_find_chances_are_those_of_the_catalogue() -> None:
    # the trade's starting values, all marked as guesses there
    told = chances(quote(starter(), jobs=(HEAD,)))

    assert told["warped_head", 1] == "0.2500"
    assert told["broken_exhaust_stud", 1] == "0.1000"
    assert told["scored_bore", 1] == "0.0800"
    assert told["stripped_head_thread", 1] == "0.0500"
    assert told["bent_pushrod", 1] == "0.0400"


def test_find_chances_multiplies_what_follows_on_something() -> None:
    told = chances(quote(starter(), jobs=(HEAD,)))

    # a quarter of the heads is warped, a tenth of those can't be ground
    assert told["head_past_resurfacing", 1] == "0.0250"


def test_find_chances_are_raised_by_rust_findings_and_background() -> None:
    rusty = quote(starter(), jobs=(HEAD,), condition=Condition(rust=Rust.heavy))
    made = quote(starter(), jobs=(HEAD,))

    assert chances(rusty)["broken_exhaust_stud", 1] == "0.3000"
    assert chances(made, seen(fins_blocked="yes"))["warped_head", 1] == "0.5000"
    assert chances(made, seen(fins_blocked="no"))["warped_head", 1] == "0.2500"
    heated = chances(made, seen(background=("overheated",)))
    assert heated["warped_head", 1] == "0.5000"
    # and of what follows, both
    assert heated["head_past_resurfacing", 1] == "0.1000"


def test_find_chances_ask_a_cylinder_for_its_own_findings() -> None:
    asked = AskedFindings(cylinders=(AskedCylinder(cylinder=2, findings={"air_exhaust": "yes"}),))
    findings = read_findings(starter(), AskedAssessment(family=V68, findings=asked))
    work = (job("J-VALVE-LAP", 1), job("J-VALVE-LAP", 2))

    told = chances(quote(starter(), jobs=work), findings)

    # common practice, from memory: 15 %, and 40 % where air was heard at the exhaust
    assert told["burnt_exhaust_valve", 1] == "0.1500"
    assert told["burnt_exhaust_valve", 2] == "0.4000"


def test_find_chances_take_the_most_probable_way() -> None:
    # worn guides: 15 in 100 with the inlet valve, 20 with the exhaust valve; nothing is added up
    both = (job("J-VALVE-IN", 1), job("J-VALVE-EX", 1))

    assert chances(quote(starter(), jobs=both[:1]))["guide_or_seat_worn", 1] == "0.1500"
    assert chances(quote(starter(), jobs=both))["guide_or_seat_worn", 1] == "0.2000"


def test_list_contingencies_of_jobs_without_any_is_empty() -> None:
    assert listed(quote(starter(), jobs=(job("J-ROCKER-COVER", 1),))) == ()


def test_list_contingencies_ends_where_two_bring_each_other() -> None:
    plain = starter()
    lap, head = plain.jobs[JobId("J-VALVE-LAP")], plain.jobs[JobId("J-HEAD-GASKET")]
    row = head.contingency[0]
    to_head = structs.replace(
        row, add=(structs.replace(row.add[0], job=head.id),), probability=row.probability
    )
    to_lap = structs.replace(row, add=(structs.replace(row.add[0], job=lap.id),))
    jobs = {
        **plain.jobs,
        head.id: structs.replace(head, contingency=(to_lap,)),
        lap.id: structs.replace(lap, contingency=(structs.replace(to_head, id=row.id),)),
    }
    catalogue = structs.replace(plain, jobs=jobs)
    made = quote(catalogue, jobs=(HEAD,), on=MONDAY)

    repair = made.draft.repair
    (only,) = list_contingencies(catalogue, made.request, repair.jobs, repair.kit.needs)

    assert [each.job.id for each in only.operations] == ["J-VALVE-LAP"]
