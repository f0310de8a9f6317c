"""Price events: which prices are in force, in the feed.

Prices are not among the records. So their event follows the change, and what another process or a
service that was killed left out is added later.
"""

from __future__ import annotations

from typing import Final

from kitwright.keeping.event import Facts, add_event
from kitwright.keeping.record import Stamp
from kitwright.keeping.store import Records

SUBJECT: Final = "prices:1"
"""The subject of the events: there is one price book."""


def noted_revision(records: Records) -> int:
    """Return the price revision of the newest event, 0 for the prices of the catalogue."""
    noted = records.events.of_subject(SUBJECT)
    return int(noted[-1].facts["revision"] or 0) if noted else 0


def note_prices(records: Records, stamp: Stamp, revision: int | None, facts: Facts) -> None:
    """Add the event of the prices in force, unless the newest event has it already.

    It is `prices.applied` if they are newer than those of the newest event, else `prices.undone`.

    Args:
        records: the records.
        stamp: who put the prices in force.
        revision: the price revision in force, None for the prices of the catalogue.
        facts: supplier and file of the revision, added to its number and to the number of the one
            before; 0 is that of the prices of the catalogue.
    """
    before = noted_revision(records)
    now = revision or 0
    change = {"revision": now, "before": before, **facts}
    if now > before:
        add_event(records, stamp, "prices.applied", SUBJECT, change)
    elif now < before:
        add_event(records, stamp, "prices.undone", SUBJECT, change)
