"""Limits: limits the rate of each caller's calls, by token buckets."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from math import ceil
from time import monotonic
from typing import Final

MOST_KEPT: Final = 10_000
_SLOTS: Final = 64
"""The number of steps by which buckets are grouped according to when they are full."""
_ROUNDING: Final = 1e-6
"""Tolerance in seconds for rounding in sums of floats, also after years of running."""


class Limits:
    """A token bucket for every caller: it holds `burst` tokens and fills at a constant rate.

    Only the time when a bucket is full again is stored; full buckets are dropped. At most `most`
    are stored: beyond that, the fullest is dropped first, so a flood of new callers displaces
    itself and not frequent callers. If more than `most` are busy at once, some calls are admitted
    that should wait; unknown callers are not refused.

    A call takes the same time for any number of buckets. Not thread-safe.

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
        most: int = MOST_KEPT,
    ) -> None:
        if not 0 <= rate_per_minute < float("inf") or burst < 1 or most < 1:
            raise ValueError("a limit needs a rate from 0, and a burst and buckets from 1")
        self._clock = clock
        self._most = most
        self._per_token = 60 / rate_per_minute if rate_per_minute else 0.0
        self._to_fill = burst * self._per_token
        self._width = self._to_fill / _SLOTS
        self._slots: dict[int, OrderedDict[str, float]] = {}
        """Slot of time -> callers whose buckets become full in it, and when; the oldest first."""
        self._slot_of: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self._slot_of)

    def take(self, who: str) -> float:
        """Take a token and return 0.0; if there is none, return the seconds until the next one."""
        if not self._per_token:
            return 0.0
        now = self._clock()
        self._forget_full(now)
        slot = self._slot_of.get(who)
        full_at = now if slot is None else max(now, self._slots[slot][who])
        wait = full_at + self._per_token - now - self._to_fill
        if wait > _ROUNDING:
            return wait
        self._keep(who, full_at + self._per_token)
        return 0.0

    def _keep(self, who: str, full_at: float) -> None:
        if who in self._slot_of:
            self._forget(who)
        elif len(self._slot_of) >= self._most:
            self._forget(next(iter(self._slots[min(self._slots)])))
        slot = int(full_at // self._width)
        self._slots.setdefault(slot, OrderedDict())[who] = full_at
        self._slot_of[who] = slot

    def _forget(self, who: str) -> None:
        slot = self._slot_of.pop(who)
        del self._slots[slot][who]
        if not self._slots[slot]:
            del self._slots[slot]

    def _forget_full(self, now: float) -> None:
        # at most a few more slots than _SLOTS: each pass drops those that have ended
        this = now // self._width
        for slot in [each for each in self._slots if each < this]:
            for who in self._slots.pop(slot):
                del self._slot_of[who]


def retry_after(seconds: float) -> int:
    """Return a wait for `Retry-After`: whole seconds, rounded up, at least 1."""
    return max(1, ceil(seconds))
