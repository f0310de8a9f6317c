"""Jobs for sale, contingencies and cautions."""

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
    """A job on some cylinders; an engine job has no `cylinders`."""

    job: JobId
    cylinders: Cylinders | None = None


class WhileApart(Record, frozen=True, kw_only=True):
    """A job worth offering together with another one, with the reason and the strength of the
    offer.
    """

    job: JobId
    reason: str
    default: OfferAs
    cylinders: Cylinders | None = None


class OfferAs(StrEnum):
    """How strongly an optional job is recommended to the customer."""

    offer = "offer"
    recommend = "recommend"


class Condition(Record, frozen=True, kw_only=True):
    """A condition: a `finding` at one of some levels, a background (`context`), or the machine's
    `condition` at one of some levels.
    """

    finding: str | None = None
    context: str | None = None
    condition: str | None = None
    levels: tuple[str, ...] = field(default=(), name="in")


class Addition(Record, frozen=True, kw_only=True):
    """The addition of a contingency: a job reference, or a role."""

    job: JobId | None = None
    cylinders: Cylinders | None = None
    role: str | None = None


class Contingency(Record, frozen=True, kw_only=True):
    """A fault that teardown may show: its probability (0..1), raised if any condition of
    `raised_by` holds, and its additions.
    """

    id: ContingencyId
    probability: Figure
    add: tuple[Addition, ...]
    raised_by: tuple[Condition, ...] = ()
    raised_probability: Figure | None = None


class ContingencyKind(Record, frozen=True, kw_only=True):
    """A kind of fault that teardown may show: its name, and its meaning in a customer's words.

    `seen_at` names the components at whose removal it may be seen, and the work that may show it.
    Of the kinds with the same `one_of`, at most one is found on a cylinder.
    """

    id: ContingencyId
    name: str
    plain: str
    one_of: str | None = None
    seen_at: tuple[str, ...] = ()


class Replacement(StrEnum):
    """What a job replaces instead of repairing it: the short block, or the complete engine."""

    short_block = "short_block"
    engine = "engine"


class Job(Record, frozen=True, kw_only=True):
    """An operation for sale: its access, the roles replaced and work done there, and its
    contingencies.

    `safety` says, in a customer's words, why a customer can't leave it out; empty: nothing unsafe
    follows from leaving it out. `replacement` says that the job is a course of its own beside
    repairs; `is_before_tests` that what comes off for it alone is on again before the engine is
    tested, and before anything else comes off.
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
    is_before_tests: bool = False
    supersedes: tuple[JobId, ...] = ()
    while_apart: tuple[WhileApart, ...] = ()
    contingency: tuple[Contingency, ...] = ()
    note: str = ""
    safety: str = ""
    replacement: Replacement | None = None


class Hazard(Record, frozen=True, kw_only=True):
    """A caution with a code; the maker's manual and local rules take precedence."""

    id: HazardId
    title: str
    text: str
