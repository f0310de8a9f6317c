"""Work: the jobs of a quote, the components to remove for them, and the minutes of labour."""

from __future__ import annotations

from msgspec import Struct

from kitwright.quote.base import Amount, DecimalText, Minutes, MoreMinutes, OnCylinder, Reason


class Saving(Struct, frozen=True, kw_only=True):
    """What the entire visit costs less without one job, including tax if that is known, and how
    many billed minutes less it takes. Both may be negative.
    """

    price: Amount
    minutes: MoreMinutes


class QuotedJob(Struct, frozen=True, kw_only=True):
    """A job with its billed minutes for all machines. `minutes_alone` are those as the only job,
    `minutes_here` those together with the other jobs of this quote.

    `minutes_computed` are the minutes here before any override. `saves_if_left_out` is null if this
    is the only job; jobs that only this one includes would then be done separately. `stays` is why
    the customer can't leave the job out of an offer, null if the customer can.
    """

    job: str
    name: str
    cylinder: OnCylinder | None
    minutes_alone: Minutes
    minutes_here: Minutes
    minutes_computed: Minutes
    saves_if_left_out: Saving | None
    why: tuple[Reason, ...]
    stays: Reason | None = None


class SwallowedJob(Struct, frozen=True, kw_only=True):
    """A job that is not done separately because another job (`by_job`) includes it."""

    job: str
    name: str
    cylinder: OnCylinder | None
    by_job: str
    by_name: str
    by_cylinder: OnCylinder | None


class Removal(Struct, frozen=True, kw_only=True):
    """A component to remove; the list is in working order."""

    component: str
    name: str
    cylinder: OnCylinder | None
    minutes: Minutes
    exact_minutes: DecimalText
    why: tuple[Reason, ...]


class Refit(Struct, frozen=True, kw_only=True):
    """A component to refit; the list is in working order. `work_minutes` is the bench work that
    belongs to its refit.
    """

    component: str
    name: str
    cylinder: OnCylinder | None
    minutes: Minutes
    work_minutes: Minutes
    exact_minutes: DecimalText


class Access(Struct, frozen=True, kw_only=True):
    """All components to remove and refit. The whole minutes of the steps add up to `minutes`, the
    exact ones to `exact_minutes`. `engine_out` is true if the engine is taken out of its machine.
    """

    remove: tuple[Removal, ...]
    refit: tuple[Refit, ...]
    minutes: Minutes
    exact_minutes: DecimalText
    engine_out: bool


class LabourTime(Struct, frozen=True, kw_only=True):
    """The labour of one class over the visit: its exact minutes, and the minutes billed."""

    labour_class: str
    exact_minutes: DecimalText
    billed_minutes: Minutes
