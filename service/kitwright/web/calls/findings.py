"""Findings on the wire: structs of findings at the bench, and their conversion to the core's
values.
"""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta, field

from kitwright.catalogue.model import FamilyId
from kitwright.stages.request import AskedAssessment, AskedFindings
from kitwright.units import PressureUnit
from kitwright.web.edge.shapes import Cylinder, DecimalIn, Id, Wire

Pressure = Annotated[DecimalIn, Meta(description="The value as read, in `unit`.", examples=["80"])]
Levels = Annotated[
    dict[Id, Id],
    Meta(
        max_length=100,
        description="Level by finding. Left out: not examined, which is not the same as normal.",
        examples=[{}],
    ),
]


class ReadingIn(Wire, frozen=True, kw_only=True):
    """Both gauges of one leak-down reading. The value depends on the tester's orifice: readings of
    different testers are not comparable.
    """

    supply: Pressure
    in_cylinder: Pressure
    unit: PressureUnit = PressureUnit.psi
    orifice_mm: DecimalIn | None = None
    is_warm: Annotated[
        bool | None, Meta(description="Whether the engine was warm; null: not stated.")
    ] = field(default=None, name="warm")


class GaugeIn(Wire, frozen=True, kw_only=True):
    """A value of another gauge, by the reading's id in the catalogue, such as `cranking_psi`."""

    reading: Id
    value: Pressure
    unit: PressureUnit = PressureUnit.psi


class CylinderIn(Wire, frozen=True, kw_only=True):
    """The findings of one cylinder."""

    cylinder: Cylinder
    leakdown: Annotated[
        ReadingIn | Annotated[tuple[ReadingIn, ...], Meta(max_length=20)] | None,
        Meta(description="One reading, or all in the order taken: the last two valid ones decide."),
    ] = None
    gauges: Annotated[tuple[GaugeIn, ...], Meta(max_length=20)] = ()
    findings: Levels = {}

    @property
    def has_list(self) -> bool:
        """Whether the readings are given as a list."""
        return not isinstance(self.leakdown, ReadingIn)

    @property
    def readings(self) -> tuple[ReadingIn, ...]:
        """The leak-down readings in the order taken."""
        taken = self.leakdown
        return (taken,) if isinstance(taken, ReadingIn) else taken or ()


Backgrounds = Annotated[
    tuple[Id, ...],
    Meta(max_length=20, description="Facts known about the machine beforehand, by id."),
]
Cylinders = Annotated[tuple[CylinderIn, ...], Meta(max_length=20)]


class FindingsIn(Wire, frozen=True, kw_only=True):
    """The findings of one engine."""

    background: Backgrounds = ()
    engine: Levels = {}
    cylinders: Cylinders = ()


class AssessmentIn(Wire, frozen=True, kw_only=True):
    """An engine family and the findings of one engine of it."""

    family: Id
    background: Backgrounds = ()
    engine: Levels = {}
    cylinders: Cylinders = ()
    language: Annotated[
        Id | None, Meta(description="The language of the answer; null: the shop's.")
    ] = None

    def asked(self) -> AskedAssessment:
        """Return the request as a value of the core."""
        findings = msgspec.convert(self, AskedFindings, from_attributes=True)
        return AskedAssessment(family=FamilyId(self.family), findings=findings)
