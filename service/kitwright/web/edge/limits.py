"""Limits: how often each caller may ask, by token buckets."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from math import ceil
from time import monotonic
from typing import Final

MOST_KEPT: Final = 10_000
_SLOTS: Final = 64
"""Steps in which buckets are told apart by how empty they are."""
_ROUNDING: Final = 1e-6
"""Seconds that sums of floats may be off by, also after years of running."""


class Limits:
    """A token bucket for every caller: it holds `burst` tokens, and fills up evenly.

    A bucket is nothing but the moment at which it is full again; a full one is forgotten. Kept are
    `most` at most: beyond that the fullest is forgotten first, so a flood of new names pushes out
    its own kind and not those that ask much. Where more than `most` are busy at once, some are
    let through that should wait, rather than strangers refused.

    A call takes the same time however many buckets there are. Not for several threads at once.

    Args:
        rate_per_minute: tokens that come back in a minute; 0 for no limit.
        burst: tokens of a full bucket, at least 1.
        clock: seconds that never run backwards.
        most: buckets that are kept, at least 1.
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
        """Slot of time -> callers whose buckets are full in it, and when; the oldest first."""
        self._slot_of: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self._slot_of)

    def take(self, who: str) -> float:
        """Return 0.0 where a caller may go on, which takes a token; else the seconds until the
        next token, and nothing is taken.
        """
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
        # never more slots than a few beside _SLOTS: each pass drops those that are over
        this = now // self._width
        for slot in [each for each in self._slots if each < this]:
            for who in self._slots.pop(slot):
                del self._slot_of[who]


def retry_after(seconds: float) -> int:
    """Return a wait as `Retry-After` takes it: whole seconds, rounded up, at least 1."""
    return max(1, ceil(seconds))
