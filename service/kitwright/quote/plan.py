"""Plan: the steps of a visit in an order that hands can follow, and what stopping on the way costs.

Its texts are in the language of the shop's bench, whatever the language of the quote.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from kitwright.quote.base import (
    Amount,
    Caution,
    Count,
    DecimalText,
    Measure,
    Minutes,
    OnCylinder,
    Reason,
    UnitCode,
)

StepKind = Literal[
    "remove", "hold", "release", "refit", "refill", "work", "check", "test", "wait", "hand_over"
]
StepPlace = Literal["machine", "bench"]


class StepUse(Struct, frozen=True, kw_only=True):
    """A part that is fitted at a step, or a consumable used there. `part` is the number that is
    fitted. `quantity` is for one machine.
    """

    role: str
    cylinder: OnCylinder | None
    part: str
    name: str
    quantity: DecimalText
    unit: UnitCode
    measure: Measure


class StepReveal(Struct, frozen=True, kw_only=True):
    """A contingency that may be seen at a step. `cylinder` is that of its job, or null."""

    contingency: str
    name: str
    cylinder: OnCylinder | None


class Step(Struct, frozen=True, kw_only=True):
    """One step, on one machine.

    `step` is its id: `off x` or `on x` for a component, otherwise the id of work, of an unbilled
    step, or `hand n` for the added line n. `place` is null if it is done wherever one is, `side` if
    it has none; a cylinder is a side of its own. The whole `minutes` of all steps add up to the
    plan's. `spread_percent` is by how much minutes may be off that follow from fasteners, null if
    they were given. `elapsed_minutes` and `working_days` are how long a wait takes, null if that is
    to be looked up. `look` is to be looked at or photographed, `manual` names values of the maker's
    manual, `cautions` are codes. `why` says why the step stands here and no earlier.
    """

    number: Count
    step: str
    kind: StepKind
    name: str
    component: str | None
    cylinder: OnCylinder | None
    place: StepPlace | None
    side: str | None
    labour_class: str | None
    minutes: Minutes
    exact_minutes: DecimalText
    spread_percent: DecimalText | None
    elapsed_minutes: Minutes | None
    working_days: Count | None
    fasteners: str
    tools: tuple[str, ...]
    look: tuple[str, ...]
    manual: tuple[str, ...]
    cautions: tuple[str, ...]
    uses: tuple[StepUse, ...]
    reveals: tuple[StepReveal, ...]
    why: tuple[Reason, ...]


class MinutesRow(Struct, frozen=True, kw_only=True):
    """Billed minutes of a labour class, for all machines, that are not in a step: rounding, minutes
    set by hand, or the bench minimum.
    """

    labour_class: str
    exact_minutes: Annotated[DecimalText, Meta(description="They may be negative.")]
    why: Reason


class StopPrice(Struct, frozen=True, kw_only=True):
    """What is due if the customer stops before a step: for what was done, and either for refitting
    what is off (`refitted`) or for the machine returned in boxes (`in_boxes`).

    Both include what was destroyed, the diagnostic fee and, if it is known, the tax. Neither
    exceeds the price of the quote. `minutes_done` and `minutes_to_refit` are exact, for one
    machine.
    """

    before_step: Count
    name: str
    minutes_done: DecimalText
    minutes_to_refit: DecimalText
    refitted: Amount
    in_boxes: Amount


class Changes(Struct, frozen=True, kw_only=True):
    """How often place, side and tools change from step to step."""

    place: Count
    side: Count
    tools: Count


class Diagnosed(Struct, frozen=True, kw_only=True):
    """A fault that the request named; `plain` describes it in words for the customer, and `mind`
    says what its owner must mind until it is repaired.
    """

    code: str
    name: str
    cylinder: OnCylinder | None
    plain: str
    mind: str = ""


class PlannedJob(Struct, frozen=True, kw_only=True):
    """A job of the visit, with its billed minutes for all machines."""

    job: str
    name: str
    cylinder: OnCylinder | None
    minutes: Minutes


class WorkPlan(Struct, frozen=True, kw_only=True):
    """All steps of a visit on one machine, in order, in the language of the bench.

    The exact minutes of a labour class, times `machines`, and its `rows` add up to its billed
    minutes. `diagnoses` are those of the quote. `least_changes` is what is known of the fewest
    changes of any valid order: if it equals `changes`, no valid order has fewer.
    """

    language: str
    machines: Count
    minutes: Minutes
    exact_minutes: DecimalText
    jobs: tuple[PlannedJob, ...]
    steps: tuple[Step, ...]
    rows: tuple[MinutesRow, ...]
    changes: Changes
    least_changes: Changes
    stops: tuple[StopPrice, ...]
    cautions: tuple[Caution, ...]
    diagnoses: tuple[Diagnosed, ...] = ()
