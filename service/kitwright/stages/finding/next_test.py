"""Next test: the tests to do at the bench before any repair is sold, the most useful first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import BenchTest, Catalogue, GateAction, JobId, JobScope, Scope
from kitwright.stages.finding.diagnosis import Diagnosed, seen_of
from kitwright.stages.finding.finding import Findings, Observation
from kitwright.stages.finding.leakage import Standing
from kitwright.stages.finding.odds import Odds
from kitwright.stages.why import Fact, Why, place
from kitwright.units import exact, rounded


class Cause(StrEnum):
    """The reason why a test is next; the causes are listed in order of precedence."""

    voided = "voided"
    after_job = "after_job"
    clash = "clash"
    basic = "basic"
    informs = "informs"


class NextTest(Struct, frozen=True, kw_only=True):
    """A test to do next, on a cylinder or on the engine. `bits` is the information that it is
    expected to give about which jobs are needed, None if it is not ranked by that.
    """

    test: BenchTest
    cylinder: int | None
    cause: Cause
    why: Why
    bits: Decimal | None = None

    @property
    def key(self) -> tuple[str, int | None]:
        """The test's id and the cylinder."""
        return self.test.id, self.cylinder


class Bench:
    """The catalogue's tests on one engine, and which of their findings were seen."""

    def __init__(self, catalogue: Catalogue, findings: Findings) -> None:
        rules = catalogue.rules
        self._cylinders = tuple(range(1, findings.family.cylinders + 1))
        self._scopes = {row.id: row.scope for row in rules.finding}
        self._tests = {row.id: row for row in rules.test}
        self._test_of = {row.id: row.test for row in rules.finding}
        self.seen = {one.key for one in findings.observations}
        self.counted = {one.key for one in findings.counted}

    def placed(self) -> Iterator[tuple[BenchTest, int | None]]:
        """Yield every test with each place where it is done."""
        for test in self._tests.values():
            for cylinder in self.places(test):
                yield test, cylinder

    def places(self, test: BenchTest) -> tuple[int | None, ...]:
        """Return the places of a test: each cylinder, or the engine (None) if any of its findings
        is of the engine, or if it has none.
        """
        if not test.yields or any(self._scopes[name] is JobScope.engine for name in test.yields):
            return (None,)
        return self._cylinders

    def of_finding(self, name: str, cylinder: int | None) -> tuple[BenchTest, int | None]:
        """Return the test that yields a finding, and its place for a cylinder."""
        return self.named(self._test_of[name], cylinder)

    def named(self, test_id: str, cylinder: int | None) -> tuple[BenchTest, int | None]:
        """Return a test by id, and its place for a cylinder."""
        test = self._tests[test_id]
        return test, cylinder if cylinder in self.places(test) else None

    def variables(self, test: BenchTest, cylinder: int | None) -> tuple[str, ...]:
        """Return the instance ids that a test at a place yields."""
        return tuple(
            place(name, each) for name in test.yields for each in self.spread(name, cylinder)
        )

    def spread(self, name: str, cylinder: int | None) -> tuple[int | None, ...]:
        """Return the places of a finding: the given cylinder, all cylinders if that is None, or the
        engine.
        """
        if self._scopes[name] is JobScope.engine:
            return (None,)
        return self._cylinders if cylinder is None else (cylinder,)


def choose_tests(
    catalogue: Catalogue, odds: Odds, findings: Findings, diagnosed: Diagnosed
) -> tuple[NextTest, ...]:
    """Return the next tests, in this order: tests that a gate has made void, tests to repeat after
    a job or because of a clash, basic tests not done yet, and the others by bits per bench minute.

    The result is empty if a gate stops all tests.
    """
    if findings.stops:
        return ()
    bench = Bench(catalogue, findings)
    chosen: dict[tuple[str, int | None], NextTest] = {}
    for found in (
        *_voided(bench, findings, diagnosed),
        *_after_jobs(catalogue, bench, findings),
        *_clashing(bench, findings, diagnosed),
        *_basics(bench),
    ):
        chosen.setdefault(found.key, found)
    # while basic tests are open and no fault is ranked, they come first, without other tests
    if diagnosed.ranked or not any(one.cause is Cause.basic for one in chosen.values()):
        for found in _ranked(catalogue, odds, findings, diagnosed, bench):
            chosen.setdefault(found.key, found)
    return tuple(chosen.values())


def _voided(bench: Bench, findings: Findings, diagnosed: Diagnosed) -> Iterator[NextTest]:
    """Yield the tests whose results gates have made void; also those made only indicative, if a
    fault depends on them.
    """
    waits = any(one.is_weak for one in diagnosed.ranked)
    actions = {GateAction.void, GateAction.indicative} if waits else {GateAction.void}
    void = {one.key for one in findings.observations if one.is_void or (waits and one.power < 1)}
    readings = {
        one.cylinder
        for one in findings.leakages
        if one.standing is Standing.void or (waits and one.standing is Standing.indicative)
    }
    for answered in findings.answered:
        gate = answered.gate
        if gate.action not in actions:
            continue
        why = Why("retest-voided", {"gate": gate.id})
        for name in gate.affects:
            for cylinder in bench.spread(name, answered.cylinder):
                is_reading = answered.reading is not None and cylinder in readings
                if is_reading or place(name, cylinder) in void:
                    test, where = bench.of_finding(name, cylinder)
                    yield NextTest(test=test, cylinder=where, cause=Cause.voided, why=why)


def _after_jobs(catalogue: Catalogue, bench: Bench, findings: Findings) -> Iterator[NextTest]:
    """Yield the tests that show whether a job that goes first was all that was needed."""
    for answered in findings.answered:
        gate = answered.gate
        if gate.action is not GateAction.do_first or gate.job is None:
            continue
        for code in gate.holds:
            for sign in catalogue.diagnoses[code].direct:
                test, cylinder = bench.of_finding(sign.finding, answered.cylinder)
                facts: dict[str, Fact] = {"job": gate.job, "cylinder": answered.cylinder}
                why = Why("retest-after-job", facts)
                yield NextTest(test=test, cylinder=cylinder, cause=Cause.after_job, why=why)


def _clashing(bench: Bench, findings: Findings, diagnosed: Diagnosed) -> Iterator[NextTest]:
    """Yield the one test that settles each clash."""
    for clash in findings.clashes:
        test, cylinder = bench.named(clash.conflict.retest, clash.cylinder)
        why = Why("retest-clash", {"conflict": clash.conflict.id})
        yield NextTest(test=test, cylinder=cylinder, cause=Cause.clash, why=why)
    for over in diagnosed.clashes:
        test, cylinder = settling(bench, over.one.observation, over.other.observation)
        facts: dict[str, Fact] = {"fault": over.ranked.code, "cylinder": over.ranked.cylinder}
        why = Why("retest-clash-over", facts)
        yield NextTest(test=test, cylinder=cylinder, cause=Cause.clash, why=why)


def settling(bench: Bench, *observed: Observation) -> tuple[BenchTest, int | None]:
    """Return the quickest of the tests that yielded some observations, and where it is done."""
    return min(
        (bench.of_finding(one.kind.id, one.cylinder) for one in observed),
        key=lambda one: (one[0].minutes, one[0].id),
    )


def _basics(bench: Bench) -> Iterator[NextTest]:
    """Yield the basic tests without any recorded result."""
    for test, cylinder in bench.placed():
        if test.is_basic and not bench.seen.intersection(bench.variables(test, cylinder)):
            why = Why("basic-open")
            yield NextTest(test=test, cylinder=cylinder, cause=Cause.basic, why=why)


def _ranked(
    catalogue: Catalogue, odds: Odds, findings: Findings, diagnosed: Diagnosed, bench: Bench
) -> list[NextTest]:
    """Return the tests that are worth their minutes, the best first."""
    open_tests = [
        (test, cylinder, group)
        for test, cylinder in bench.placed()
        if not test.is_basic
        and (
            group := [name for name in bench.variables(test, cylinder) if name not in bench.counted]
        )
    ]
    told = odds.network.informations(
        seen_of(findings),
        [group for _, _, group in open_tests],
        _jobs_of(catalogue, odds, diagnosed),
    )
    ranked: list[tuple[Fraction, NextTest]] = []
    for (test, cylinder, _), bits in zip(open_tests, told, strict=True):
        shown = rounded(bits)
        if shown >= catalogue.rules.worth_bits:
            facts: dict[str, Fact] = {"bits": rounded(bits, 2), "minutes": test.minutes}
            found = NextTest(
                test=test,
                cylinder=cylinder,
                cause=Cause.informs,
                why=Why("informs-of-jobs", facts),
                bits=shown,
            )
            ranked.append((exact(shown) / max(test.minutes, 1), found))
    ranked.sort(key=lambda one: (-one[0], one[1].test.id, one[1].cylinder or 0))
    return [found for _, found in ranked]


def _jobs_of(
    catalogue: Catalogue, odds: Odds, diagnosed: Diagnosed
) -> Callable[[Sequence[str]], frozenset[tuple[JobId, int | None]]]:
    """Return the function from a set of faults to the least jobs of those that are still possible;
    if none is, of all.
    """
    in_play = {
        one.candidate.key for one in diagnosed.ranked if one.probability >= catalogue.rules.in_play
    }
    jobs = {
        key: frozenset((job.id, cylinder) for job, cylinder in one.scopes[Scope.least])
        for key, one in odds.candidates.items()
        if not in_play or key in in_play
    }
    empty: frozenset[tuple[JobId, int | None]] = frozenset()
    return lambda faults: empty.union(*(jobs[one] for one in faults if one in jobs))
