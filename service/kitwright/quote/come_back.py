"""Come-back: how a visit follows an earlier one, and what of it the shop bears by its warranty."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal

from msgspec import Meta, Struct

from kitwright.quote.base import Amount, Count, JobOn

WARRANTY: Final = "warranty"
"""The code of a line that takes off what the shop bears."""


class BorneLine(Struct, frozen=True, kw_only=True):
    """How much of a line the shop bears; `line` is the line's place in the quote."""

    line: Annotated[Count, Meta(description="The place of the line, from 1.")]
    amount: Amount


class ComesBack(Struct, frozen=True, kw_only=True):
    """The earlier visit that this one follows, and how the shop's warranty applies.

    `quote` is the earlier one. The machine was collected on `since`, null if it was not, and came
    back `on` a day. With `state` `open`, the cause is not settled; with `borne`, the shop bears
    `jobs`, which come to `amount` of `lines` as printed; with `charged`, everything is charged.
    `ground` is why. `until` is the last day of the warranty in question, null if no day is known.
    `part` is the part that failed. `reason` and `by` say why the cause was settled so, and who did.
    """

    quote: str
    since: date | None
    on: date
    cause: Literal["part", "work", "new_fault"] | None
    state: Literal["open", "borne", "charged"]
    ground: str
    until: date | None
    jobs: tuple[JobOn, ...]
    part: str | None
    lines: tuple[BorneLine, ...]
    amount: Amount
    reason: str | None
    by: str | None
