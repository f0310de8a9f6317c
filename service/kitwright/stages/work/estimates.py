"""Estimates: how a shop's own minutes and odds differ from the catalogue's. Minutes differ by
engine family, group of steps and labour class, odds by contingency.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Final, Literal

from msgspec import Struct

from kitwright.catalogue.model import ContingencyId, FamilyId, LabourClass, WorkKind

Group = Literal["teardown", "work", "refit", "test", "hand_over"]
"""A group of steps."""
TEARDOWN: Final = "teardown"
REFIT: Final = "refit"
GROUP_OF: Final[Mapping[str, Group]] = {
    "remove": TEARDOWN,
    "hold": TEARDOWN,
    "work": "work",
    "release": REFIT,
    "refit": REFIT,
    "refill": REFIT,
    "check": "test",
    "test": "test",
    "wait": "hand_over",
    "hand_over": "hand_over",
}
"""Kind of a step -> its group of steps."""


class PaceKey(Struct, frozen=True, order=True):
    """The minutes that one factor is for: the steps of a group that a labour class does on engines
    of a family.
    """

    family: FamilyId
    group: Group
    labour_class: LabourClass


class FamilyPace(Struct, frozen=True):
    """The factors of one engine family, by group of steps and labour class; 1 if there is none."""

    factors: Mapping[tuple[Group, LabourClass], Fraction]

    def factor(self, group: Group, labour_class: LabourClass) -> Fraction:
        """Return by what the catalogue's minutes of a group are multiplied."""
        return self.factors.get((group, labour_class), _AS_IT_IS)

    def minutes(self, minutes: int, kind: WorkKind, labour_class: LabourClass) -> Fraction:
        """Return the exact minutes of work that has some in the catalogue."""
        return minutes * self.factor(GROUP_OF[kind.value], labour_class)


_AS_IT_IS: Final = Fraction(1)
CATALOGUE_PACE: Final = FamilyPace({})
"""The catalogue's minutes as they are."""


class Estimates(Struct, frozen=True, kw_only=True):
    """A revision of a shop's estimates: its number, None for the catalogue's, the factors of the
    catalogue's minutes, and those of the odds of contingencies.
    """

    revision: int | None = None
    factors: Mapping[PaceKey, Fraction] = {}
    odds: Mapping[ContingencyId, Fraction] = {}

    def of_family(self, family: FamilyId) -> FamilyPace:
        """Return the factors of one engine family."""
        return FamilyPace(
            {
                (key.group, key.labour_class): factor
                for key, factor in self.factors.items()
                if key.family == family
            }
        )

    def chance(self, contingency: ContingencyId, chance: Fraction) -> Fraction:
        """Return the probability of a contingency to which the catalogue gives one."""
        return times_odds(chance, self.odds.get(contingency, _AS_IT_IS))


CATALOGUE: Final = Estimates()
"""The catalogue's estimates as they are."""


def times_odds(chance: Fraction, factor: Fraction) -> Fraction:
    """Return the probability whose odds are those of another one times a factor above 0."""
    return chance * factor / (1 - chance + chance * factor)
