"""Odds: what the catalogue knows of faults and findings, as a network for one family and its
background.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Final

from msgspec import Struct

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import Background, Catalogue, Diagnosis, Family, Job, JobScope, Scope
from kitwright.solve.belief import Network, Posterior, Seen, Variable
from kitwright.stages.expansion import expand_job
from kitwright.stages.why import place
from kitwright.units import Figure, exact

CERTAIN: Final = 1
"""No set of faults is this probable, so none is listed: the marginals are all that is asked for."""

Placed = tuple[Job, int | None]
"""A job on a cylinder, or on the engine."""


class Candidate(Struct, frozen=True, kw_only=True):
    """A fault that an engine may have: a diagnosis, on a cylinder or on the engine, and the jobs
    of each scope.
    """

    diagnosis: Diagnosis
    cylinder: int | None
    scopes: Mapping[Scope, tuple[Placed, ...]]

    @property
    def key(self) -> str:
        """The instance id, such as `HG-GALLERY@1`."""
        return place(self.diagnosis.code, self.cylinder)


class Odds:
    """The network of a family with a background, and its faults by instance id.

    Diagnoses whose least repair does not fit the family are left out: it lacks their parts.
    """

    def __init__(
        self, catalogue: Catalogue, family: Family, background: Sequence[Background]
    ) -> None:
        rules = catalogue.rules
        self.family = family
        self.candidates = {
            one.key: one
            for diagnosis in rules.diagnosis
            for one in _candidates(catalogue, family, diagnosis)
        }
        variables = {
            place(kind.id, cylinder): Variable(kind.base)
            for kind in rules.finding
            for cylinder in _places(kind.scope, family)
        }
        self.network: Network[str, str] = Network(
            {key: prior_of(one.diagnosis, background) for key, one in self.candidates.items()},
            variables,
            dict(self._links(catalogue)),
            most_faults=rules.most_faults,
        )
        self._alone: dict[Seen[str], Posterior[str, str]] = {}

    def alone(self, seen: Seen[str]) -> Posterior[str, str]:
        """Return what one observation by itself leaves to believe."""
        if seen not in self._alone:
            self._alone[seen] = self.network.posterior([seen], CERTAIN)
        return self._alone[seen]

    def _links(self, catalogue: Catalogue) -> Iterator[tuple[tuple[str, str], tuple[Figure, ...]]]:
        """Yield the links: a fault of a cylinder speaks of its own cylinder and of the engine, one
        of the engine of every cylinder.
        """
        scopes = {kind.id: kind.scope for kind in catalogue.rules.finding}
        for key, one in self.candidates.items():
            for name, shares in _links_on(one.diagnosis, self.family).items():
                for cylinder in _places(scopes[name], self.family):
                    if one.cylinder is None or cylinder is None or cylinder == one.cylinder:
                        yield (key, place(name, cylinder)), shares


def prior_of(diagnosis: Diagnosis, background: Sequence[Background]) -> Fraction:
    """Return the prior of a diagnosis, its odds multiplied by what is known of the machine."""
    prior = exact(diagnosis.prior)
    odds = prior / (1 - prior)
    for row in background:
        factor = row.multiply_odds.get(diagnosis.code)
        if factor is not None:
            odds *= exact(factor)
    return odds / (1 + odds)


def _candidates(catalogue: Catalogue, family: Family, diagnosis: Diagnosis) -> Iterator[Candidate]:
    if not all(
        job_fits(catalogue, family, catalogue.jobs[one.job]) for one in diagnosis.scopes.least
    ):
        return
    for cylinder in _places(diagnosis.scope, family):
        scopes = {
            scope: tuple(
                {
                    (job.id, on): (job, on)
                    for one in diagnosis.scopes.of(scope)
                    for job, on in expand_job(
                        catalogue, one.job, one.cylinders, cylinder, family.cylinders
                    )
                }.values()
            )
            for scope in Scope
        }
        yield Candidate(diagnosis=diagnosis, cylinder=cylinder, scopes=scopes)


def _places(scope: JobScope, family: Family) -> tuple[int | None, ...]:
    return (None,) if scope is JobScope.engine else tuple(range(1, family.cylinders + 1))


def _links_on(diagnosis: Diagnosis, family: Family) -> Mapping[str, tuple[Figure, ...]]:
    links = dict(diagnosis.links)
    for one in diagnosis.links_if:
        if one.flag in family.flags:
            links |= one.links
    return links
