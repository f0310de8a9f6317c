"""Diagnosis: which faults the findings speak for, how surely, why, and what speaks against."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, DiagnosisCode, Grade, Shop
from kitwright.solve.belief import Impossible, Posterior, Probability, Seen
from kitwright.stages.finding import Findings, Observation
from kitwright.stages.gate import Answered
from kitwright.stages.misfit import FindingsImpossible
from kitwright.stages.odds import Candidate, Odds
from kitwright.stages.refusal import RequestRefused
from kitwright.stages.why import Fact, Why
from kitwright.units import exact, rounded

NOTEWORTHY: Final = Fraction(5, 4)
"""Findings that speak less than this many times for a fault, or against it, are not named."""

MOST_TIMES: Final = 1000
"""Beyond this many times nobody believes a figure: it is said to be at least that."""


class Evidence(Struct, frozen=True, kw_only=True):
    """What one finding says of a fault: how many times more likely it is with the fault than
    without, or without than with. Above one, and at most `MOST_TIMES`.
    """

    observation: Observation
    times: Decimal
    is_for: bool
    why: Why


class Ranked(Struct, frozen=True, kw_only=True):
    """A fault with its probability and grade (None: too unlikely for one), and what speaks for
    it and against it, strongest first.

    `holding` are gates that ask for something else first. `is_quotable` where it is sure enough
    for its repair to be quoted, and nothing holds or stops it.
    """

    candidate: Candidate
    probability: Decimal
    grade: Grade | None
    is_direct: bool
    speaks_for: tuple[Evidence, ...]
    speaks_against: tuple[Evidence, ...]
    holding: tuple[Answered, ...]
    is_quotable: bool

    @property
    def code(self) -> DiagnosisCode:
        """The diagnosis' code."""
        return self.candidate.diagnosis.code

    @property
    def cylinder(self) -> int | None:
        """Its cylinder, None where it is one of the engine."""
        return self.candidate.cylinder


class ClashOver(Struct, frozen=True, kw_only=True):
    """Two findings of which one speaks strongly for a fault in play and the other against it."""

    ranked: Ranked
    one: Evidence
    other: Evidence

    @property
    def why(self) -> Why:
        """What clashes over which fault."""
        one, other = self.one.observation, self.other.observation
        facts: dict[str, Fact] = {
            "finding": one.kind.id,
            "level": one.kind.levels[one.level],
            "on": one.cylinder,
            "other": other.kind.id,
            "other_level": other.kind.levels[other.level],
            "other_on": other.cylinder,
            "fault": self.ranked.code,
            "cylinder": self.ranked.cylinder,
        }
        return Why("clash-over-fault", facts)


class Diagnosed(Struct, frozen=True, kw_only=True):
    """Faults from the most probable down to the least that is in play, the probability that there
    is none of those known, and findings that clash over one of them.

    `ranked` is empty where nothing counts: without a finding nothing is guessed.
    """

    ranked: tuple[Ranked, ...]
    none: Decimal
    clashes: tuple[ClashOver, ...]


def seen_of(findings: Findings) -> list[Seen[str]]:
    """Return the observations that say anything, as the network takes them."""
    return [Seen(one.key, one.level, one.power) for one in findings.counted]


def diagnose(catalogue: Catalogue, shop: Shop, odds: Odds, findings: Findings) -> Diagnosed:
    """Return what the findings come to.

    Raises: RequestRefused, where the rules say that they can't be seen together.
    """
    try:
        posterior = odds.network.posterior(seen_of(findings))
    except Impossible:
        raise RequestRefused([FindingsImpossible(one.key for one in findings.counted)]) from None
    in_play = catalogue.rules.in_play
    shown = []
    for key, chance in posterior.marginals.items():
        probability = rounded(chance)
        if findings.counted and probability >= min(in_play, shop.decision.confidence.possible):
            shown.append((odds.candidates[key], probability))
    shown.sort(key=lambda one: (-one[1], one[0].key))
    ranked = tuple(
        _ranked(shop, findings, posterior, candidate, probability)
        for candidate, probability in shown
    )
    return Diagnosed(
        ranked=ranked,
        none=rounded(posterior.none),
        clashes=tuple(_clashes(catalogue, ranked)),
    )


def _ranked(
    shop: Shop,
    findings: Findings,
    posterior: Posterior[str, str],
    candidate: Candidate,
    probability: Decimal,
) -> Ranked:
    is_direct = any(_is_direct(candidate, one) for one in findings.counted)
    grade = grade_of(shop, probability, is_direct=is_direct)
    evidence = [
        told
        for one in findings.counted
        if (told := _evidence(candidate, one, posterior.factor(candidate.key, one.key)))
    ]
    evidence.sort(key=lambda one: (-one.times, one.observation.key))
    holding = findings.holding(candidate.diagnosis.code, candidate.cylinder)
    order = list(Grade)
    is_sure = grade is not None and order.index(grade) <= order.index(
        shop.decision.teardown_quote_needs
    )
    return Ranked(
        candidate=candidate,
        probability=probability,
        grade=grade,
        is_direct=is_direct,
        speaks_for=tuple(one for one in evidence if one.is_for),
        speaks_against=tuple(one for one in evidence if not one.is_for),
        holding=holding,
        is_quotable=is_sure and not holding and not findings.stops,
    )


def grade_of(shop: Shop, probability: Decimal, *, is_direct: bool) -> Grade | None:
    """Return the grade of a probability by the shop's confidence; a direct finding confirms."""
    needed = shop.decision.confidence
    if probability >= needed.confirmed and is_direct:
        return Grade.confirmed
    if probability >= needed.probable:
        return Grade.probable
    return Grade.possible if probability >= needed.possible else None


def _is_direct(candidate: Candidate, one: Observation) -> bool:
    """Return whether an observation shows the fault itself, not only what it does elsewhere."""
    return (
        one.level > 0
        and one.kind.id in candidate.diagnosis.direct
        and (
            one.cylinder is None or candidate.cylinder is None or one.cylinder == candidate.cylinder
        )
    )


def _evidence(candidate: Candidate, one: Observation, factor: Probability) -> Evidence | None:
    is_for = factor >= 1
    beyond = factor * MOST_TIMES <= 1 or factor >= MOST_TIMES
    times = Decimal(MOST_TIMES) if beyond else rounded(factor if is_for else 1 / factor, 1)
    if times < NOTEWORTHY:
        return None
    facts: dict[str, Fact] = {
        "finding": one.kind.id,
        "level": one.kind.levels[one.level],
        "on": one.cylinder,
        "times": times if times < 10 else times.to_integral_value(),
        "fault": candidate.diagnosis.code,
        "cylinder": candidate.cylinder,
    }
    code = "speaks-for" if is_for else "speaks-against"
    if beyond:
        code = "settles-for" if is_for else "settles-against"
    return Evidence(observation=one, times=times, is_for=is_for, why=Why(code, facts))


def _clashes(catalogue: Catalogue, ranked: Sequence[Ranked]) -> Iterator[ClashOver]:
    """Yield the strongest clash over each fault in play."""
    rules = catalogue.rules
    for each in ranked:
        pairs = product(each.speaks_for[:1], each.speaks_against[:1])
        if each.probability >= rules.in_play:
            for one, other in pairs:
                if min(one.times, other.times) >= exact(rules.clash_times):
                    yield ClashOver(ranked=each, one=one, other=other)
