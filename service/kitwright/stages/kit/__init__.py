"""Kit: the needs of the work, the parts that fit, and the packs that cover the needs."""

from kitwright.stages.kit.fitment import FitmentError, Fitments
from kitwright.stages.kit.kit import Bought, Brought, Kit, KitPart, choose_kit
from kitwright.stages.kit.lot import Market
from kitwright.stages.kit.need import (
    OIL_FILL,
    Need,
    NeedKey,
    NeedKind,
    RolePlace,
    list_needs,
    needs_by_key,
    with_floors,
)
from kitwright.stages.kit.wanted import Covered

__all__ = [
    "OIL_FILL",
    "Bought",
    "Brought",
    "Covered",
    "FitmentError",
    "Fitments",
    "Kit",
    "KitPart",
    "Market",
    "Need",
    "NeedKey",
    "NeedKind",
    "RolePlace",
    "choose_kit",
    "list_needs",
    "needs_by_key",
    "with_floors",
]
