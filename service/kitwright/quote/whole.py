"""Whole: a quote, all that the flow found out about one visit, in words of one language.

It is made once, encoded once, and kept, hashed, shown and printed as it is.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from kitwright.quote.assessment import Assessment
from kitwright.quote.base import Caution, OnCylinder, Reason, SerialNumber
from kitwright.quote.contingency import Contingencies, Contingency, PossibleRepair
from kitwright.quote.kit import Kit, Question, Unfilled
from kitwright.quote.order import Order
from kitwright.quote.price import Exemption, Extra, Line, Tax, Totals
from kitwright.quote.work import Access, LabourTime, QuotedJob, SwallowedJob


class QuotingShop(Struct, frozen=True, kw_only=True):
    """Whose quote it is."""

    id: str
    name: str
    currency: str
    prices_include_tax: bool


class Engine(Struct, frozen=True, kw_only=True):
    """The engine and its machine: `chassis` is `loose` where there is none, and null where nobody
    has named it, which is among the questions.
    """

    family: str
    name: str
    serial: SerialNumber | None
    build_code: str | None
    chassis: str | None
    chassis_name: str | None


class Diagnosed(Struct, frozen=True, kw_only=True):
    """A fault that the quote was asked for by name, in a customer's words (`plain`)."""

    code: str
    name: str
    cylinder: OnCylinder | None
    plain: str


class Quote(Struct, frozen=True, kw_only=True):
    """The whole quote and its parts orders.

    `basis` says what it was made of: what was asked for by name (`asked`), or findings that
    support a repair (`repair`) or so far only a test (`test`), with the `assessment`. `in_play`
    names, of a test, the repairs that may follow; of a repair, those of what is possible as well
    and not quoted. `notes` say what may change its figures, such as a rate of tax. `contingencies`
    is null where they were not asked for.
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

    @property
    def chassis_question(self) -> Question | None:
        """The question about the machine that the engine is in, None where it is known."""
        return next((one for one in self.questions if one.role == "chassis"), None)

    @property
    def part_questions(self) -> tuple[Question, ...]:
        """The questions about parts."""
        return tuple(one for one in self.questions if one.role != "chassis")

    @property
    def taken_off(self) -> tuple[Tax, ...]:
        """The taxes in the lines' prices that an exemption takes off."""
        if self.exemption is None or not self.shop.prices_include_tax:
            return ()
        return self.exemption.spares

    @property
    def is_added_to(self) -> bool:
        """Whether there are lines that were added after the revision was agreed to."""
        return any(line.is_added for line in self.lines)

    @property
    def may_turn_up(self) -> tuple[Contingency, ...]:
        """What may turn up; nothing where nobody asked for it."""
        return () if self.contingencies is None else self.contingencies.each


def encode_quote(quote: Quote) -> bytes:
    """Return a quote as JSON: what is answered, kept and hashed."""
    return _encode(quote)


def read_quote(answer: bytes) -> Quote:
    """Return a quote from its JSON."""
    return _decode(answer)


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(Quote).decode
