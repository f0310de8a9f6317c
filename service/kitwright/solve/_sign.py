"""Signs: observations with their possible causes."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


class Sign(NamedTuple):
    """An observation: the chances of its level and of all lower levels, without a fault and with
    each linked fault alone (by place).
    """

    base: tuple[float, float]
    links: Mapping[int, tuple[float, float]]

    def alone(self, place: int) -> float:
        """Return the chance of the level with one of the faults alone."""
        (level, lower), (driven, below) = self.base, self.links[place]
        return level * (driven + below) + lower * driven

    def weight(self) -> float:
        """Return the greatest factor by which a fault makes the observation more likely."""
        base = self.base[0] or 1e-300
        return max(self.alone(place) / base for place in self.links)


def tempered(chances: Sequence[float], power: float) -> list[float]:
    """Return a distribution with each chance raised to a power, scaled to a sum of one."""
    raised = [chance**power if chance else 0.0 for chance in chances]
    whole = sum(raised)
    return [chance / whole for chance in raised]
