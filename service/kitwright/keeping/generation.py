"""Generation: the life of a data folder from one restore to the next, with an epoch of its own; and
whose folder it is.

Records that were made after a backup are lost with it, but their ids, ETags, links and events are
known outside. What a restored folder gives out must therefore differ from all of them: it carries
the epoch of its generation, and numbers go on beyond any that may have been given.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from msgspec import Struct

from kitwright.errors import KitwrightError

EPOCH_BYTES: Final = 5
"""Random bytes of an epoch, which is written in hex."""
_MARGIN: Final = 1000


class Generation(Struct, frozen=True, kw_only=True):
    """One generation of a data folder.

    `number` counts from 1. `after` is the place in the feed of the last event before it.
    `taken_at` is the time of the backup that began it, and `known_until` the time up to which
    erasures and revocations are known; both are None for the first. From `released_at` on, e-mails,
    webhook events and links go out. `is_confirmed` says that keys, links and personal data of
    earlier generations may be used.
    """

    number: int
    epoch: str
    after: int
    begun_at: datetime
    taken_at: datetime | None = None
    known_until: datetime | None = None
    released_at: datetime | None = None
    is_confirmed: bool = True

    @property
    def is_held(self) -> bool:
        """Whether everything that goes out waits for the owner."""
        return self.released_at is None


class Belonging(Struct, frozen=True, kw_only=True):
    """Whose folder it is: a shop, its currency and tax area, and the engine families of its
    catalogue. Each is empty as long as it is not known.
    """

    shop: str = ""
    currency: str = ""
    tax_area: str = ""
    families: tuple[str, ...] = ()


class Origin(Struct, frozen=True, kw_only=True):
    """Where events come from: a shop, and the generations of its folder, oldest first."""

    shop: str
    generations: tuple[Generation, ...]

    @property
    def epoch(self) -> str:
        """The epoch of the current generation."""
        return self.generations[-1].epoch

    def event_id(self, seq: int) -> str:
        """Return the id of the event at a place of the feed, which no other event of any shop or
        generation has. It stays the same after a restore that has kept the event.
        """
        return f"{self.shop}_{generation_of(self.generations, seq).epoch}_{seq}"

    def delivery_id(self, hook: int, seq: int) -> str:
        """Return the id of an event's delivery to a webhook; the same for every attempt."""
        return f"evt_{self.shop}_{generation_of(self.generations, seq).epoch}_{hook}_{seq}"


class ClockBehind(KitwrightError):
    """The clock shows a time before the backup was made, so new numbers could repeat old ones."""

    code = "clock-behind"

    def __init__(self, now: datetime, taken_at: datetime) -> None:
        super().__init__(
            f"the clock of this machine shows {now:%Y-%m-%d %H:%M:%S}, but the backup was made at "
            f"{taken_at:%Y-%m-%d %H:%M:%S} (both UTC): set the clock first"
        )
        self.now = now
        self.taken_at = taken_at


class FolderOfAnother(KitwrightError):
    """A data folder that belongs to another shop, currency, tax area or catalogue."""

    code = "folder-of-another"

    def __init__(self, what: str, kept: str, asked: str, advice: str) -> None:
        super().__init__(
            f"this data folder belongs to the {what} {kept}, but the service was started for "
            f"{asked}: {advice}"
        )
        self.what = what


def numbers_lost(taken_at: datetime, now: datetime) -> int:
    """Return how many numbers to leave out after a restore: more than can have been given since the
    backup, which is fewer than 1,000 a second.

    A second restore of the same backup is later, so it goes beyond the numbers of the first one
    too.

    Raises: ClockBehind.
    """
    if now < taken_at:
        raise ClockBehind(now, taken_at)
    return (now - taken_at) // timedelta(milliseconds=1) + _MARGIN


def generation_of(generations: Sequence[Generation], seq: int) -> Generation:
    """Return the generation in which the event at a place of the feed was added.

    Args:
        generations: all of a folder, oldest first.
        seq: the event's place.
    """
    return next((one for one in reversed(generations) if seq > one.after), generations[0])


def check_belonging(kept: Belonging, asked: Belonging) -> None:
    """Raise FolderOfAnother if a folder may not be served for what the service was started for.

    A catalogue is another one if it has none of the engine families that the folder was last served
    with. Families may be added, and some may go.
    """
    another = "give another folder with --data"
    for what, old, new, advice in (
        ("shop", kept.shop, asked.shop, f"start with --shop {kept.shop}, or {another}"),
        (
            "currency",
            kept.currency,
            asked.currency,
            f"its quotes are in {kept.currency}; correct the shop's currency, or {another}",
        ),
        (
            "tax area",
            kept.tax_area,
            asked.tax_area,
            f"correct the shop's tax area, or {another}; if the shop has moved, run "
            "`kitwright adopt` once",
        ),
    ):
        if old and old != new:
            raise FolderOfAnother(what, old, new, advice)
    if kept.families and not set(kept.families) & set(asked.families):
        raise FolderOfAnother(
            "catalogue with the engine families",
            ", ".join(kept.families),
            f"one with {', '.join(asked.families)}",
            f"give the folder's own catalogue with --catalog, or {another}; if all families were "
            "replaced, run `kitwright adopt` once",
        )
