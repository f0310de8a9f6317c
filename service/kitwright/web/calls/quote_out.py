"""Quotes on the wire: the answer as a whole, and what it says of findings."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.web.calls.assessments import AssessmentOut, Chance, ScopeJobOut
from kitwright.web.calls.out import (
    AccessOut,
    CautionOut,
    CoversOut,
    EngineOut,
    ExemptionOut,
    ExtraOut,
    JobOut,
    KitOut,
    LabourOut,
    LineOut,
    Minutes,
    MoneyOut,
    MoreMinutes,
    OnCylinder,
    OrderOut,
    Out,
    QuestionOut,
    ShopOut,
    SwallowedOut,
    TaxOut,
    TotalsOut,
    UnfilledOut,
    WhyOut,
)


class FaultInPlayOut(Out, frozen=True, kw_only=True):
    """A fault that findings leave in play, with its probability."""

    code: str
    name: str
    cylinder: OnCylinder | None
    probability: Chance


class InPlayOut(Out, frozen=True, kw_only=True):
    """A repair that may follow, and the faults that it would cure: its price as a visit of its
    own, tax included where known, and its billed minutes.
    """

    faults: tuple[FaultInPlayOut, ...]
    jobs: tuple[ScopeJobOut, ...]
    price: MoneyOut
    minutes: Minutes


class ContingencyOut(Out, frozen=True, kw_only=True):
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
    jobs: tuple[ScopeJobOut, ...]
    parts: tuple[CoversOut, ...]
    price: MoneyOut
    minutes: MoreMinutes


class ContingenciesOut(Out, frozen=True, kw_only=True):
    """What may turn up, the most probable first; and what the quote comes to as it stands, with
    all that is likely, and with the dearest combination of the list (`worst`), which is no limit.

    What turns up is priced as computed, without discounts and changes by hand. In `worst`, what
    those take off jobs that may be replaced is not counted on.
    """

    each: tuple[ContingencyOut, ...]
    as_quoted: MoneyOut
    likely: MoneyOut
    worst: MoneyOut


class QuoteOut(Out, frozen=True, kw_only=True):
    """The whole quote and its parts orders.

    `basis` says what it was made of: what was asked for by name (`asked`), or findings that
    support a repair (`repair`) or so far only a test (`test`), with the `assessment`. `in_play`
    names, of a test, the repairs that may follow; of a repair, those of what is possible as well
    and not quoted. `notes` say what may change its figures, such as a rate of tax. `contingencies`
    is null where they were not asked for.
    """

    basis: Literal["asked", "repair", "test"]
    assessment: AssessmentOut | None
    in_play: tuple[InPlayOut, ...]
    provisional: bool
    on: date
    valid_until: date
    parts_by: date | None
    language: str
    catalogue_revision: str
    shop: ShopOut
    engine: EngineOut
    complaint: Annotated[str | None, Meta(description="What the customer reported.")]
    jobs: tuple[JobOut, ...]
    swallowed: tuple[SwallowedOut, ...]
    access: AccessOut
    labour: tuple[LabourOut, ...]
    kit: KitOut
    lines: tuple[LineOut, ...]
    taxes: tuple[TaxOut, ...]
    tax_state: Annotated[str, Meta(pattern="^(known|unknown)$")]
    exemption: ExemptionOut | None
    totals: TotalsOut
    orders: tuple[OrderOut, ...]
    unfilled: tuple[UnfilledOut, ...]
    extras: tuple[ExtraOut, ...]
    questions: tuple[QuestionOut, ...]
    cautions: tuple[CautionOut, ...]
    notes: tuple[WhyOut, ...]
    contingencies: ContingenciesOut | None
