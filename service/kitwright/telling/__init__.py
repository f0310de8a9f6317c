"""Telling: turns the results of the flow into a quote or an assessment in one language."""

from kitwright.telling.assessment import tell_assessment
from kitwright.telling.kit import tell_covers, tell_order
from kitwright.telling.plan import tell_plan
from kitwright.telling.price import tell_line_taxes, tell_taxes
from kitwright.telling.whole import tell_quote

__all__ = [
    "tell_assessment",
    "tell_covers",
    "tell_line_taxes",
    "tell_order",
    "tell_plan",
    "tell_quote",
    "tell_taxes",
]
