"""Assessment: the findings, their diagnoses, the next tests, and the work to sell."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from kitwright.catalogue.model import BenchTest, Catalogue, Hazard, HazardId, JobId, JobScope, Scope
from kitwright.stages.finding.diagnosis import Diagnosed, Ranked
from kitwright.stages.finding.finding import Findings
from kitwright.stages.finding.misfit import NothingToQuote, QuoteStopped
from kitwright.stages.finding.next_test import NextTest
from kitwright.stages.request import AskedDiagnosis, AskedJob, RequestRefused


class Precaution(Struct, frozen=True):
    """A hazard of the next tests, and the tests that have it."""

    hazard: Hazard
    tests: tuple[BenchTest, ...]


class Assessment(Struct, frozen=True, kw_only=True):
    """The result of an engine's findings: diagnoses, next tests and precautions."""

    findings: Findings
    diagnosed: Diagnosed
    next_tests: tuple[NextTest, ...]
    precautions: tuple[Precaution, ...]


class Course(Struct, frozen=True, kw_only=True):
    """The work that findings support selling now: diagnoses to repair, and jobs that come first or
    find out more. `in_play` are the faults that are still possible.
    """

    diagnoses: tuple[AskedDiagnosis, ...] = ()
    jobs: tuple[AskedJob, ...] = ()
    in_play: tuple[Ranked, ...] = ()


def sum_up_findings(
    catalogue: Catalogue,
    findings: Findings,
    diagnosed: Diagnosed,
    next_tests: tuple[NextTest, ...],
) -> Assessment:
    """Return the assessment, with the precautions for every test that it lists."""
    return Assessment(
        findings=findings,
        diagnosed=diagnosed,
        next_tests=next_tests,
        precautions=_precautions(catalogue, next_tests),
    )


def _precautions(catalogue: Catalogue, tests: Iterable[NextTest]) -> tuple[Precaution, ...]:
    brought: dict[HazardId, dict[str, BenchTest]] = {}
    for one in tests:
        for hazard in one.test.hazards:
            brought.setdefault(hazard, {})[one.test.id] = one.test
    return tuple(
        Precaution(hazard, tuple(brought[code].values()))
        for code, hazard in catalogue.hazards.items()
        if code in brought
    )


def choose_course(catalogue: Catalogue, assessment: Assessment) -> Course:
    """Return the work to sell: the repairs of every fault that may be quoted, and the jobs that
    gates put first. If there are neither, it is the next test that is sold as a job.

    Raises: RequestRefused, if a gate stops everything, or nothing is left to sell.
    """
    findings = assessment.findings
    if findings.stops:
        raise RequestRefused([QuoteStopped(gate.message for gate in findings.stops).at("findings")])
    ranked = assessment.diagnosed.ranked
    first = tuple(
        dict.fromkeys(
            AskedJob(gate.gate.job, _cylinder_of(catalogue, gate.gate.job, gate.cylinder))
            for gate in findings.answered
            if gate.gate.job is not None
        )
    )
    sure = tuple(one for one in ranked if one.is_quotable)
    if sure:
        # other faults that are possible may still be the cause
        beside = tuple(one for one in ranked if one.grade is not None and not one.is_quotable)
        return Course(
            diagnoses=tuple(AskedDiagnosis(one.code, one.cylinder) for one in sure),
            jobs=first,
            in_play=beside,
        )
    tests = [
        AskedJob(one.test.job, _cylinder_of(catalogue, one.test.job, one.cylinder))
        for one in assessment.next_tests
        if one.test.job is not None
    ]
    jobs = first or tuple(tests[:1])
    if not jobs:
        named = [one.key for one in assessment.next_tests]
        raise RequestRefused([NothingToQuote(named).at("findings")])
    return Course(jobs=jobs, in_play=ranked)


def _cylinder_of(catalogue: Catalogue, job: JobId, cylinder: int | None) -> int | None:
    """Return the cylinder that a job is done on, None for a job on the engine."""
    if catalogue.jobs[job].scope is JobScope.engine:
        return None
    return 1 if cylinder is None else cylinder


def repairs_in_play(course: Course, scope: Scope) -> tuple[tuple[Ranked, ...], ...]:
    """Return the faults that are still possible, grouped by the same repair at a scope, the most
    probable first. Faults without a job for them are left out.
    """
    grouped: dict[frozenset[tuple[str, int | None]], list[Ranked]] = {}
    for one in course.in_play:
        jobs = frozenset((job.id, on) for job, on in one.candidate.scopes[scope])
        if jobs:
            grouped.setdefault(jobs, []).append(one)
    return tuple(map(tuple, grouped.values()))
