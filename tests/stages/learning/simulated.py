"""A simulated shop, whose jobs take known factors of the catalogue's minutes."""

from __future__ import annotations

from fractions import Fraction
from itertools import product
from math import exp
from random import Random

from kitwright.catalogue.model import ContingencyId, FamilyId, LabourClass
from kitwright.stages.learning import ClockedTime, PlannedStep, Worked, compare_minutes
from kitwright.stages.work import Group, PaceKey, times_odds

FAMILIES = ("QM-H27", "TB-V68")
CLASSES: dict[Group, tuple[str, ...]] = {
    "teardown": ("tech", "senior"),
    "work": ("tech", "senior"),
    "refit": ("tech", "senior"),
    "test": ("diag",),
}
KEYS = tuple(
    PaceKey(FamilyId(family), group, LabourClass(name))
    for family, (group, names) in product(FAMILIES, CLASSES.items())
    for name in names
)
NOISE = 0.3
"""The standard deviation of the logarithm of what one job takes."""


def drawn_factors(random: Random, spread: float) -> dict[PaceKey, float]:
    """Return the true factor of each group; their logarithms have a standard deviation."""
    return {key: exp(random.gauss(0, spread)) for key in KEYS}


def drawn_jobs(random: Random, factors: dict[PaceKey, float], count: int) -> list[Worked]:
    """Return finished quotes of a shop with some factors. Each step is clocked by itself, and a
    group that was done at all may have been forgotten.
    """
    return [_job(random, factors, number) for number in range(1, count + 1)]


def _job(random: Random, factors: dict[PaceKey, float], number: int) -> Worked:
    family = random.choice(FAMILIES)
    steps, times = [], []
    for key in KEYS:
        if key.family != family or random.random() < 0.4:
            continue
        minutes = random.randint(10, 90)
        name = f"{key.group} {key.labour_class}"
        steps.append(
            PlannedStep(
                name=name,
                group=key.group,
                labour_class=key.labour_class,
                minutes=Fraction(minutes),
            )
        )
        if random.random() < 0.9:
            took = minutes * factors[key] * exp(random.gauss(0, NOISE))
            times.append(ClockedTime(group=key.group, step=name, minutes=max(1, round(took))))
    return compare_minutes(number, FamilyId(family), steps, times)


def error(factors: dict[PaceKey, float], used: dict[PaceKey, Fraction]) -> float:
    """Return by what mean factor the estimates of groups are off, less 1."""
    offs = [max(factors[key] / used[key], used[key] / factors[key]) for key in KEYS]
    return sum(map(float, offs)) / len(offs) - 1


def shifted(chance: Fraction, factor: Fraction) -> float:
    """Return a probability with other odds."""
    return float(times_odds(chance, factor))


STUD = ContingencyId("C-STUD")
