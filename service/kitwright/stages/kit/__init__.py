"""Kit: the needs of the work, the parts that fit, and the packs that cover the needs."""

from kitwright.stages.kit.fitment import FitmentError, Fitments
from kitwright.stages.kit.kit import Kit, choose_kit, first_day_of
from kitwright.stages.kit.market import Market
from kitwright.stages.kit.need import (
    OIL_FILL,
    Need,
    NeedKind,
    Needs,
    RolePlace,
    with_floors,
)
from kitwright.stages.kit.part import Bought, Brought, FromStock, KitPart
from kitwright.stages.kit.wanted import Covered

__all__ = [
    "OIL_FILL",
    "Bought",
    "Brought",
    "Covered",
    "FitmentError",
    "Fitments",
    "FromStock",
    "Kit",
    "KitPart",
    "Market",
    "Need",
    "NeedKind",
    "Needs",
    "RolePlace",
    "choose_kit",
    "first_day_of",
    "with_floors",
]
