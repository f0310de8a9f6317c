"""Diagnoses: checks that distributions are complete and that every name used is known."""

from __future__ import annotations

from itertools import combinations, pairwise
from typing import TYPE_CHECKING

from kitwright.catalogue.checks.conditions import level_problems
from kitwright.catalogue.checks.records import DIAGNOSIS, problem
from kitwright.catalogue.model import PRIOR, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from kitwright.catalogue.model import Diagnosis, DiagnosisRules, FindingKind
    from kitwright.catalogue.problems import Problem
    from kitwright.units import Figure


def check_diagnoses(rules: DiagnosisRules) -> Iterator[Problem]:
    """Yield errors of tests, readings, findings, diagnoses and backgrounds."""
    findings = {row.id: row for row in rules.finding}
    yield from _tests(rules, findings)
    yield from _readings(rules)
    for finding in rules.finding:
        yield from _finding(rules, finding)
    for diagnosis in rules.diagnosis:
        yield from _diagnosis(diagnosis, findings)
        yield from _reasons(diagnosis)
    yield from _alike(rules)
    codes = {row.code for row in rules.diagnosis}
    for background in rules.background:
        for code in background.multiply_odds:
            if code not in codes:
                message = f"there is no diagnosis {code!r}"
                yield _problem(f"background {background.id}", "diagnosis-unknown", message)


def _problem(label: str, code: str, message: str) -> Problem:
    return problem(DIAGNOSIS, label, code, message)


def _tests(rules: DiagnosisRules, findings: Mapping[str, FindingKind]) -> Iterator[Problem]:
    """Yield findings and tests that do not name each other."""
    yielded = {row.id: row.yields for row in rules.test}
    for test, names in yielded.items():
        for name in names:
            finding = findings.get(name)
            if finding is None:
                message = f"yields: there is no finding {name!r}"
                yield _problem(f"test {test}", "finding-unknown", message)
            elif finding.test != test:
                message = f"yields {name}, whose own test is {finding.test!r}"
                yield _problem(f"test {test}", "test-differs", message)
    for name, finding in findings.items():
        label = f"finding {name}"
        if finding.test not in yielded:
            yield _problem(label, "test-unknown", f"there is no test {finding.test!r}")
        elif name not in yielded[finding.test]:
            message = f"test {finding.test} does not yield it"
            yield _problem(label, "test-differs", message)


def _readings(rules: DiagnosisRules) -> Iterator[Problem]:
    tests = {row.id for row in rules.test}
    for row in rules.reading:
        label = f"reading {row.id}"
        if (row.test is None) is (row.derived is None):
            message = "a reading must be either taken by a test or derived from others"
            yield _problem(label, "reading-unclear", message)
        elif row.test is not None and row.test not in tests:
            yield _problem(label, "test-unknown", f"there is no test {row.test!r}")


def _finding(rules: DiagnosisRules, row: FindingKind) -> Iterator[Problem]:
    label = f"finding {row.id}"
    if len(row.levels) < 2 or len(set(row.levels)) < len(row.levels):
        message = "levels must be two or more different words, normal first"
        yield _problem(label, "levels-unclear", message)
    if len(row.words) != len(row.levels) or not all(row.words):
        message = f"words must have one text for each of: {', '.join(row.levels)}"
        yield _problem(label, "words-incomplete", message)
    yield from _distribution(label, "base", row.base, row.levels)
    if not row.reason:
        yield _problem(label, "reason-missing", "reason is empty: say where the base comes from")
    readings = {reading.id for reading in rules.reading}
    for reading in (row.from_reading, row.compares):
        if reading is not None and reading not in readings:
            yield _problem(label, "reading-unknown", f"there is no reading {reading!r}")
    if row.from_reading is None:
        if row.upper_percent or row.verdicts:
            message = "only a finding with from_reading can have upper_percent and verdicts"
            yield _problem(label, "upper-limits-wrong", message)
        return
    limits = row.upper_percent
    if len(limits) != len(row.levels) - 1 or any(a >= b for a, b in pairwise(limits)):
        message = "upper_percent must ascend and have a limit for each level but the last"
        yield _problem(label, "upper-limits-wrong", message)
    ranks = [list(Verdict).index(one) for one in row.verdicts]
    if len(ranks) != len(row.levels) or ranks != sorted(ranks):
        message = "verdicts must have one for each level and never go back towards good"
        yield _problem(label, "verdicts-wrong", message)


def _diagnosis(row: Diagnosis, findings: Mapping[str, FindingKind]) -> Iterator[Problem]:
    label = f"diagnosis {row.code}"
    tables = [("links", row.links)]
    tables += [(f"links_if {one.flag}", one.links) for one in row.links_if]
    for place, links in tables:
        for name, shares in links.items():
            finding = findings.get(name)
            if finding is None:
                message = f"{place}: there is no finding {name!r}"
                yield _problem(label, "finding-unknown", message)
            else:
                yield from _distribution(label, f"{place}.{name}", shares, finding.levels)
    for one in row.links_if:
        for name in one.links.keys() - row.links.keys():
            message = f"links_if {one.flag}: {name} replaces no link of the diagnosis"
            yield _problem(label, "link-replaces-nothing", message)
    for sign in row.direct:
        if sign.finding not in row.links:
            message = f"direct: {sign.finding!r} is not among its links"
            yield _problem(label, "direct-unlinked", message)
        elif sign.at_least is not None and sign.finding in findings:
            levels = findings[sign.finding].levels[1:]
            yield from level_problems(DIAGNOSIS, label, (sign.at_least,), levels)


def _reasons(row: Diagnosis) -> Iterator[Problem]:
    label = f"diagnosis {row.code}"
    for name in (PRIOR, *row.links):
        if not row.reasons.get(name):
            yield _problem(
                label,
                "reason-missing",
                f"reasons.{name} is missing: say where the values come from",
            )
    for name in row.reasons.keys() - row.links.keys() - {PRIOR}:
        yield _problem(label, "reason-for-nothing", f"reasons.{name}: there is no such link")


def _alike(rules: DiagnosisRules) -> Iterator[Problem]:
    """Yield diagnoses that no test can distinguish on any family."""
    bases = {row.id: row.levels for row in rules.finding}
    for one, other in combinations(rules.diagnosis, 2):
        if _spoken(one, bases) == _spoken(other, bases):
            message = f"no test can tell it from {other.code}: their links are the same"
            yield _problem(f"diagnosis {one.code}", "diagnoses-alike", message)


def _spoken(
    row: Diagnosis, levels: Mapping[str, Sequence[str]]
) -> dict[tuple[str, str], tuple[Figure, ...]]:
    """Return the links that carry information, by flag and finding. A link that always leaves the
    normal level carries none.
    """
    tables = {"": row.links} | {one.flag: one.links for one in row.links_if}
    return {
        (flag, name): shares
        for flag, links in tables.items()
        for name, shares in links.items()
        if name in levels and any(shares[1:])
    }


def _distribution(
    label: str, place: str, shares: Sequence[Figure], levels: Sequence[str]
) -> Iterator[Problem]:
    if len(shares) != len(levels):
        message = f"{place} must have one share for each of: {', '.join(levels)}"
        yield _problem(label, "distribution-length", message)
    if sum(shares) != 1:
        message = f"the shares of {place} add up to {sum(shares)}, not to 1"
        yield _problem(label, "distribution-sum", message)
    for share in shares:
        if not 0 <= share <= 1:
            message = f"{place} has the share {share}; a share must be from 0 to 1"
            yield _problem(label, "figure-out-of-range", message)
