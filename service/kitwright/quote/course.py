"""Course: one of several ways to put a fault right, and what speaks for which."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from msgspec import Meta, Struct

from kitwright.quote.base import Amount, Count, JobOn, Minutes, Reason
from kitwright.quote.contingency import Contingencies, PriceRange

CourseName = Annotated[
    Literal["least", "recommended", "thorough", "short_block", "engine"],
    Meta(description="The scope of a repair, or what is replaced instead of repairing."),
]


class WarrantyTerms(Struct, frozen=True, kw_only=True):
    """The shop's warranty, beside rights by law: days on labour and on parts of another make, and
    the terms of the maker's parts.
    """

    labour_days: Count
    alternate_parts_days: Count
    maker_parts: str


class Course(Struct, frozen=True, kw_only=True):
    """One course of a quote: a whole repair of the same diagnoses at its own total, with tax if it
    is known. `also` are courses that come to the same jobs.

    `more` is how much more it costs than the advised course; less if negative. `ready_on` is the
    day on which it is ready if it is agreed on the quote's day, null if that is not known.
    `unfixed` are the jobs of better repairs that it leaves out. `reasons` say which better courses
    cost less, and whether another machine does.
    """

    course: CourseName
    also: tuple[CourseName, ...]
    name: str
    is_advised: bool
    jobs: tuple[JobOn, ...]
    minutes: Minutes
    total: Amount
    more: Amount
    parts_by: date | None
    ready_on: date | None
    warranty: WarrantyTerms
    unfixed: tuple[JobOn, ...]
    contingencies: Contingencies | None
    range: PriceRange | None
    reasons: tuple[Reason, ...]


class AnotherMachine(Struct, frozen=True, kw_only=True):
    """Another machine instead of a repair. It is not sold by the quote: who chooses it declines.

    `price` is the figure given for it, `owed` the diagnosis, which no repair gives credit for,
    `total` both. `more` is how much more than the advised course that is; less if negative. `value`
    is what the machine at hand is worth, as it was given. `unfixed` are the jobs that are not done
    then; `reasons` say what this total leaves open.
    """

    name: str
    price: Amount
    owed: Amount
    total: Amount
    more: Amount
    value: Amount
    unfixed: tuple[JobOn, ...]
    reasons: tuple[Reason, ...]


class Advice(Struct, frozen=True, kw_only=True):
    """What speaks for repairing and for replacing, by the shop's thresholds: never a decision.

    `level` is how much the price of the advised course is of the machine's value: within the shop's
    threshold (`none`, also if the value is not known), above it (`consider`) or far above it
    (`strong`). `missing` are the facts of the machine's worth that are still to be asked for.
    """

    level: Literal["none", "consider", "strong"]
    reasons: tuple[Reason, ...]
    missing: tuple[Literal["value", "age_years", "hours"], ...]
    replacement_price: Amount | None
