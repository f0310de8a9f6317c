"""Hosts: the jobs of a repair beside which an optional job is worth doing."""

from __future__ import annotations

from collections.abc import Mapping

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import job_fits
from kitwright.flow import find_work
from kitwright.stages.request import Asked, read_request
from kitwright.stages.work import Operation, OperationKey, choose_jobs
from kitwright.workshop import Workshop


def find_hosts(workshop: Workshop, asked: Asked) -> Mapping[OperationKey, tuple[Operation, ...]]:
    """Return the jobs of a request beside which each optional job is worth doing, by that job and
    its cylinder.

    Raises: RequestRefused.
    """
    catalogue = workshop.catalogue
    request = read_request(catalogue, workshop.shop, find_work(workshop, asked).asked)
    hosts: dict[OperationKey, tuple[Operation, ...]] = {}
    for operation in choose_jobs(catalogue, request).operations:
        for beside in operation.job.while_apart:
            if not job_fits(catalogue, request.family, catalogue.jobs[beside.job]):
                continue
            for job, cylinder in expand_job(
                catalogue,
                beside.job,
                beside.cylinders,
                operation.cylinder,
                request.family.cylinders,
            ):
                key = job.id, cylinder or 0
                hosts[key] = (*hosts.get(key, ()), operation)
    return hosts
