"""Contingency: faults that teardown may show, and repairs that may follow a test."""

from __future__ import annotations

from msgspec import Struct

from kitwright.quote.assessment import Chance
from kitwright.quote.base import Amount, JobOn, Minutes, MoreMinutes, OnCylinder
from kitwright.quote.kit import Cover


class PossibleFault(Struct, frozen=True, kw_only=True):
    """A fault that is still possible after the findings, with its probability."""

    code: str
    name: str
    cylinder: OnCylinder | None
    probability: Chance


class PossibleRepair(Struct, frozen=True, kw_only=True):
    """A repair that may follow, and the faults that it would fix. `price` and billed `minutes` are
    those of a separate visit; the price includes tax if the tax is known.
    """

    faults: tuple[PossibleFault, ...]
    jobs: tuple[JobOn, ...]
    price: Amount
    minutes: Minutes


class Contingency(Struct, frozen=True, kw_only=True):
    """A fault that teardown may show, with the jobs and parts that it adds.

    `price` and `minutes` are the extra cost and billed minutes of the entire visit, for all
    machines; the price includes tax if the tax is known. `cylinder` is null if it is not known
    which. `after` (on `after_cylinder`) is the contingency that has to be found first, or null. If
    there is one, `probability` is that of both, and `price` and `minutes` are added to a visit that
    already includes it. `likely` is true if the probability reaches the shop's grade "possible".
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
        """The contingency's id and cylinder, which identify it within the list."""
        return self.contingency, self.cylinder

    @property
    def under(self) -> tuple[str, int | None] | None:
        """The `place` of the contingency that has to be found first, None if there is none."""
        return None if self.after is None else (self.after, self.after_cylinder)


class Contingencies(Struct, frozen=True, kw_only=True):
    """The faults that teardown may show, most probable first, and three totals of the quote.

    `as_quoted` is the total without any of them, `likely` the total with all that are likely, and
    `worst` the total with the most expensive combination of the list. `worst` is not a limit.
    Discounts and manual changes count, unless they name jobs, lines or parts that are not there any
    more once a contingency is found: then those of this quote alone lapse, and the price says it.
    """

    each: tuple[Contingency, ...]
    as_quoted: Amount
    likely: Amount
    worst: Amount


class ChanceOver(Struct, frozen=True, kw_only=True):
    """The probability that the final total exceeds a limit."""

    limit: Amount
    chance: Chance


class PriceRange(Struct, frozen=True, kw_only=True):
    """How the final total is distributed, over the contingencies that are listed.

    `p80` is the total that is not exceeded in at least 80 of 100 such visits. `dearest_listed` is
    the total with the most expensive combination of the list; a fault that is not listed could cost
    more. `chance_over` has the total as quoted, and higher limits that one may agree to.

    Combinations are priced from the most probable on. `estimated` is the probability of those that
    were not: they count as the sum of what each item adds, or, if they are rarer still, as the
    dearest listed. With zero, all figures are exact.
    """

    expected: Amount
    p50: Amount
    p80: Amount
    p90: Amount
    p95: Amount
    dearest_listed: Amount
    chance_over: tuple[ChanceOver, ...]
    estimated: Chance
