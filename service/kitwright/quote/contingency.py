"""Contingency: what may turn up, and what repairs may follow a test."""

from __future__ import annotations

from msgspec import Struct

from kitwright.quote.assessment import Chance
from kitwright.quote.base import Amount, JobOn, Minutes, MoreMinutes, OnCylinder
from kitwright.quote.kit import Cover


class PossibleFault(Struct, frozen=True, kw_only=True):
    """A fault that findings leave in play, with its probability."""

    code: str
    name: str
    cylinder: OnCylinder | None
    probability: Chance


class PossibleRepair(Struct, frozen=True, kw_only=True):
    """A repair that may follow, and the faults that it would cure: its price as a visit of its
    own, tax included where known, and its billed minutes.
    """

    faults: tuple[PossibleFault, ...]
    jobs: tuple[JobOn, ...]
    price: Amount
    minutes: Minutes


class Contingency(Struct, frozen=True, kw_only=True):
    """Something that teardown may show, with the jobs and the parts that it adds, and what the
    whole visit costs and takes more with them on all its machines, tax included where it is known.

    `cylinder` is null where nobody knows which. `after` (on `after_cylinder`) is what has to turn
    up before it, null where nothing has to: then `probability` is that of both, and `price` and
    `minutes` are what this adds to the visit with that. `likely` is true from the probability on
    that the shop calls possible.
    """

    contingency: str
    name: str
    cylinder: OnCylinder | None
    after: str | None
    after_cylinder: OnCylinder | None
    plain: str
    probability: Chance
    likely: bool
    jobs: tuple[JobOn, ...]
    parts: tuple[Cover, ...]
    price: Amount
    minutes: MoreMinutes

    @property
    def place(self) -> tuple[str, int | None]:
        """What tells it from others of the list."""
        return self.contingency, self.cylinder

    @property
    def under(self) -> tuple[str, int | None] | None:
        """The place of what has to turn up before it, None where nothing has to."""
        return None if self.after is None else (self.after, self.after_cylinder)


class Contingencies(Struct, frozen=True, kw_only=True):
    """What may turn up, the most probable first; and what the quote comes to as it stands, with
    all that is likely, and with the dearest combination of the list (`worst`), which is no limit.

    What turns up is priced as computed, without discounts and changes by hand. In `worst`, what
    those take off jobs that may be replaced is not counted on.
    """

    each: tuple[Contingency, ...]
    as_quoted: Amount
    likely: Amount
    worst: Amount
