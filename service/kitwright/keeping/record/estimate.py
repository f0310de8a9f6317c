"""Records of the shop's own estimates, and catalogues that offers were made with."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.keeping.record.hand import Hand
from kitwright.stages.work import Group


class OwnMinutes(Struct, frozen=True, kw_only=True):
    """The factor of the catalogue's minutes for a group of steps of a labour class, on engines of a
    family.
    """

    family: str
    group: Group
    labour_class: str
    factor: str


class OwnOdds(Struct, frozen=True, kw_only=True):
    """The factor of the catalogue's odds for a contingency."""

    contingency: str
    factor: str


class OwnEstimates(Struct, frozen=True, kw_only=True):
    """The figures of a revision of the shop's estimates: all that differ from the catalogue's."""

    minutes: tuple[OwnMinutes, ...] = ()
    odds: tuple[OwnOdds, ...] = ()


class EstimateKind(StrEnum):
    """What was done to the shop's estimates: a revision was applied, or taken back."""

    applied = "applied"
    taken_back = "taken_back"


class KeptCatalogue(Struct, frozen=True, kw_only=True):
    """A catalogue with its prices that offers were made with, compressed; it never changes."""

    revision: str
    at: datetime
    body: bytes


class EstimateEntry(Struct, frozen=True, kw_only=True):
    """What was done to the shop's estimates; it never changes.

    The number of an entry that applies figures is that of the revision. `since` is the first day of
    quotes that use it. `about` is the revision that is taken back.
    """

    number: int
    kind: EstimateKind
    at: datetime
    hand: Hand
    by: str
    since: date | None = None
    figures: OwnEstimates | None = None
    about: int | None = None
