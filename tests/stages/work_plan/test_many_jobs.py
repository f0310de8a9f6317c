"""Work plans of many jobs at once, on engines of the starter catalogue: valid, and proven least."""

from random import Random

import pytest
from tests.stages.work_plan.visits import planned
from tests.stages.workbench import starter

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import Family, JobScope

STEPS = 60
"""Some of these plans have at least so many steps."""


def _named(family: Family) -> list[tuple[str, int | None]]:
    return [
        (job.id, cylinder)
        for job in starter().jobs.values()
        if job_fits(starter(), family, job)
        for cylinder in (
            (None,) if job.scope is JobScope.engine else range(1, family.cylinders + 1)
        )
    ]


@pytest.mark.parametrize("name", starter().families)
def test_work_plan_of_many_jobs_is_valid_and_proven_least(name: str) -> None:
    family = starter().families[name]  # type: ignore[index]
    chance = Random(name)
    carriers = [one.id for one in starter().chassis.values() if family.layout in one.layouts]
    longest = 0

    for _ in range(25):
        jobs = chance.sample(_named(family), chance.randint(3, 8))
        around = chance.choice([None, *carriers])
        sound = frozenset(chance.sample([1, 2], chance.randint(0, 2)))
        found = planned(family.id, around, *jobs, sound=sound)
        assert found.wrong() == (), jobs
        # the gap between the changes and the fewest possible ones
        assert found.plan.is_least, jobs
        longest = max(longest, len(found.names))
    assert longest >= STEPS
