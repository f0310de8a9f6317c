"""Sellable jobs, what may turn up, and cautions."""

from __future__ import annotations

from enum import StrEnum

from msgspec import field

from kitwright.catalogue.model.teardown import (
    Work,
)
from kitwright.catalogue.model.words import (
    ContingencyId,
    Cylinders,
    HazardId,
    JobId,
    JobScope,
    Record,
    ServiceId,
    VisitWorkId,
)
from kitwright.units import Figure


class JobRef(Record, frozen=True, kw_only=True):
    """A job on some cylinders; `cylinders` is left out where the job is an engine job."""

    job: JobId
    cylinders: Cylinders | None = None


class WhileApart(Record, frozen=True, kw_only=True):
    """A job worth offering beside another one, with the reason and how warmly."""

    job: JobId
    reason: str
    default: OfferAs
    cylinders: Cylinders | None = None


class OfferAs(StrEnum):
    """How warmly an optional job is put to the customer."""

    offer = "offer"
    recommend = "recommend"


class Condition(Record, frozen=True, kw_only=True):
    """Something that may hold: a finding at one of some levels, a background, or the machine's
    state.
    """

    finding: str | None = None
    context: str | None = None
    condition: str | None = None
    levels: tuple[str, ...] = field(default=(), name="in")


class Addition(Record, frozen=True, kw_only=True):
    """What a contingency adds: a job reference, or a role."""

    job: JobId | None = None
    cylinders: Cylinders | None = None
    role: str | None = None


class Contingency(Record, frozen=True, kw_only=True):
    """What teardown may show: probability 0..1, raised where any condition of `raised_by`
    holds, and what it adds.
    """

    id: ContingencyId
    probability: Figure
    add: tuple[Addition, ...]
    raised_by: tuple[Condition, ...] = ()
    raised_probability: Figure | None = None


class ContingencyKind(Record, frozen=True, kw_only=True):
    """Something that teardown may show: its name, and what it means in a customer's words."""

    id: ContingencyId
    name: str
    plain: str


class Job(Record, frozen=True, kw_only=True):
    """A sellable operation: what must be apart, what is renewed and done there, what may turn
    up.
    """

    id: JobId
    name: str
    scope: JobScope
    access: tuple[str, ...]
    replaces: tuple[str, ...] = ()
    work: tuple[Work, ...] = ()
    visit: tuple[VisitWorkId, ...] = ()
    sublet: ServiceId | None = None
    is_credited_to_repair: bool = False
    supersedes: tuple[JobId, ...] = ()
    while_apart: tuple[WhileApart, ...] = ()
    contingency: tuple[Contingency, ...] = ()
    note: str = ""


class Hazard(Record, frozen=True, kw_only=True):
    """A caution with a code; the maker's manual and local rules come first."""

    id: HazardId
    title: str
    text: str
