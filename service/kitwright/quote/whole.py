"""Whole: the complete quote of one visit, with its texts in one language.

It is made once and encoded once. It is stored, hashed, shown and printed without any change.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from kitwright.quote.assessment import Assessment
from kitwright.quote.base import Caution, Count, Reason
from kitwright.quote.change import Change
from kitwright.quote.come_back import ComesBack
from kitwright.quote.contingency import Contingencies, Contingency, PossibleRepair, PriceRange
from kitwright.quote.course import Advice, AnotherMachine, Course
from kitwright.quote.engine import Engine
from kitwright.quote.kit import Kit, Question, Unfilled
from kitwright.quote.order import Buying, Margin, Order
from kitwright.quote.plan import Diagnosed, WorkPlan
from kitwright.quote.price import Exemption, Extra, Line, Tax, Totals
from kitwright.quote.work import Access, LabourTime, QuotedJob, SwallowedJob


class QuotingShop(Struct, frozen=True, kw_only=True):
    """The shop that makes the quote, its currency, and whether its prices include tax."""

    id: str
    name: str
    currency: str
    prices_include_tax: bool


class Quote(Struct, frozen=True, kw_only=True):
    """The complete quote, including its parts orders.

    `basis` is `asked` if diagnoses or jobs were requested by name. It is `repair` or `test` if
    findings were given, and they support a repair, or so far only a test or other work that comes
    first; `assessment` is then set. With `test`, `in_play` lists the repairs that may follow. With
    `repair`, it lists repairs of other faults that are still possible and not quoted. `parts_by`
    is null if nothing has to arrive, or while no source can supply some part (`unfilled`). `notes`
    name such parts and say what may change the amounts later, such as a new tax rate.
    `contingencies` and `range` are null if they were not requested, `margin` if the tax is not
    known. If `courses` were requested, everything else is that of the advised one until one is
    chosen, when the quote is accepted. `change` says what was found once the work was agreed, and
    what difference it makes; it is null of every other revision. `comes_back` is the earlier visit
    that this one follows, null if there is none.
    """

    basis: Literal["asked", "repair", "test"]
    assessment: Assessment | None
    in_play: tuple[PossibleRepair, ...]
    provisional: bool
    on: date
    valid_until: date
    parts_by: date | None
    language: str
    catalogue_revision: str
    shop: QuotingShop
    engine: Engine
    complaint: Annotated[str | None, Meta(description="What the customer reported.")]
    diagnoses: tuple[Diagnosed, ...]
    jobs: tuple[QuotedJob, ...]
    swallowed: tuple[SwallowedJob, ...]
    access: Access
    work_plan: WorkPlan
    labour: tuple[LabourTime, ...]
    kit: Kit
    lines: tuple[Line, ...]
    taxes: tuple[Tax, ...]
    tax_state: Annotated[str, Meta(pattern="^(known|unknown)$")]
    exemption: Exemption | None
    totals: Totals
    orders: tuple[Order, ...]
    unfilled: tuple[Unfilled, ...]
    extras: tuple[Extra, ...]
    questions: tuple[Question, ...]
    cautions: tuple[Caution, ...]
    notes: tuple[Reason, ...]
    contingencies: Contingencies | None
    range: PriceRange | None = None
    buying: Buying | None = None
    margin: Margin | None = None
    courses: tuple[Course, ...] = ()
    advice: Advice | None = None
    another_machine: AnotherMachine | None = None
    estimates: Annotated[
        Count | None,
        Meta(description="The revision of the shop's own estimates; null: the catalogue's."),
    ] = None
    change: Change | None = None
    comes_back: ComesBack | None = None

    @property
    def chassis_question(self) -> Question | None:
        """The question which machine the engine is in, None if that is known."""
        return next((one for one in self.questions if one.role == "chassis"), None)

    @property
    def part_questions(self) -> tuple[Question, ...]:
        """The questions about parts."""
        return tuple(one for one in self.questions if one.role != "chassis")

    @property
    def taken_off(self) -> tuple[Tax, ...]:
        """The taxes that an exemption takes off prices that include tax; empty if there is none."""
        if self.exemption is None or not self.shop.prices_include_tax:
            return ()
        return self.exemption.spares

    @property
    def is_added_to(self) -> bool:
        """Whether there are lines that were added after the revision was agreed to."""
        return any(line.is_added for line in self.lines)

    @property
    def may_turn_up(self) -> tuple[Contingency, ...]:
        """The contingencies of the quote; empty if they were not requested."""
        return () if self.contingencies is None else self.contingencies.each


def encode_quote(quote: Quote) -> bytes:
    """Return a quote as JSON: the bytes that are answered, stored and hashed."""
    return _encode(quote)


def read_quote(answer: bytes) -> Quote:
    """Return a quote from its JSON.

    Raises: msgspec.DecodeError, if the bytes are not the JSON of a quote.
    """
    return _decode(answer)


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(Quote).decode
