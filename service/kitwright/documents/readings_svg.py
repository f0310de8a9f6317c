"""The leak-down readings of an engine as a picture: a bar for each reading, over the bands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Final
from xml.sax.saxutils import escape

from kitwright.documents.layout import clean
from kitwright.language.render import Speaker
from kitwright.stages.assessment import Assessment
from kitwright.stages.leakage import Leakage, Standing
from kitwright.units import exact, percent_text

WIDTH: Final = 720
LEFT: Final = 150
PLOT: Final = 540
TOP: Final = 64
ROW: Final = 34
BAR: Final = 20

# Light to dark, so that the bands tell apart in grey and by those who see no colours.
_BANDS: Final = ("#f4f4f4", "#e4e4e4", "#d2d2d2", "#bebebe", "#a8a8a8")
_INK: Final = "#1c1c1c"


def readings_svg(assessment: Assessment, speaker: Speaker) -> str:
    """Return the readings as an SVG document with a title and a description.

    Bars are full where a reading counts, hatched where it is indicative, an outline where it is
    void; each carries its figure, so nothing hangs on colour. Without readings it says so.
    """
    leakages = assessment.findings.leakages
    rows = [(one, at) for one in leakages for at in range(len(one.readings))]
    bands = _bands(assessment)
    most = _scale(bands, rows)
    height = TOP + max(len(rows), 1) * ROW + 44
    engine = _engine(assessment)
    heading = speaker.say("Leak-down readings, {engine}", engine=engine)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" lang="{speaker.language}" '
        f'width="{WIDTH}" height="{height}" viewBox="0 0 {WIDTH} {height}" aria-labelledby="t d" '
        'font-family="sans-serif" font-size="13">',
        f'<title id="t">{escape(heading)}</title>',
        f'<desc id="d">{escape(_told(rows, speaker))}</desc>',
        '<defs><pattern id="h" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="6" height="6" fill="#ffffff"/>'
        f'<line x1="0" y1="0" x2="0" y2="6" stroke="{_INK}" stroke-width="3"/></pattern></defs>',
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        _text(16, 24, speaker.say("Leak-down, {engine}", engine=engine), weight="bold"),
        *_drawn_bands(bands, most, height, speaker),
        *(_bar(number, (one, at), most, speaker) for number, (one, at) in enumerate(rows)),
    ]
    if not rows:
        parts.append(_text(LEFT + 8, TOP + 22, speaker.say("No readings were taken.")))
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _engine(assessment: Assessment) -> str:
    family = assessment.findings.family
    return clean(f"{family.maker} {family.name} ({family.id})")


def _told(rows: Sequence[tuple[Leakage, int]], speaker: Speaker) -> str:
    told = []
    for one, at in rows:
        reading = one.readings[at]
        percent = speaker.figure(percent_text(reading.percent))
        figure = speaker.say("{percent} per cent", percent=percent)
        where = speaker.say("Cylinder {cylinder}", cylinder=one.cylinder)
        told.append(f"{where}: {_standing(figure, reading.standing, speaker)}")
    return ". ".join(told) + "." if told else speaker.say("No readings were taken.")


def _standing(figure: str, standing: Standing, speaker: Speaker) -> str:
    """Return a figure with what becomes of it, where it does not simply count."""
    if standing is Standing.indicative:
        return speaker.say("{figure}, indicative only", figure=figure)
    return speaker.say("{figure}, void", figure=figure) if standing is Standing.void else figure


def _bands(assessment: Assessment) -> list[Fraction]:
    """Return the upper limit of each band but the last, from data."""
    kind = assessment.findings.banded
    return [] if kind is None else [exact(upper) for upper in kind.upper_percent]


def _scale(bands: Sequence[Fraction], rows: Sequence[tuple[Leakage, int]]) -> Fraction:
    """Return the per cent at the right edge: the last band shows, and so does every reading."""
    last = bands[-1] if bands else Fraction(30)
    highest = max((one.readings[at].percent for one, at in rows), default=Fraction(0))
    return min(Fraction(100), max(last * Fraction(4, 3), highest * Fraction(11, 10)))


def _x(percent: Fraction, most: Fraction) -> str:
    within = min(max(percent, Fraction(0)), most)
    return f"{float(LEFT + within / most * PLOT):.1f}"


def _drawn_bands(
    bands: Sequence[Fraction], most: Fraction, height: int, speaker: Speaker
) -> Iterator[str]:
    edges = [Fraction(0), *bands, most]
    bottom = height - 36
    for number, (start, end) in enumerate(pairwise(edges)):
        fill = _BANDS[min(number, len(_BANDS) - 1)]
        width = float((min(end, most) - min(start, most)) / most * PLOT)
        yield (
            f'<rect x="{_x(start, most)}" y="{TOP - 8}" width="{width:.1f}" '
            f'height="{bottom - TOP + 8}" fill="{fill}" stroke="#ffffff"/>'
        )
    for edge in edges[:-1]:
        yield _text(_x(edge, most), bottom + 18, speaker.number(edge), "middle")
    yield _text(LEFT + PLOT, bottom + 18, speaker.say("% lost"), "end")


def _bar(number: int, row: tuple[Leakage, int], most: Fraction, speaker: Speaker) -> str:
    one, at = row
    reading = one.readings[at]
    top = TOP + number * ROW
    width = max(float(_x(reading.percent, most)) - LEFT, 1.0)
    fill = {Standing.counts: _INK, Standing.indicative: "url(#h)", Standing.void: "none"}
    dash = ' stroke-dasharray="4 3"' if reading.standing is Standing.void else ""
    label = speaker.say("Cylinder {cylinder}", cylinder=one.cylinder)
    label += f", {at + 1}" if len(one.readings) > 1 else ""
    is_long = width > PLOT - 150
    # inside a full bar the figure is white on black, outside it is black on the band
    end = LEFT + width - 6 if is_long else LEFT + width + 6
    ink = "#ffffff" if is_long and reading.standing is Standing.counts else _INK
    percent = speaker.figure(percent_text(reading.percent))
    figure = _standing(f"{percent} %", reading.standing, speaker)
    return (
        _text(LEFT - 10, top + 15, label, "end")
        + f'<rect x="{LEFT}" y="{top}" width="{width:.1f}" height="{BAR}" '
        f'fill="{fill[reading.standing]}" stroke="{_INK}"{dash}/>'
        + _text(f"{end:.1f}", top + 15, figure, "end" if is_long else "start", ink=ink)
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
