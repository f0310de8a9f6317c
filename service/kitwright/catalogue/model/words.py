"""The ids and enumerations that records of several files share."""

from __future__ import annotations

from enum import StrEnum
from typing import NewType

from msgspec import Struct

FamilyId = NewType("FamilyId", str)
LayoutId = NewType("LayoutId", str)
ChassisId = NewType("ChassisId", str)
ComponentId = NewType("ComponentId", str)
JobId = NewType("JobId", str)
VisitWorkId = NewType("VisitWorkId", str)
WorkId = NewType("WorkId", str)
DiagnosisCode = NewType("DiagnosisCode", str)
RoleId = NewType("RoleId", str)
ItemId = NewType("ItemId", str)
"""A part, a set or a consumable: the three share one space of numbers."""
SupplierId = NewType("SupplierId", str)
AreaId = NewType("AreaId", str)
ShopId = NewType("ShopId", str)
PriceListId = NewType("PriceListId", str)
ContingencyId = NewType("ContingencyId", str)
HazardId = NewType("HazardId", str)
LabourClass = NewType("LabourClass", str)
ServiceId = NewType("ServiceId", str)
FlagId = NewType("FlagId", str)
OverrunId = NewType("OverrunId", str)
TickId = NewType("TickId", str)
ElementId = NewType("ElementId", str)

LOOSE = ChassisId("loose")
"""Used in place of a chassis: the engine is on the bench, without a machine around it."""

SERIAL_MAX = 9_999_999
"""Serial numbers have seven digits."""


class Record(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The base of every record: immutable, keyword-only, strict about keys."""


class Scope(StrEnum):
    """The extent of a repair; the diagnosis stays the same."""

    least = "least"
    recommended = "recommended"
    thorough = "thorough"


class Quality(StrEnum):
    """The make of a part; `maker` satisfies every floor."""

    maker = "maker"
    alternate = "alternate"


class Grade(StrEnum):
    """The certainty of a diagnosis, most certain first."""

    confirmed = "confirmed"
    probable = "probable"
    possible = "possible"


class Seize(StrEnum):
    """The rust factor that applies to a component's fasteners."""

    none = "none"
    exhaust = "exhaust"
    head = "head"
    shaft = "shaft"


class Per(StrEnum):
    """How often work is done: on each cylinder, or once per visit."""

    cylinder = "cylinder"
    visit = "visit"


class Phase(StrEnum):
    """When work is done: before anything comes off, on the way down, at the bottom, on the way
    back, or once everything is on again.
    """

    arrival = "arrival"
    opening = "opening"
    apart = "apart"
    closing = "closing"
    finish = "finish"


class WorkKind(StrEnum):
    """Whether work changes something, looks at it, or tests it."""

    work = "work"
    check = "check"
    test = "test"


class Where(StrEnum):
    """Where a component comes off if the engine is taken out: on the bench if nothing keeps it in
    the machine, or always in the machine.
    """

    either = "either"
    machine = "machine"


class Side(StrEnum):
    """The side from which a component is reached; a cylinder is a side of its own."""

    none = "none"
    flywheel = "flywheel"
    output = "output"
    under = "under"


class TickKind(StrEnum):
    """The kinds of unbilled steps."""

    check = "check"
    wait = "wait"
    hand_over = "hand_over"


class JobScope(StrEnum):
    """Whether a job or a fault belongs to one cylinder or to the whole engine."""

    cylinder = "cylinder"
    engine = "engine"


class Cylinders(StrEnum):
    """Which cylinders a job reference means."""

    own = "own"
    all = "all"
    one = "one"


class ChargeKind(StrEnum):
    """The kind of charge on a line; tax areas tax by kind. A discount follows the lines it
    reduces.
    """

    part = "part"
    consumable = "consumable"
    labour = "labour"
    sublet = "sublet"
    fee = "fee"
    freight = "freight"
    core = "core"
    discount = "discount"
