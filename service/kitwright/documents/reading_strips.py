"""Reading strips: each cylinder's leakage in words, over a wordless strip of its bands.

Bands are textures, so that they can be told apart in print, in grey and by every eye: clear is
good, striped is to be watched, meshed is bad. The words stand beside the strips.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from markupsafe import Markup
from msgspec import Struct

from kitwright.documents.zones import Zone, scale_of, verdict_told, zones_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Assessment, CylinderLeakage, LeakageBand
from kitwright.units import decimal_text

GRAINS = Markup(
    '<svg class="grains" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
    '<pattern id="watch" width="8" height="8" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path d="M0 0V8" stroke-width="3"></path></pattern>'
    '<pattern id="bad" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path d="M0 0V6M0 0H6" stroke-width="4"></path></pattern>'
    '<pattern id="dots" width="7" height="7" patternUnits="userSpaceOnUse">'
    '<circle cx="3.5" cy="3.5" r="1.5"></circle></pattern></defs></svg>'
)
"""The textures of strips and of the range, once a page."""


class Strip(Struct, frozen=True, kw_only=True):
    """A cylinder with its reading and what that means in words, and its strip as SVG; empty if no
    reading counts.
    """

    place: str
    value: str
    svg: str


class Readings(Struct, frozen=True, kw_only=True):
    """The strips of all cylinders, and the axis below them with the words of the bands."""

    strips: tuple[Strip, ...]
    axis: str


def readings_of(assessment: Assessment | None, scribe: Scribe) -> Readings | None:
    """Return the strips of an assessment; None if nothing was measured."""
    if assessment is None or not assessment.leakage:
        return None
    zones = stored_zones(assessment.leakage_bands)
    measured = [one for one in assessment.leakage if one.whole_percent is not None]
    most = scale_of((Decimal(one.whole_percent or 0) for one in measured), zones)
    return Readings(
        strips=tuple(_strip(one, zones, most, scribe) for one in assessment.leakage),
        axis=_axis(zones, most, scribe) if measured else "",
    )


def stored_zones(bands: Iterable[LeakageBand]) -> tuple[Zone, ...]:
    """Return the zones of a stored revision's leakages."""
    return tuple(
        zones_of(
            (band.verdict, None if band.upper_percent is None else Decimal(band.upper_percent))
            for band in bands
        )
    )


def _strip(one: CylinderLeakage, zones: Sequence[Zone], most: Decimal, scribe: Scribe) -> Strip:
    place = scribe.say("Cylinder {cylinder}", cylinder=one.cylinder)
    if one.whole_percent is None:
        return Strip(place=place, value=scribe.say("no reading that counts"), svg="")
    percent = Decimal(one.whole_percent)
    told = [scribe.percent(one.whole_percent), *_meaning(one, zones, percent, scribe)]
    return Strip(place=place, value=", ".join(told), svg=_svg(percent, zones, most))


def _meaning(
    one: CylinderLeakage, zones: Sequence[Zone], percent: Decimal, scribe: Scribe
) -> Iterator[str]:
    """Yield the verdict on a reading, or why it has none."""
    if one.standing == "void":
        yield scribe.say("does not count")
        return
    found = [zone for zone in zones if zone.end is None or percent <= zone.end]
    if found:
        yield verdict_told(found[0].verdict, scribe)
    if one.standing == "indicative":
        yield scribe.say("a rough reading only")


def _svg(percent: Decimal, zones: Sequence[Zone], most: Decimal) -> Markup:
    """Return the bands of a strip, and the bar of its reading before them."""
    width = _share(percent, most)
    parts = [Markup('<svg width="100%" height="1.5rem" aria-hidden="true" focusable="false">')]
    for zone in zones:
        lies = zone.within(most)
        if lies is not None:
            left, right = (_share(end, most) for end in lies)
            parts.append(
                Markup(
                    '<rect class="zone {}" x="{}%" y=".15rem" width="{}%" height="1.2rem"></rect>'
                ).format(zone.verdict, left, right - left)
            )
    parts += [
        Markup(
            '<rect class="clear" y=".4rem" width="{}%" height=".7rem"></rect>'
            '<rect class="bar" y=".5rem" width="{}%" height=".5rem"></rect>'
            '<rect class="bar" x="{}%" width="5" height="1.5rem"></rect></svg>'
        ).format(width, width, width)
    ]
    return Markup("").join(parts)


def _axis(zones: Sequence[Zone], most: Decimal, scribe: Scribe) -> Markup:
    """Return where each band begins, with its word."""
    parts = [Markup('<svg class="axis" width="100%" height="1.3rem">')]
    for zone in zones:
        lies = zone.within(most)
        if lies is not None:
            start = scribe.number(decimal_text(zone.start))
            parts.append(
                Markup('<text x="{}%" y="1rem">{} {}</text>').format(
                    _share(lies[0], most), start, verdict_told(zone.verdict, scribe)
                )
            )
    return Markup("").join((*parts, Markup("</svg>")))


def _share(percent: Decimal, most: Decimal) -> Decimal:
    """Return how far a value lies along a strip, in per cent to a tenth."""
    return (min(max(percent, Decimal(0)), most) / most * 100).quantize(Decimal("0.1"))
