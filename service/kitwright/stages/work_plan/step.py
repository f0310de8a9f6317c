"""Step: one step of a visit, and the plan of all of them."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from msgspec import Struct, field

from kitwright.catalogue.graph import Instance
from kitwright.catalogue.model import ContingencyId, HazardId, LabourClass, OtherHold
from kitwright.stages.kit import Need
from kitwright.stages.why import Why
from kitwright.stages.work import AccessPlan, Labour, Operation
from kitwright.stages.work_plan.rules import Rule

MACHINE: Final = "machine"
BENCH: Final = "bench"
"""The places of steps: in the machine, or on the bench."""

HAND: Final = "hand "
"""How the name of a step begins that the counter added; the number of its line follows."""


class Step(Struct, frozen=True, kw_only=True):
    """One step of a visit, on one machine.

    Attributes:
        name: `off x` or `on x` of a component instance, an instance id of work, the id of an
            unbilled step, or `hand n` for the line n that the counter added, from 1.
        kind: remove, hold, release, refit, refill, work, check, test, wait or hand_over.
        cylinder: its cylinder, None if it is on the engine.
        place: `machine` or `bench`; None if it is done wherever one is.
        side: the cylinder or the side of the engine that one works at; None if it has none.
        labour_class: whose minutes; None for unbilled steps and added lines.
        minutes: exact.
        elapsed: minutes that an unbilled wait takes, None if they are to be looked up.
        days: working days that a wait for sublet work takes.
        instance: the component that comes off or goes back on, None for other steps.
        other_hold: how valves are held instead, if their cylinder is not known to hold air.
        text: the words of an unbilled step, or of an added line; other steps are named by ids.
        hazards: the cautions of the step.
        uses: the needs that are fitted or used up at this very step.
        reveals: the contingencies that may be seen here, each with the cylinder of its job.
        why: why it stands here, and no earlier.
        rule: what all plans have in common of it; None for sublet work and added lines.
    """

    name: str
    kind: str
    cylinder: int | None
    place: str | None
    side: str | None
    labour_class: LabourClass | None
    minutes: Fraction
    instance: Instance | None = None
    other_hold: OtherHold | None = None
    text: str = ""
    hazards: tuple[HazardId, ...] = ()
    elapsed: int | None = None
    days: int | None = None
    uses: tuple[Need, ...] = ()
    reveals: tuple[tuple[ContingencyId, int | None], ...] = ()
    why: Why
    rule: Rule | None = None


class Adjustment(Struct, frozen=True):
    """Billed minutes of a labour class that are not in a step, for all machines: rounding, the
    counter's own minutes, or the bench minimum. They may be negative.
    """

    labour_class: LabourClass
    minutes: Fraction
    why: Why


class WorkPlan(Struct, frozen=True, kw_only=True):
    """All steps of a visit on one machine, in order.

    `changes` says how often place, side and tool change, in this order; `bound` what is known of
    the fewest possible changes. They are equal if no valid order has fewer. The exact minutes of a
    class, times `machines`, and its adjustments add up to its billed minutes.

    `token` is its own, so that what is told of a plan can be cached under it.
    """

    steps: tuple[Step, ...]
    adjustments: tuple[Adjustment, ...]
    changes: tuple[int, ...]
    bound: tuple[int, ...]
    machines: int
    token: object = field(default_factory=object)

    @property
    def held(self) -> frozenset[int]:
        """The cylinders whose valves are held as if they were not known to hold air."""
        return frozenset(
            step.cylinder
            for step in self.steps
            if step.other_hold is not None and step.cylinder is not None
        )

    @property
    def is_least(self) -> bool:
        """Whether no valid order changes place, side and tool less often."""
        return self.changes == self.bound


class Visit(Struct, frozen=True, kw_only=True):
    """The work of a visit that its plan has to contain."""

    operations: tuple[Operation, ...]
    access: AccessPlan
    labour: Labour
    needs: tuple[Need, ...]
