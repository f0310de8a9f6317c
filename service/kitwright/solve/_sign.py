"""Signs: observations with all that may have driven them there."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


class Sign(NamedTuple):
    """An observation: how likely its level, and all lower ones, are without a fault, and
    as each linked fault alone drives it (by place).
    """

    base: tuple[float, float]
    links: Mapping[int, tuple[float, float]]

    def alone(self, place: int) -> float:
        """Return the chance of the level with one of the faults and no other."""
        (level, lower), (driven, below) = self.base, self.links[place]
        return level * (driven + below) + lower * driven

    def weight(self) -> float:
        """Return how many times likelier a fault makes it, at the most."""
        base = self.base[0] or 1e-300
        return max(self.alone(place) / base for place in self.links)


def tempered(chances: Sequence[float], power: float) -> list[float]:
    """Return a distribution flattened by a power below one, scaled to a sum of one."""
    raised = [chance**power if chance else 0.0 for chance in chances]
    whole = sum(raised)
    return [chance / whole for chance in raised]
