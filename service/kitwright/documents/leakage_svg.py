"""Leakage SVG: the leak-down readings of a stored revision as an SVG element of its page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Final

from markupsafe import Markup, escape

from kitwright.documents.zones import Zone, scale_of, zone_told, zones_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Assessment, CylinderLeakage, LeakageBand

WIDTH: Final = 340
LEFT: Final = 4
PLOT: Final = 332
TOP: Final = 6
ROW: Final = 50
BAR: Final = 16
KEY: Final = 20
"""The distance between lines of the key. All sizes are in units of the picture's view box."""


def leakage_svg(assessment: Assessment, scribe: Scribe) -> Markup | str:
    """Return an SVG element with a bar for each cylinder that has a reading, in front of the zones;
    an empty text if there are no readings. Its title and description give the same in words.

    A bar is full if the reading counts, hatched if it is indicative, and an outline if it is void.
    Each shows its value in whole per cent. The picture is narrow, so that it can be read on a
    phone. Its colours are classes of the page's style sheet.
    """
    rows = [one for one in assessment.leakage if one.whole_percent is not None]
    if not rows:
        return ""
    zones = stored_zones(assessment.leakage_bands)
    most = scale_of((Decimal(one.whole_percent or 0) for one in rows), zones)
    bottom = TOP + len(rows) * ROW
    height = bottom + 30 + len(zones) * KEY
    title = scribe.say("How much air escapes from each cylinder, in per cent")
    told = " ".join(
        (
            *(leakage_told(one, scribe) for one in rows),
            *(f"{zone_told(zone, scribe)}." for zone in zones),
        )
    )
    parts = [
        Markup(
            '<svg class="readings" role="img" viewBox="0 0 {} {}" '
            'aria-labelledby="readings-title readings-text">'
        ).format(WIDTH, height),
        Markup('<title id="readings-title">{}</title>').format(title),
        Markup('<desc id="readings-text">{}</desc>').format(told),
        Markup(
            '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><path d="M0 0V6" class="stripe"/></pattern></defs>'
        ),
        *_drawn_zones(zones, most, bottom, scribe),
        *_ticks(most, bottom, scribe),
        *(_bar(at, one, most, scribe) for at, one in enumerate(rows)),
        Markup("</svg>"),
    ]
    return Markup("\n").join(parts)


def leakage_told(one: CylinderLeakage, scribe: Scribe) -> str:
    """Return a cylinder's reading as a sentence."""
    if one.whole_percent is None:
        return scribe.say("Cylinder {cylinder}: no reading that counts.", cylinder=one.cylinder)
    facts = {"cylinder": one.cylinder, "percent": scribe.percent(one.whole_percent)}
    if one.standing == "indicative":
        text = scribe.say("Cylinder {cylinder}: {percent} escapes; a rough reading only.", **facts)
    elif one.standing == "void":
        text = scribe.say("Cylinder {cylinder}: {percent} escapes; does not count.", **facts)
    else:
        text = scribe.say("Cylinder {cylinder}: {percent} escapes.", **facts)
    return text


def stored_zones(bands: Iterable[LeakageBand]) -> tuple[Zone, ...]:
    """Return the zones of a stored revision's leakages."""
    return tuple(
        zones_of(
            (band.verdict, None if band.upper_percent is None else Decimal(band.upper_percent))
            for band in bands
        )
    )


def _x(percent: Decimal, most: Decimal) -> str:
    return f"{LEFT + min(max(percent, Decimal(0)), most) / most * PLOT:.1f}"


def _drawn_zones(
    zones: Sequence[Zone], most: Decimal, bottom: int, scribe: Scribe
) -> Iterator[Markup]:
    """Yield each zone behind the bars, and its line of the key below the scale."""
    for number, zone in enumerate(zones):
        lies = zone.within(most)
        if lies is not None:
            left, right = (Decimal(_x(end, most)) for end in lies)
            yield Markup('<rect class="zone {}" x="{}" y="{}" width="{}" height="{}"/>').format(
                zone.verdict, left, TOP, right - left, bottom + 6 - TOP
            )
        y = bottom + 34 + number * KEY
        yield Markup(
            '<rect class="zone {}" x="{}" y="{}" width="14" height="14"/>'
            '<text class="scale" x="{}" y="{}">{}</text>'
        ).format(zone.verdict, LEFT, y, LEFT + 22, y + 12, zone_told(zone, scribe))


def _ticks(most: Decimal, bottom: int, scribe: Scribe) -> Iterator[Markup]:
    step = 10 if most <= 50 else 20
    for tick in range(0, int(most) + 1, step):
        x = _x(Decimal(tick), most)
        anchor = "start" if tick == 0 else "end" if tick == most else "middle"
        yield Markup('<path class="tick" d="M{} {}V{}"/>').format(x, TOP, bottom + 6)
        text = scribe.percent(str(tick)) if tick else scribe.number("0")
        yield Markup('<text class="scale" x="{}" y="{}" text-anchor="{}">{}</text>').format(
            x, bottom + 22, anchor, text
        )


def _bar(at: int, one: CylinderLeakage, most: Decimal, scribe: Scribe) -> Markup:
    whole = one.whole_percent or "0"
    percent = Decimal(whole)
    top = TOP + at * ROW
    width = max(Decimal(_x(percent, most)) - LEFT, Decimal(1))
    label = scribe.say("Cylinder {cylinder}", cylinder=one.cylinder)
    figure = scribe.percent(whole)
    return Markup(
        '<text class="name" x="{left}" y="{text}">{label}</text>'
        '<text class="figure" x="{right}" y="{text}" text-anchor="end">{figure}</text>'
        '<rect class="bar {standing}" x="{left}" y="{bar}" width="{width}" height="{height}"/>'
    ).format(
        left=LEFT,
        right=LEFT + PLOT,
        text=top + 16,
        label=label,
        figure=figure,
        standing=escape(one.standing),
        bar=top + 24,
        width=width,
        height=BAR,
    )
