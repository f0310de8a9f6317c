"""Request: the counter's request, read and checked, and the errors that refuse it."""

<<<<<<< HEAD
from kitwright.stages.request.bounds import (
    MOST_MINUTES,
    MOST_PACKS,
    BeyondBounds,
    check_amount,
    check_quantity,
)
=======
from kitwright.stages.request.come_back import Cause, ComeBack, Ground, NotInVisit
>>>>>>> main
from kitwright.stages.request.observed import (
    AskedAssessment,
    AskedCylinder,
    AskedFindings,
    AskedGauge,
    AskedReading,
)
from kitwright.stages.request.ordered import Ordered, OrderedPacks
from kitwright.stages.request.refusal import (
    BelowZero,
    CylinderOutOfRange,
    JobDoesNotFit,
    NamedTwice,
    NoDiagnosis,
    PartNotNeeded,
    RequestFault,
    RequestRefused,
    SerialNeeded,
    UnknownBuildCode,
    UnknownFamily,
    UnknownId,
)
from kitwright.stages.request.request import (
    Asked,
    AskedDiagnosis,
    AskedJob,
    Condition,
    Debris,
    Request,
    Rust,
    alike,
    find_chassis,
    read_request,
)
from kitwright.stages.request.terms import (
    CoveredJob,
    CustomerPart,
    Discount,
    Exempt,
    FloorChange,
    FreeLine,
    LineRef,
    MinutesOverride,
    PriceOverride,
    Terms,
)

__all__ = [
    "MOST_MINUTES",
    "MOST_PACKS",
    "Asked",
    "AskedAssessment",
    "AskedCylinder",
    "AskedDiagnosis",
    "AskedFindings",
    "AskedGauge",
    "AskedJob",
    "AskedReading",
    "BelowZero",
<<<<<<< HEAD
    "BeyondBounds",
=======
    "Cause",
    "ComeBack",
>>>>>>> main
    "Condition",
    "CoveredJob",
    "CustomerPart",
    "CylinderOutOfRange",
    "Debris",
    "Discount",
    "Exempt",
    "FloorChange",
    "FreeLine",
    "Ground",
    "JobDoesNotFit",
    "LineRef",
    "MinutesOverride",
    "NamedTwice",
    "NoDiagnosis",
    "NotInVisit",
    "Ordered",
    "OrderedPacks",
    "PartNotNeeded",
    "PriceOverride",
    "Request",
    "RequestFault",
    "RequestRefused",
    "Rust",
    "SerialNeeded",
    "Terms",
    "UnknownBuildCode",
    "UnknownFamily",
    "UnknownId",
    "alike",
    "check_amount",
    "check_quantity",
    "find_chassis",
    "read_request",
]
