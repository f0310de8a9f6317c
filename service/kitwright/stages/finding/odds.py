"""Odds: the catalogue's faults and findings as a network, for one family and its background."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import (
    Background,
    Catalogue,
    Diagnosis,
    Family,
    Job,
    JobRef,
    JobScope,
    Scope,
)
from kitwright.solve.belief import Network, Posterior, Seen, Variable
from kitwright.stages.why import place
from kitwright.units import Figure, exact

Placed = tuple[Job, int | None]
"""A job on a cylinder, or on the engine."""


class Candidate(Struct, frozen=True, kw_only=True):
    """A fault that an engine may have: a diagnosis, on a cylinder or on the engine, and the jobs
    of each scope. A scope has no jobs if one of them does not fit the family.
    """

    diagnosis: Diagnosis
    cylinder: int | None
    scopes: Mapping[Scope, tuple[Placed, ...]]

    @property
    def key(self) -> str:
        """The instance id, such as `HG-GALLERY@1`."""
        return place(self.diagnosis.code, self.cylinder)

    @property
    def has_repair(self) -> bool:
        """Whether there is a job for it here."""
        return bool(self.scopes[Scope.least])

    def is_told_by(self, finding: str, cylinder: int | None) -> bool:
        """Return whether a finding at a place is linked to this fault by the catalogue."""
        is_here = None in (cylinder, self.cylinder) or cylinder == self.cylinder
        return is_here and finding in self.diagnosis.links


class Odds:
    """The network of a family with a background, and its faults by instance id.

    Faults without a job are included; if they were left out, other faults would seem more probable.
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
        )
        self._alone: dict[Seen[str], Posterior[str, str]] = {}

    def alone(self, seen: Seen[str]) -> Posterior[str, str]:
        """Return the posterior from one observation alone."""
        if seen not in self._alone:
            self._alone[seen] = self.network.posterior([seen])
        return self._alone[seen]

    def _links(self, catalogue: Catalogue) -> Iterator[tuple[tuple[str, str], tuple[Figure, ...]]]:
        """Yield the links: a fault of a cylinder affects findings of that cylinder and of the
        engine, a fault of the engine affects those of every cylinder too.
        """
        scopes = {kind.id: kind.scope for kind in catalogue.rules.finding}
        for key, one in self.candidates.items():
            for name, shares in _links_on(one.diagnosis, self.family).items():
                for cylinder in _places(scopes[name], self.family):
                    if one.cylinder is None or cylinder is None or cylinder == one.cylinder:
                        yield (key, place(name, cylinder)), shares


def prior_of(diagnosis: Diagnosis, background: Sequence[Background]) -> Fraction:
    """Return the prior probability of a diagnosis; the background multiplies its odds."""
    prior = exact(diagnosis.prior)
    odds = prior / (1 - prior)
    for row in background:
        factor = row.multiply_odds.get(diagnosis.code)
        if factor is not None:
            odds *= exact(factor)
    return odds / (1 + odds)


def _candidates(catalogue: Catalogue, family: Family, diagnosis: Diagnosis) -> Iterator[Candidate]:
    for cylinder in _places(diagnosis.scope, family):
        scopes = {
            scope: tuple(_jobs_of(catalogue, family, diagnosis.scopes.of(scope), cylinder))
            for scope in Scope
        }
        yield Candidate(diagnosis=diagnosis, cylinder=cylinder, scopes=scopes)


def _jobs_of(
    catalogue: Catalogue, family: Family, named: Sequence[JobRef], cylinder: int | None
) -> Iterable[Placed]:
    """Return the jobs of a scope, each once; empty if one of them does not fit the family."""
    if not all(job_fits(catalogue, family, catalogue.jobs[one.job]) for one in named):
        return ()
    return {
        (job.id, on): (job, on)
        for one in named
        for job, on in expand_job(catalogue, one.job, one.cylinders, cylinder, family.cylinders)
    }.values()


def _places(scope: JobScope, family: Family) -> tuple[int | None, ...]:
    return (None,) if scope is JobScope.engine else tuple(range(1, family.cylinders + 1))


def _links_on(diagnosis: Diagnosis, family: Family) -> Mapping[str, tuple[Figure, ...]]:
    links = dict(diagnosis.links)
    for one in diagnosis.links_if:
        if one.flag in family.flags:
            links |= one.links
    return links
