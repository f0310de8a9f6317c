"""Learning from simulated shops: errors before and after, intervals, and no learning from noise."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from random import Random

from tests.stages.learning.simulated import (
    KEYS,
    STUD,
    drawn_factors,
    drawn_jobs,
    error,
    shifted,
)

from kitwright.stages.learning import (
    FEWEST,
    Foreseen,
    ForeseenKind,
    LearnedMinutes,
    LearnedOdds,
    find_bands,
    learn_minutes,
    learn_odds,
)
from kitwright.stages.work import PaceKey

JOBS = 300
SHOPS = 40
CATALOGUE = dict.fromkeys(KEYS, Fraction(1))


def learned(
    seed: int, spread: float, jobs: int = JOBS
) -> tuple[dict[PaceKey, float], tuple[LearnedMinutes, ...]]:
    """Return the true factors of a shop, and what is learned from its jobs."""
    random = Random(seed)
    factors = drawn_factors(random, spread)
    return factors, learn_minutes(drawn_jobs(random, factors, jobs), {})


def applied(found: tuple[LearnedMinutes, ...]) -> dict[PaceKey, Fraction]:
    """Return the factors that are in force once every proposal is applied."""
    return CATALOGUE | {one.key: Fraction(one.proposal) for one in found if one.proposal}


def test_estimates_of_300_jobs_are_a_quarter_as_far_off_as_before() -> None:
    before = after = 0.0
    for seed in range(SHOPS):
        factors, found = learned(seed, 0.3)
        before += error(factors, CATALOGUE) / SHOPS
        after += error(factors, applied(found)) / SHOPS

    # by 29 and 2.9 in 100, as this is written
    assert before > 0.25
    assert after < before / 4


def test_a_group_of_few_jobs_is_not_further_off_than_before() -> None:
    before = after = 0.0
    for seed in range(SHOPS):
        factors, found = learned(seed, 0.3, jobs=25)
        before += error(factors, CATALOGUE) / SHOPS
        after += error(factors, applied(found)) / SHOPS

    assert after < before


def test_intervals_cover_the_true_factor_as_often_as_they_say() -> None:
    for jobs, spread in ((JOBS, 0.3), (60, 0.3), (60, 0.1)):
        covered = [
            one.shrunk_interval.low <= factors[one.key] <= one.shrunk_interval.high
            for seed in range(SHOPS)
            for factors, found in [learned(seed, spread, jobs)]
            for one in found
        ]

        assert 0.91 <= sum(covered) / len(covered) <= 0.99, (jobs, spread)


def test_intervals_of_the_median_cover_it_at_least_as_often_as_they_say() -> None:
    covered = [
        one.interval.low <= factors[one.key] <= one.interval.high
        for seed in range(SHOPS)
        for factors, found in [learned(seed, 0.3, 60)]
        for one in found
        if one.interval is not None
    ]

    assert sum(covered) / len(covered) >= 0.94


def test_noise_is_not_learned() -> None:
    """Of a shop whose jobs take as long as the catalogue says, next to nothing is proposed."""
    found = [one for seed in range(SHOPS) for one in learned(seed, 0.0)[1]]
    proposed = [one for one in found if one.proposal is not None]

    assert len(proposed) <= len(found) * 0.02
    assert all(abs(one.proposal - 1) < 0.15 for one in proposed if one.proposal is not None)


def test_a_proposal_lies_between_the_catalogue_and_the_jobs() -> None:
    for seed in range(SHOPS):
        _, found = learned(seed, 0.3, 60)
        for one in found:
            assert one.jobs >= FEWEST or one.proposal is None
            if one.proposal is not None:
                mean = float(one.shrunk) ** (1 / float(one.kept))
                assert min(1, mean) - 0.01 <= one.proposal <= max(1, mean) + 0.01
                assert (mean > 1) is (one.proposal > 1)


def test_learning_once_more_from_the_same_jobs_proposes_nothing() -> None:
    random = Random(5)
    jobs = drawn_jobs(random, drawn_factors(random, 0.3), JOBS)
    first = learn_minutes(jobs, {})
    own = applied(first)

    again = learn_minutes(jobs, own)

    assert any(one.proposal for one in first)
    assert not any(one.proposal for one in again)
    assert [one.shrunk for one in again] == [one.shrunk for one in first]


def foreseen(random: Random, factor: Fraction, cases: int) -> Iterator[Foreseen]:
    """Yield contingencies of a shop where their odds are those of the catalogue times a factor."""
    for _ in range(cases):
        chance = Fraction(random.choice((10, 25, 40)), 100)
        found = random.random() < shifted(chance, factor)
        yield Foreseen(
            kind=ForeseenKind.contingency,
            code=STUD,
            chance=chance,
            catalogue=chance,
            was_found=found,
        )


def odds_of(seed: int, factor: Fraction, cases: int) -> LearnedOdds:
    (found,) = learn_odds(foreseen(Random(seed), factor, cases), {})
    return found


def test_odds_of_cases_are_proposed_towards_the_true_ones() -> None:
    for true in (Fraction(3), Fraction(1, 4)):
        factors = [odds_of(seed, true, JOBS).proposal for seed in range(SHOPS)]

        known = sorted(one for one in factors if one is not None)
        assert len(known) == SHOPS
        assert abs(float(known[SHOPS // 2]) / float(true) - 1) < 0.15


def test_odds_are_not_learned_from_noise() -> None:
    proposed = [odds_of(seed, Fraction(1), 60).proposal is not None for seed in range(400)]

    assert sum(proposed) / len(proposed) <= 0.05


def test_bands_of_true_odds_hold_what_was_said() -> None:
    held = [
        band.interval.low <= band.said <= band.interval.high
        for seed in range(SHOPS)
        for band in find_bands(foreseen(Random(seed), Fraction(1), JOBS))
    ]

    assert sum(held) / len(held) >= 0.93
