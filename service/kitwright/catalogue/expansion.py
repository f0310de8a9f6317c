"""Expansion: the jobs that a reference means, one for each cylinder."""

from __future__ import annotations

from kitwright.catalogue.model import Catalogue, Cylinders, Job, JobId, JobScope


def expand_job(
    catalogue: Catalogue,
    job_id: JobId,
    cylinders: Cylinders | None,
    own: int | None,
    count: int,
) -> tuple[tuple[Job, int | None], ...]:
    """Return the jobs that a reference means on an engine of `count` cylinders, each with its
    cylinder.

    `own` is the cylinder of the referring record. If that applies to the engine, `own` and `one`
    mean cylinder 1. An engine job has None as its cylinder.
    """
    job = catalogue.jobs[job_id]
    if job.scope is JobScope.engine:
        return ((job, None),)
    if cylinders is Cylinders.all:
        return tuple((job, cylinder) for cylinder in range(1, count + 1))
    if cylinders is Cylinders.one or own is None:
        return ((job, 1),)
    return ((job, own),)
