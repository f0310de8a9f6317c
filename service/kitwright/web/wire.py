"""Requests on the wire: strict shapes, and the values of the core that they come to."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from msgspec import UNSET, Meta, Struct, UnsetType

from kitwright.catalogue.model import (
    SERIAL_MAX,
    AreaId,
    ChassisId,
    DiagnosisCode,
    FamilyId,
    JobId,
    Scope,
)
from kitwright.stages.request import (
    Asked,
    AskedDiagnosis,
    AskedJob,
    Condition,
    Debris,
    Rust,
)

Id = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$",
        description="An id of the catalogue.",
    ),
]
Cylinder = Annotated[int, Meta(ge=1, le=99, description="Cylinders count from 1.")]


class Wire(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The base of every request struct."""


class DiagnosisIn(Wire, frozen=True, kw_only=True):
    """A diagnosis; with its cylinder where it is one of a cylinder."""

    code: Id
    cylinder: Cylinder | None = None


class JobIn(Wire, frozen=True, kw_only=True):
    """A job; with its cylinder where it is one of a cylinder."""

    job: Id
    cylinder: Cylinder | None = None


class ConditionIn(Wire, frozen=True, kw_only=True):
    """The state of the machine, as far as it changes the work."""

    rust: Rust = Rust.none
    debris: Debris = Debris.none
    previous_work: bool = False


Jobs = Annotated[tuple[JobIn, ...], Meta(max_length=50)]


class PreviewIn(Wire, frozen=True, kw_only=True):
    """What the counter asks for: an engine, what was found on it or what is to be done, and the
    circumstances.

    `tax_area` left out means the shop's own, null means that it is not known; `on` left out
    means today in the shop's time zone.
    """

    family: Id
    serial: Annotated[int, Meta(ge=0, le=SERIAL_MAX)] | None = None
    build_code: Annotated[str, Meta(pattern="^[0-9]{4}$", max_length=4)] | None = None
    chassis: Id | None = None
    diagnoses: Annotated[tuple[DiagnosisIn, ...], Meta(max_length=50)] = ()
    jobs: Jobs = ()
    scope: Scope = Scope.recommended
    add_jobs: Jobs = ()
    leave_out: Jobs = ()
    condition: ConditionIn = ConditionIn()
    diagnostic_done: bool = False
    on: date | None = None
    needed_by: date | None = None
    tax_area: Id | UnsetType | None = UNSET
    language: Id | None = None

    def asked(self, today: date) -> Asked:
        """Return the request as a value of the core, of `today` where it names no day."""
        area = self.tax_area
        return Asked(
            family=FamilyId(self.family),
            on=self.on or today,
            serial=self.serial,
            build_code=self.build_code,
            chassis=None if self.chassis is None else ChassisId(self.chassis),
            diagnoses=tuple(
                AskedDiagnosis(DiagnosisCode(each.code), each.cylinder) for each in self.diagnoses
            ),
            jobs=_jobs(self.jobs),
            scope=self.scope,
            add_jobs=_jobs(self.add_jobs),
            leave_out=_jobs(self.leave_out),
            condition=Condition(
                rust=self.condition.rust,
                debris=self.condition.debris,
                previous_work=self.condition.previous_work,
            ),
            diagnostic_done=self.diagnostic_done,
            needed_by=self.needed_by,
            tax_area=AreaId(area) if isinstance(area, str) else area,
        )


def _jobs(jobs: tuple[JobIn, ...]) -> tuple[AskedJob, ...]:
    return tuple(AskedJob(JobId(each.job), each.cylinder) for each in jobs)
