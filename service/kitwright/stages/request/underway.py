"""Underway: how far agreed work is when a quote is made again."""

from __future__ import annotations

from datetime import date

from msgspec import Struct


class Underway(Struct, frozen=True, kw_only=True):
    """How far agreed work is: whether it has begun, and the minutes that were clocked on it.

    `due_on` is the last day that suppliers promised for what was ordered and is still to come, None
    if that is nothing or not known.
    """

    has_begun: bool = False
    minutes: int = 0
    due_on: date | None = None
