"""Quotes on the wire: the answer as a whole, and what it says of findings."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.web.assessments import AssessmentOut, Chance, ScopeJobOut
from kitwright.web.out import (
    AccessOut,
    CautionOut,
    EngineOut,
    ExemptionOut,
    ExtraOut,
    JobOut,
    KitOut,
    LabourOut,
    LineOut,
    Minutes,
    MoneyOut,
    OnCylinder,
    OrderOut,
    Out,
    QuestionOut,
    ShopOut,
    SwallowedOut,
    TaxOut,
    TotalsOut,
    UnfilledOut,
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


class QuoteOut(Out, frozen=True, kw_only=True):
    """The whole quote and its parts orders.

    `basis` says what it was made of: what was asked for by name (`asked`), or findings that
    support a repair (`repair`) or so far only a test (`test`), with the `assessment`. Of a test,
    `in_play` names the repairs that may follow.
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
