from random import Random

import pytest
from msgspec import structs
from tests.stages.workbench import BOTH_HEADS, HEAD, job, quote, starter, with_job

from kitwright.catalogue.model import JobId, JobScope
from kitwright.stages.request import AskedDiagnosis, RequestRefused
from kitwright.stages.work import Operation, Settled, settle


def test_settle_keeps_what_only_a_swallowed_job_holds() -> None:
    # the short block takes in the head gasket, but does not set the clearances that came with it
    alone = quote(starter(), jobs=(job("J-SHORT-BLOCK"), job("J-LASH", 1)))
    beside = quote(starter(), jobs=(job("J-SHORT-BLOCK"), HEAD, job("J-LASH", 1)))
    kept = [each.text for each in alone.repair.jobs.operations]
    assert [each.text for each in beside.repair.jobs.operations] == kept


def test_choose_jobs_gives_reasons_alike_whatever_the_order_of_diagnoses() -> None:
    found = tuple(AskedDiagnosis(code, 1) for code in ("HG-GALLERY", "HG-OUTSIDE"))  # type: ignore[arg-type]
    one = quote(starter(), diagnoses=found)
    other = quote(starter(), diagnoses=found[::-1])
    assert one.operated == other.operated


def test_choose_jobs_gives_a_reason_once_however_often_it_is_asked() -> None:
    twice = quote(starter(), jobs=(HEAD, HEAD))
    assert twice.operated == quote(starter(), jobs=(HEAD,)).operated


def test_choose_jobs_leaves_out_before_swallowing() -> None:
    asked = quote(starter(), jobs=(HEAD, job("J-LASH", 1)), leave_out=(HEAD,))
    assert [each.text for each in asked.repair.jobs.operations] == ["J-LASH@1"]
    assert asked.repair.jobs.swallowed == ()


def test_choose_jobs_refuses_to_leave_out_what_is_not_there() -> None:
    with pytest.raises(RequestRefused) as refused:
        quote(starter(), jobs=(HEAD,), leave_out=(job("J-OIL"),))
    assert [(fault.code, fault.path) for fault in refused.value.faults] == [
        ("not-in-quote", ("leave_out", 0))
    ]


def test_choose_jobs_refuses_to_leave_out_everything() -> None:
    with pytest.raises(RequestRefused) as refused:
        quote(starter(), jobs=BOTH_HEADS, leave_out=BOTH_HEADS)
    assert [fault.code for fault in refused.value.faults] == ["nothing-left"]


def test_settle_swallows_on_the_same_cylinder_only() -> None:
    repair = quote(starter(), jobs=(HEAD, job("J-LASH", 1), job("J-LASH", 2))).repair
    assert [each.text for each in repair.jobs.operations] == ["J-HEAD-GASKET@1", "J-LASH@2"]
    assert [(each.operation.text, each.by.text) for each in repair.jobs.swallowed] == [
        ("J-LASH@1", "J-HEAD-GASKET@1")
    ]


def test_settle_lets_an_engine_job_swallow_on_every_cylinder() -> None:
    short_block = starter().jobs[JobId("J-SHORT-BLOCK")]
    supersedes = (*short_block.supersedes, JobId("J-LASH"))
    catalogue = with_job(starter(), "J-SHORT-BLOCK", supersedes=supersedes)
    repair = quote(
        catalogue, jobs=(job("J-SHORT-BLOCK"), job("J-LASH", 1), job("J-LASH", 2))
    ).repair
    assert [each.text for each in repair.jobs.operations] == ["J-SHORT-BLOCK"]
    assert structs.asdict(repair.jobs)["left_out"] == ()


def test_settled_keeps_the_operations_that_settle_keeps() -> None:
    random = Random(1)
    plain = starter()
    block = plain.jobs[JobId("J-SHORT-BLOCK")]
    holds = tuple(each for each in block.supersedes if each != "J-LASH")
    changed = with_job(plain, block.id, supersedes=holds)
    every = [
        Operation(job=each, cylinder=cylinder)
        for each in changed.jobs.values()
        for cylinder in ((1, 2) if each.scope is JobScope.cylinder else (None,))
    ]
    settled = Settled(every)
    drawn = [random.sample(every, random.randint(1, 12)) for _ in range(1_000)]
    # what only a job holds that is set apart itself
    chain = [each for each in every if each.key[0] in {"J-SHORT-BLOCK", HEAD.job, "J-LASH"}]
    for some in (*drawn, chain):
        kept = [each.key for each in settle(some).operations]
        assert [*settled.keys(settled.stay(settled.of(each.key for each in some)))] == kept
