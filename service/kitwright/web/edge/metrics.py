"""Metrics: counts and times requests, in Prometheus' text format."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
    generate_latest,
)

from kitwright.errors import KitwrightError

PLAIN: Final = "text/plain; version=0.0.4"
"""Media type of the metrics; Litestar adds the charset."""

_BOUNDS: Final = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5)

# Creation times of counters would double the answer and are not needed here.
disable_created_metrics()  # type: ignore[no-untyped-call]


class Metrics:
    """The counts of one running service."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        ProcessCollector(registry=self._registry)
        self._requests = Counter(
            "kitwright_requests",
            "Requests answered, by operation of the API description and status.",
            ["operation", "status"],
            registry=self._registry,
        )
        self._seconds = Histogram(
            "kitwright_request_seconds",
            "Seconds from a request's headers to the end of its answer.",
            ["operation"],
            buckets=_BOUNDS,
            registry=self._registry,
        )
        self._watched: dict[str, Gauge] = {}
        self._known: dict[tuple[str, int], tuple[Counter, Histogram]] = {}

    def note(self, operation: str, status: int, seconds: float) -> None:
        """Count one request and record its time in seconds."""
        known = self._known.get((operation, status))
        if known is None:
            known = self._requests.labels(operation, status), self._seconds.labels(operation)
            self._known[operation, status] = known
        known[0].inc()
        known[1].observe(seconds)

    def watch(self, name: str, told: str, read: Callable[[], float]) -> None:
        """Add a figure that is read whenever the metrics are; a second one of the same name takes
        the place of the first. It is not a number while it can't be read.
        """

        def figure() -> float:
            try:
                return float(read())
            except (KitwrightError, OSError):
                return math.nan

        if name not in self._watched:
            self._watched[name] = Gauge(name, told, registry=self._registry)
        self._watched[name].set_function(figure)

    def text(self) -> bytes:
        """Return everything counted so far, as `PLAIN`."""
        return generate_latest(self._registry)
