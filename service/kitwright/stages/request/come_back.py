"""Come-back: a machine that was repaired here before and is back, and what the shop says of it."""

from __future__ import annotations

from datetime import date
from enum import StrEnum

from msgspec import Struct

from kitwright.catalogue.model import ItemId
from kitwright.stages.request.refusal import RequestFault
from kitwright.stages.request.terms import CoveredJob


class BackCause(StrEnum):
    """The cause of a come-back: a part that the shop sold, its work, or another fault."""

    part = "part"
    work = "work"
    new_fault = "new_fault"


class Ground(StrEnum):
    """Why the shop bears a come-back, or does not, or does not know yet."""

    not_settled = "not-settled"
    new_fault = "new-fault"
    work_in_time = "work-in-time"
    work_too_late = "work-too-late"
    part_in_time = "part-in-time"
    part_too_late = "part-too-late"
    part_of_customer = "part-of-customer"

    @property
    def is_covered(self) -> bool:
        """Whether the shop bears it."""
        return self in (Ground.work_in_time, Ground.part_in_time)


class ComeBack(Struct, frozen=True, kw_only=True):
    """A visit that follows an earlier one, as judged by the shop's warranty.

    `visit` names the earlier one, which was handed over on `since`, None if the machine was not
    collected. The machine came back `on` a day. `until` is the last day of the warranty in
    question, None if no day is known. `jobs` are those that the cause concerns, empty for all of
    the visit. `part` is the part that failed. `reason` and `by` say why the cause was settled so,
    and who did.
    """

    visit: str
    since: date | None
    on: date
    ground: Ground
    cause: BackCause | None = None
    until: date | None = None
    jobs: tuple[CoveredJob, ...] = ()
    part: ItemId | None = None
    reason: str | None = None
    by: str | None = None


class NotInVisit(RequestFault):
    """A job that the cause concerns and that the visit does not have."""

    code = "job-not-in-visit"

    def __init__(self, job: CoveredJob, there: tuple[str, ...]) -> None:
        on = "" if job.cylinder is None else f" on cylinder {job.cylinder}"
        super().__init__(f"the visit has no job {job.job}{on}; it has {', '.join(there)}")
        self.job = job.job
        self.cylinder = job.cylinder
