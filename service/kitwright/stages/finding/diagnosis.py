"""Diagnosis: the faults that the findings support, with probabilities and evidence for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, DiagnosisCode, GateAction, Grade, Shop
from kitwright.solve.belief import Impossible, Posterior, Seen
from kitwright.stages.finding.finding import Findings, Observation
from kitwright.stages.finding.gate import Answered, Clash
from kitwright.stages.finding.misfit import FindingsImpossible
from kitwright.stages.finding.odds import Candidate, Odds
from kitwright.stages.request import RequestRefused
from kitwright.stages.why import Fact, Why
from kitwright.units import rounded

NOTEWORTHY: Final = Fraction(5, 4)
"""Evidence for or against a fault is not listed if it is below this many times."""

MOST_TIMES: Final = 1000
"""Above this, no exact number is credible: evidence is given as at least this many times."""


class Evidence(Struct, frozen=True, kw_only=True):
    """The weight of one finding by itself for or against a fault.

    The finding is `times` times more likely with the fault than without it (`is_for`), or without
    it than with it. `times` is from `NOTEWORTHY` to `MOST_TIMES`. `is_shared` is true if the other
    findings already lead there, or if another fault explains it as well: then it adds little here.
    """

    observation: Observation
    times: Decimal
    is_for: bool
    is_shared: bool
    why: Why


class Ranked(Struct, frozen=True, kw_only=True):
    """A fault with its probability and grade (None: too unlikely for one), and the evidence for and
    against it, strongest first.

    `is_direct`: one of its own signs was found. `is_seen`: that sign itself was seen or measured,
    so nothing contests it. `is_contested`: findings about it contradict each other, and one has to
    be repeated. `is_weak`: its readings are void or only indicative, and it has no sign of its own.
    `holding` are gates that put something else first, `asking` gates that ask for a check to
    confirm it. `is_quotable`: its repair may be quoted, because it is sure enough, not contested,
    weak or held, and there is a job for it.
    """

    candidate: Candidate
    probability: Decimal
    grade: Grade | None
    is_direct: bool
    is_seen: bool
    is_contested: bool
    is_weak: bool
    speaks_for: tuple[Evidence, ...]
    speaks_against: tuple[Evidence, ...]
    holding: tuple[Answered, ...]
    asking: tuple[Answered, ...]
    is_quotable: bool

    @property
    def code(self) -> DiagnosisCode:
        """The code of the diagnosis."""
        return self.candidate.diagnosis.code

    @property
    def cylinder(self) -> int | None:
        """Its cylinder, None for a fault of the engine."""
        return self.candidate.cylinder


class ClashOver(Struct, frozen=True, kw_only=True):
    """Two findings, one strongly for a fault that is still possible and one strongly against it."""

    ranked: Ranked
    one: Evidence
    other: Evidence

    @property
    def why(self) -> Why:
        """The reason that names the two findings and the fault."""
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
    """The faults that are still possible, most probable first (`ranked`), the probability that none
    of the known faults is present (`none`), and findings that contradict each other about a fault.

    `ranked` is empty if no finding counts.
    """

    ranked: tuple[Ranked, ...]
    none: Decimal
    clashes: tuple[ClashOver, ...]


def seen_of(findings: Findings) -> list[Seen[str]]:
    """Return the observations that count, in the form that the network takes."""
    return [Seen(one.key, one.level, one.power) for one in findings.counted]


def diagnose(catalogue: Catalogue, shop: Shop, odds: Odds, findings: Findings) -> Diagnosed:
    """Return the diagnoses that the findings support.

    Raises: RequestRefused, if the findings can't occur together by the catalogue's rules.
    """
    try:
        posterior = odds.network.posterior(seen_of(findings), _undoubted(odds, findings))
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
        _ranked(catalogue, shop, findings, odds, posterior, candidate, probability)
        for candidate, probability in shown
    )
    return Diagnosed(
        ranked=ranked,
        none=rounded(posterior.none),
        clashes=tuple(_clashes(catalogue, ranked)),
    )


def _undoubted(odds: Odds, findings: Findings) -> dict[str, list[str]]:
    """Return the faults that were directly seen, each with the findings that showed it."""
    found: dict[str, list[str]] = {}
    counted = findings.counted
    for candidate in odds.candidates.values():
        shown = [one.key for one in counted if _is_sign(candidate, one, is_seen=True)]
        if shown:
            found[candidate.key] = shown
    return found


def _ranked(
    catalogue: Catalogue,
    shop: Shop,
    findings: Findings,
    odds: Odds,
    posterior: Posterior[str, str],
    candidate: Candidate,
    probability: Decimal,
) -> Ranked:
    counted = findings.counted
    signs = [one for one in counted if _is_sign(candidate, one)]
    is_seen = any(_is_sign(candidate, one, is_seen=True) for one in signs)
    evidence = [told for one in counted if (told := _evidence(odds, posterior, candidate, one))]
    evidence.sort(key=lambda one: (-one.times, one.observation.key))
    speaks_for = tuple(one for one in evidence if one.is_for)
    speaks_against = tuple(one for one in evidence if not one.is_for)
    is_contested = not is_seen and (
        any(_speaks_of(candidate, one) for one in findings.clashes)
        or _clash_over(catalogue, speaks_for, speaks_against) is not None
    )
    is_weak = not any(one.power == 1 for one in signs) and any(
        candidate.is_told_by(one.kind.id, one.cylinder)
        for one in findings.observations
        if one.is_void or one.power < 1
    )
    holding, asking = (
        findings.holding(action, candidate.diagnosis.code, candidate.cylinder)
        for action in (GateAction.do_first, GateAction.ask)
    )
    grade = grade_of(
        shop, probability, is_shown=bool(signs) and not (is_contested or is_weak or asking)
    )
    order = list(Grade)
    is_sure = grade is not None and order.index(grade) <= order.index(
        shop.decision.teardown_quote_needs
    )
    return Ranked(
        candidate=candidate,
        probability=probability,
        grade=grade,
        is_direct=bool(signs),
        is_seen=is_seen,
        is_contested=is_contested,
        is_weak=is_weak,
        speaks_for=speaks_for,
        speaks_against=speaks_against,
        holding=holding,
        asking=asking,
        is_quotable=is_sure
        and candidate.has_repair
        and not (is_contested or is_weak or holding or findings.stops),
    )


def grade_of(shop: Shop, probability: Decimal, *, is_shown: bool) -> Grade | None:
    """Return the grade of a probability by the shop's confidence limits, None below all of them.

    The grade "confirmed" needs `is_shown`: the fault was shown by its own sign, nothing contests
    it, and no gate asks for a further check.
    """
    needed = shop.decision.confidence
    if probability >= needed.confirmed and is_shown:
        return Grade.confirmed
    if probability >= needed.probable:
        return Grade.probable
    return Grade.possible if probability >= needed.possible else None


def _is_sign(candidate: Candidate, one: Observation, *, is_seen: bool = False) -> bool:
    """Return whether an observation shows the fault itself, not only its effects elsewhere. With
    `is_seen`, the fault has to be seen or measured itself.
    """
    return candidate.is_told_by(one.kind.id, one.cylinder) and any(
        sign.finding == one.kind.id
        and one.level >= (1 if sign.at_least is None else one.kind.levels.index(sign.at_least))
        and (sign.is_seen or not is_seen)
        for sign in candidate.diagnosis.direct
    )


def _evidence(
    odds: Odds, posterior: Posterior[str, str], candidate: Candidate, one: Observation
) -> Evidence | None:
    """Return the evidence of an observation about a fault, None if it is too weak to list."""
    factor = odds.alone(Seen(one.key, one.level, one.power)).factor(candidate.key, one.key)
    here = posterior.factor(candidate.key, one.key)
    if factor > 1 > here * NOTEWORTHY or factor < 1 < here / NOTEWORTHY:
        # the rest reverses it: a sign of this fault that another fault explains far better
        factor = here
    is_for = factor >= 1
    beyond = factor * MOST_TIMES <= 1 or factor >= MOST_TIMES
    times = Decimal(MOST_TIMES) if beyond else rounded(factor if is_for else 1 / factor, 1)
    if times < NOTEWORTHY:
        return None
    is_shared = here < NOTEWORTHY if is_for else here * NOTEWORTHY > 1
    facts: dict[str, Fact] = {
        "finding": one.kind.id,
        "level": one.kind.levels[one.level],
        "on": one.cylinder,
        "times": times if times < 10 else times.to_integral_value(),
        "fault": candidate.diagnosis.code,
        "cylinder": candidate.cylinder,
    }
    code = "speaks-for" if is_for else "speaks-against"
    if is_shared:
        code = "speaks-for-too" if is_for else "speaks-against-too"
    elif beyond:
        code = "settles-for" if is_for else "settles-against"
    return Evidence(
        observation=one, times=times, is_for=is_for, is_shared=is_shared, why=Why(code, facts)
    )


def _speaks_of(candidate: Candidate, clash: Clash) -> bool:
    """Return whether a conflict is about findings of a fault, and the fault does not explain it."""
    return candidate.diagnosis.code not in clash.conflict.explained_by and any(
        candidate.is_told_by(one.finding, clash.cylinder)
        for one in clash.conflict.when
        if one.finding is not None
    )


def _clash_over(
    catalogue: Catalogue, speaks_for: Sequence[Evidence], speaks_against: Sequence[Evidence]
) -> tuple[Evidence, Evidence] | None:
    """Return the strongest findings on both sides if both are strong, else None.

    Findings that the rest explains as well do not clash, as one other fault may explain both.
    """
    own_for = [one for one in speaks_for if not one.is_shared]
    own_against = [one for one in speaks_against if not one.is_shared]
    if not own_for or not own_against:
        return None
    one, other = own_for[0], own_against[0]
    strong = min(one.times, other.times) >= catalogue.rules.clash_times
    return (one, other) if strong else None


def _clashes(catalogue: Catalogue, ranked: Sequence[Ranked]) -> Iterator[ClashOver]:
    """Yield the strongest clash over each fault that is still possible."""
    for each in ranked:
        pair = _clash_over(catalogue, each.speaks_for, each.speaks_against)
        if each.probability >= catalogue.rules.in_play and pair is not None:
            yield ClashOver(ranked=each, one=pair[0], other=pair[1])
