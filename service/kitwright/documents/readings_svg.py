"""Readings SVG: the leak-down readings of an assessment as a picture, with a bar for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final
from xml.sax.saxutils import escape

from msgspec import Struct

from kitwright.documents.layout import clean
from kitwright.documents.zones import Zone, scale_of, zone_told, zones_of
from kitwright.language.render import Speaker
from kitwright.language.scribe import Scribe
from kitwright.stages.finding import Assessment, Standing, whole_percent

WIDTH: Final = 720
LEFT: Final = 150
PLOT: Final = 540
TOP: Final = 64
ROW: Final = 34
BAR: Final = 20

# Light to dark, so that the zones tell apart in grey and by those who see no colours.
_FILL: Final = {"good": "#f4f4f4", "watch": "#d8d8d8", "bad": "#b4b4b4"}
_INK: Final = "#1c1c1c"


class _Row(Struct, frozen=True, kw_only=True):
    """A reading as it is drawn: the name of its bar, whole per cent, and whether it counts."""

    name: str
    percent: int
    standing: Standing


def readings_svg(assessment: Assessment, speaker: Speaker) -> str:
    """Return the readings as an SVG document with a title and a description.

    A bar is full if its reading counts, hatched if it is indicative, and an outline if it is void.
    Each shows its value, and a key names the zones behind the bars, because colour alone is not
    enough. Without readings, the picture says that none were taken.
    """
    scribe = Scribe(speaker.language)
    rows = list(_rows(assessment, scribe))
    zones = _zones(assessment)
    most = scale_of((Decimal(row.percent) for row in rows), zones)
    bottom = TOP + max(len(rows), 1) * ROW
    height = bottom + 66
    engine = _engine(assessment)
    heading = scribe.say("Leak-down readings, {engine}", engine=engine)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" lang="{scribe.language}" '
        f'width="{WIDTH}" height="{height}" viewBox="0 0 {WIDTH} {height}" aria-labelledby="t d" '
        'font-family="sans-serif" font-size="13">',
        f'<title id="t">{escape(heading)}</title>',
        f'<desc id="d">{escape(_told(rows, zones, scribe))}</desc>',
        '<defs><pattern id="h" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="6" height="6" fill="#ffffff"/>'
        f'<line x1="0" y1="0" x2="0" y2="6" stroke="{_INK}" stroke-width="3"/></pattern></defs>',
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        _text(16, 24, scribe.say("Leak-down, {engine}", engine=engine), weight="bold"),
        *_drawn_zones(zones, most, bottom, scribe),
        *_scale(most, bottom, scribe),
        *(_bar(number, row, most, scribe) for number, row in enumerate(rows)),
    ]
    if not rows:
        parts.append(_text(LEFT + 8, TOP + 22, scribe.say("No readings were taken.")))
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _engine(assessment: Assessment) -> str:
    family = assessment.findings.family
    return clean(f"{family.maker} {family.name} ({family.id})")


def _rows(assessment: Assessment, scribe: Scribe) -> Iterator[_Row]:
    findings = assessment.findings
    for one in findings.leakages:
        named = scribe.say("Cylinder {cylinder}", cylinder=one.cylinder)
        for number, reading in enumerate(one.readings, start=1):
            yield _Row(
                name=f"{named}, {number}" if len(one.readings) > 1 else named,
                percent=whole_percent(reading.percent, findings.banded),
                standing=reading.standing,
            )


def _zones(assessment: Assessment) -> tuple[Zone, ...]:
    """Return the zones of the bands, from data."""
    kind = assessment.findings.banded
    if kind is None:
        return ()
    return tuple(zones_of(zip(kind.verdicts, (*kind.upper_percent, None), strict=True)))


def _told(rows: Sequence[_Row], zones: Sequence[Zone], scribe: Scribe) -> str:
    if not rows:
        return scribe.say("No readings were taken.")
    told = [f"{row.name}: {_figure(row, scribe)}" for row in rows]
    return ". ".join((*told, *(zone_told(zone, scribe) for zone in zones))) + "."


def _figure(row: _Row, scribe: Scribe) -> str:
    """Return a reading's value, and that it does not fully count if so."""
    figure = scribe.percent(str(row.percent))
    if row.standing is Standing.indicative:
        return scribe.say("{figure}, indicative only", figure=figure)
    is_void = row.standing is Standing.void
    return scribe.say("{figure}, void", figure=figure) if is_void else figure


def _x(percent: Decimal, most: Decimal) -> str:
    return f"{LEFT + min(max(percent, Decimal(0)), most) / most * PLOT:.1f}"


def _drawn_zones(
    zones: Sequence[Zone], most: Decimal, bottom: int, scribe: Scribe
) -> Iterator[str]:
    """Yield each zone behind the bars, and its place in the key below the scale."""
    for number, zone in enumerate(zones):
        fill = f'fill="{_FILL.get(zone.verdict, "#ffffff")}"'
        lies = zone.within(most)
        if lies is not None:
            left, right = (Decimal(_x(end, most)) for end in lies)
            yield (
                f'<rect x="{left}" y="{TOP - 8}" width="{right - left}" '
                f'height="{bottom - TOP + 8}" {fill} stroke="#ffffff"/>'
            )
        x = 16 + number * (WIDTH - 32) // len(zones)
        yield f'<rect x="{x}" y="{bottom + 36}" width="14" height="14" {fill} stroke="{_INK}"/>'
        yield _text(x + 22, bottom + 48, zone_told(zone, scribe))


def _scale(most: Decimal, bottom: int, scribe: Scribe) -> Iterator[str]:
    for tick in range(0, int(most), 10):
        yield _text(_x(Decimal(tick), most), bottom + 18, scribe.number(str(tick)), "middle")
    yield _text(LEFT + PLOT, bottom + 18, scribe.say("% lost"), "end")


def _bar(number: int, row: _Row, most: Decimal, scribe: Scribe) -> str:
    top = TOP + number * ROW
    width = max(float(_x(Decimal(row.percent), most)) - LEFT, 1.0)
    fill = {Standing.counts: _INK, Standing.indicative: "url(#h)", Standing.void: "none"}
    dash = ' stroke-dasharray="4 3"' if row.standing is Standing.void else ""
    is_long = width > PLOT - 150
    # inside a full bar the figure is white on black, outside it is black on the zone
    end = LEFT + width - 6 if is_long else LEFT + width + 6
    ink = "#ffffff" if is_long and row.standing is Standing.counts else _INK
    return (
        _text(LEFT - 10, top + 15, row.name, "end")
        + f'<rect x="{LEFT}" y="{top}" width="{width:.1f}" height="{BAR}" '
        f'fill="{fill[row.standing]}" stroke="{_INK}"{dash}/>'
        + _text(
            f"{end:.1f}", top + 15, _figure(row, scribe), "end" if is_long else "start", ink=ink
        )
    )


def _text(
    x: int | str,
    y: int,
    text: str,
    anchor: str = "start",
    *,
    weight: str = "normal",
    ink: str = _INK,
) -> str:
    return (
        f'<text x="{x}" y="{y}" text-anchor="{anchor}" font-weight="{weight}" fill="{ink}">'
        f"{escape(text)}</text>"
    )
