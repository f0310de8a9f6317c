"""Kit: what the work needs, which part fits, and the packs that cover it."""

from kitwright.stages.kit.fitment import FitmentError
from kitwright.stages.kit.kit import Bought, Brought, Kit, choose_kit
from kitwright.stages.kit.lot import Market
from kitwright.stages.kit.need import OIL_FILL, Need, NeedKind, RolePlace, list_needs, with_floors
from kitwright.stages.kit.wanted import Covered

__all__ = [
    "OIL_FILL",
    "Bought",
    "Brought",
    "Covered",
    "FitmentError",
    "Kit",
    "Market",
    "Need",
    "NeedKind",
    "RolePlace",
    "choose_kit",
    "list_needs",
    "with_floors",
]
