"""Work: the jobs of a quote, what comes off for them, and the minutes of it all."""

from __future__ import annotations

from msgspec import Struct

from kitwright.quote.base import DecimalText, Minutes, OnCylinder, Reason


class QuotedJob(Struct, frozen=True, kw_only=True):
    """A job with its billed minutes, for all machines: as the only one, and here among the others.

    `minutes_computed` is what it would be billed here, had nobody overridden it.
    """

    job: str
    name: str
    cylinder: OnCylinder | None
    minutes_alone: Minutes
    minutes_here: Minutes
    minutes_computed: Minutes
    why: tuple[Reason, ...]


class SwallowedJob(Struct, frozen=True, kw_only=True):
    """A job that another one holds."""

    job: str
    name: str
    cylinder: OnCylinder | None
    by_job: str
    by_name: str
    by_cylinder: OnCylinder | None


class Removal(Struct, frozen=True, kw_only=True):
    """A component to take off, in order."""

    component: str
    name: str
    cylinder: OnCylinder | None
    minutes: Minutes
    exact_minutes: DecimalText
    why: tuple[Reason, ...]


class Refit(Struct, frozen=True, kw_only=True):
    """A component to put back, in order; `work_minutes` is the bench work that its refit
    carries.
    """

    component: str
    name: str
    cylinder: OnCylinder | None
    minutes: Minutes
    work_minutes: Minutes
    exact_minutes: DecimalText


class Access(Struct, frozen=True, kw_only=True):
    """Everything that comes off. The whole minutes of the steps sum to `minutes`, the exact
    ones to `exact_minutes`.
    """

    remove: tuple[Removal, ...]
    refit: tuple[Refit, ...]
    minutes: Minutes
    exact_minutes: DecimalText
    engine_out: bool


class LabourTime(Struct, frozen=True, kw_only=True):
    """A labour class over the visit: exact minutes, and what is billed for them."""

    labour_class: str
    exact_minutes: DecimalText
    billed_minutes: Minutes
