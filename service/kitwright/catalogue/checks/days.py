"""Days: checks that time zones exist and that working days are given."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from kitwright.catalogue.checks.records import problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from kitwright.catalogue.problems import Problem

WEEK: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CLOCK: Final = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)


def check_zone(file: str, time_zone: str) -> Iterator[Problem]:
    """Yield the errors of a time zone."""
    try:
        ZoneInfo(time_zone)
    except (KeyError, ValueError, OSError):
        # Errors of an invalid key: no such zone, a key that is not a path, a key that is a folder.
        message = f"time_zone {time_zone!r} is not a time zone such as Europe/Vienna"
        yield problem(file, "", "time-zone-unknown", message)


def check_time(file: str, name: str, value: str) -> Iterator[Problem]:
    """Yield the errors of a time of day."""
    if not _CLOCK.fullmatch(value):
        message = f"{name} {value!r} is not a time of day such as 15:30"
        yield problem(file, "", "clock-malformed", message)


def check_days(file: str, week: Sequence[str], holidays: Sequence[date]) -> Iterator[Problem]:
    """Yield the errors of working days and holidays."""
    if not week or len(set(week)) < len(week) or not set(week) <= set(WEEK):
        message = "working_days must be one or more of " + ", ".join(WEEK) + ", none of them twice"
        yield problem(file, "", "working-days-wrong", message)
    for day in sorted({one for one in holidays if holidays.count(one) > 1}):
        yield problem(file, "", "holiday-twice", f"holidays name {day} twice")
