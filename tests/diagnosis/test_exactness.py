"""Beliefs of the starter rules on crowded benches, against exact sums over all sets of faults."""

import random
from collections.abc import Iterable

import numpy as np
from tests.diagnosis.calibration import Truth
from tests.diagnosis.rows import asked
from tests.stages.workbench import HIRE_YARD, starter

from kitwright.solve.belief import Seen
from kitwright.stages.finding import read_findings
from kitwright.stages.finding.diagnosis import seen_of
from kitwright.stages.finding.odds import Odds, prior_of
from kitwright.workshop import Workshop

WITHIN = 1e-9
MOST_ABNORMAL = 12
"""The exact sums take twice as long for each abnormal finding more."""


def exact_marginals(odds: Odds, seen: Iterable[Seen[str]]) -> dict[str, float]:
    """Return each fault's probability, whatever the number of faults.

    Fault by fault, with a state for each set of abnormal findings that a cause has driven to the
    level seen so far: of a level that was seen no cause may go higher, and one must reach it.
    """
    rules = {row.id: row for row in starter().rules.finding}
    links = dict(odds._links(starter()))
    seen = list(seen)
    tops = [one for one in seen if one.level > 0]

    def reach(start: np.ndarray, spread: Iterable[object], at: int) -> np.ndarray:
        """Return the states after a cause has driven one of the abnormal findings."""
        shares = [float(str(share)) for share in spread]
        level = tops[at].level
        below, exactly = sum(shares[:level]), shares[level]
        shaped = start.reshape(-1, 2, 2**at)
        reached = shaped[:, 1] * (below + exactly) + shaped[:, 0] * exactly
        return np.stack([shaped[:, 0] * below, reached], axis=1).reshape(-1)

    states = np.zeros(2 ** len(tops))
    states[0] = 1.0
    for at, one in enumerate(tops):
        states = reach(states, rules[one.variable.partition("@")[0]].base, at)

    def weight(sure: str | None) -> float:
        now = states
        for key, candidate in odds.candidates.items():
            prior = float(prior_of(candidate.diagnosis, ()))
            driven = now
            for one in seen:
                link = links.get((key, one.variable))
                if link is not None and one.level == 0:
                    driven = driven * float(link[0])
                elif link is not None:
                    driven = reach(driven, link, tops.index(one))
            now = driven * prior + (now * (1 - prior) if key != sure else 0)
        return float(now[-1])

    whole = weight(None)
    return {key: weight(key) / whole for key in odds.candidates}


def test_beliefs_of_crowded_benches_are_exact() -> None:
    catalogue = starter()
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    family = next(one for one in catalogue.families.values() if one.cylinders == 2)
    chance = random.Random(20261127)
    crowded, furthest = 0, 0.0
    for bench in Truth(catalogue, family, chance, 0.0).benches(1000):
        findings = read_findings(catalogue, asked(bench.row))
        seen = seen_of(findings)
        abnormal = sum(one.level > 0 for one in seen)
        if not 9 <= abnormal <= MOST_ABNORMAL:
            continue
        crowded += 1
        odds = workshop.odds(findings)
        found = odds.network.posterior(seen).marginals
        wanted = exact_marginals(odds, seen)
        furthest = max(furthest, *(abs(found[key] - wanted[key]) for key in wanted))
        if crowded == 25:
            break

    assert crowded == 25
    assert furthest < WITHIN
