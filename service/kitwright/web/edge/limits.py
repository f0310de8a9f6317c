"""Limits: limits the rate of each caller's calls, by token buckets."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil
from operator import itemgetter
from time import monotonic
from typing import Final

_MOST_KEPT: Final = 10_000
_ROUNDING: Final = 1e-6
"""Tolerance in seconds for rounding in sums of floats, also after years of running."""


class Limits:
    """A token bucket for every caller: it holds `burst` tokens and fills at a constant rate.

    Only the time when a bucket is full again is stored. At most `most` are stored: beyond that, the
    fullest are dropped, so a flood of new callers displaces itself and not frequent callers. If
    more than `most` are busy at once, some calls are admitted that should wait; unknown callers are
    not refused. Not thread-safe.

    Args:
        rate_per_minute: tokens added per minute; 0 for no limit.
        burst: tokens in a full bucket, at least 1.
        clock: returns monotonic seconds.
        most: the largest number of buckets stored, at least 1.
    """

    def __init__(
        self,
        rate_per_minute: float,
        burst: int,
        clock: Callable[[], float] = monotonic,
        *,
        most: int = _MOST_KEPT,
    ) -> None:
        if not 0 <= rate_per_minute < float("inf") or burst < 1 or most < 1:
            raise ValueError("a limit needs a rate from 0, and a burst and buckets from 1")
        self._clock = clock
        self._most = most
        self._per_token = 60 / rate_per_minute if rate_per_minute else 0.0
        self._to_fill = burst * self._per_token
        self._full_at: dict[str, float] = {}
        """Caller -> when its bucket is full again."""

    def __len__(self) -> int:
        return len(self._full_at)

    def take(self, who: str) -> float:
        """Take a token and return 0.0; if there is none, return the seconds until the next one."""
        if not self._per_token:
            return 0.0
        now = self._clock()
        full_at = max(now, self._full_at.get(who, now)) + self._per_token
        wait = full_at - now - self._to_fill
        if wait > _ROUNDING:
            return wait
        if who not in self._full_at and len(self._full_at) >= self._most:
            self._drop_fullest()
        self._full_at[who] = full_at
        return 0.0

    def _drop_fullest(self) -> None:
        # a tenth at once, so that sorting is rare
        by_fullness = sorted(self._full_at.items(), key=itemgetter(1))
        self._full_at = dict(by_fullness[max(1, self._most // 10) :])


def retry_after(seconds: float) -> int:
    """Return a wait for `Retry-After`: whole seconds, rounded up, at least 1."""
    return max(1, ceil(seconds))
