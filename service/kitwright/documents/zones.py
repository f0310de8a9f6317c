"""Zones: the verdicts on leakage (good, watch, bad) that pictures show behind their bars."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import groupby
from typing import Final

from msgspec import Struct

from kitwright.language.scribe import Scribe
from kitwright.units import decimal_text

_LEAST_SCALE: Final = 40
"""The least per cent at the right edge of a picture, so that a small leakage looks small."""


class Zone(Struct, frozen=True, kw_only=True):
    """Neighbouring bands with the same verdict: over `start`, up to `end` per cent. The first zone
    starts at 0; the last has no end (None).
    """

    verdict: str
    start: Decimal
    end: Decimal | None

    def within(self, most: Decimal) -> tuple[Decimal, Decimal] | None:
        """Return the zone's ends in per cent on a scale from 0 to `most`, None if it is beyond."""
        end = most if self.end is None else min(self.end, most)
        return (self.start, end) if self.start < end else None


def scale_of(percents: Iterable[Decimal], zones: Sequence[Zone]) -> Decimal:
    """Return the per cent at the right edge of a picture: a multiple of ten, from 40 to 100.

    Every bar of at most 100 per cent fits, and every zone is visible.
    """
    last = zones[-1].start if zones else Decimal(0)
    highest = max((*percents, last * Decimal("1.3")))
    tens = int(min(highest, Decimal(100)) // 10) * 10 + 10
    return Decimal(min(100, max(_LEAST_SCALE, tens)))


def zones_of(bands: Iterable[tuple[str, Decimal | None]]) -> Iterator[Zone]:
    """Yield the zones of ascending bands; a band is its verdict and its upper limit in per cent."""
    start = Decimal(0)
    for verdict, group in groupby(bands, key=lambda band: band[0]):
        *_, (_, end) = group
        yield Zone(verdict=verdict, start=start, end=end)
        start = Decimal(100) if end is None else end


def zone_told(zone: Zone, scribe: Scribe) -> str:
    """Return a zone in words, because colour alone is not enough: "watch: over 10, up to 20%"."""
    verdict = verdict_told(zone.verdict, scribe)
    start = decimal_text(zone.start)
    if zone.end is None:
        limits = scribe.say("over {percent}", percent=scribe.percent(start))
    elif zone.start:
        limits = scribe.say(
            "over {start}, up to {percent}",
            start=scribe.number(start),
            percent=scribe.percent(decimal_text(zone.end)),
        )
    else:
        limits = scribe.say("up to {percent}", percent=scribe.percent(decimal_text(zone.end)))
    return f"{verdict}: {limits}"


def verdict_told(verdict: str, scribe: Scribe) -> str:
    """Return the word for a verdict on leakage."""
    return {
        "good": scribe.say_as("leakage", "good"),
        "watch": scribe.say_as("leakage", "watch"),
        "bad": scribe.say_as("leakage", "bad"),
    }.get(verdict, verdict)
