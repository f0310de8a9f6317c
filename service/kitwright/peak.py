"""Peak: the largest of the values noted lately."""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic


class Peak:
    """The largest of the values noted in the last one to two spans of time, 0 if there was none.

    One thread may note values while others read.

    Args:
        span: in seconds.
        clock: returns monotonic seconds.
    """

    def __init__(self, span: float = 60.0, clock: Callable[[], float] = monotonic) -> None:
        self._span = span
        self._clock = clock
        self._spans = (0, 0.0, 0.0)
        """The number of the current span, its largest value, and that of the span before."""

    def note(self, value: float) -> None:
        """Note a value."""
        number, largest, before = self._now()
        self._spans = (number, max(largest, value), before)

    @property
    def value(self) -> float:
        """The largest value."""
        _, largest, before = self._now()
        return max(largest, before)

    def _now(self) -> tuple[int, float, float]:
        number = int(self._clock() / self._span)
        kept, largest, _ = self._spans
        if number == kept:
            return self._spans
        return (number, 0.0, largest) if number == kept + 1 else (number, 0.0, 0.0)
