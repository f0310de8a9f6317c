"""Estimating: the shop's own estimates of its records, as quotes read them."""

from __future__ import annotations

from datetime import date

from kitwright.keeping.estimating import estimates_of, in_force
from kitwright.keeping.record import EstimateEntry
from kitwright.keeping.store import Records
from kitwright.stages.work import Estimates


class EstimateBook:
    """The estimates of one store. They are read again only after a change."""

    def __init__(self) -> None:
        self._last = 0
        self._entries: tuple[EstimateEntry, ...] = ()
        self._made: dict[int | None, Estimates] = {}

    def read(self, records: Records) -> None:
        """Take over what is kept now."""
        last = records.estimates.last()
        if last != self._last:
            self._entries, self._last = records.estimates.every(), last

    def on(self, day: date) -> Estimates:
        """Return the estimates for quotes of a day, as they were read last."""
        return self._of(in_force(self._entries, day))

    def of(self, revision: int | None) -> Estimates:
        """Return the estimates of a revision, in force or not; None is the catalogue's."""
        return self._of(next((one for one in self._entries if one.number == revision), None))

    def _of(self, entry: EstimateEntry | None) -> Estimates:
        number = None if entry is None else entry.number
        if number not in self._made:
            self._made[number] = estimates_of(entry)
        return self._made[number]
