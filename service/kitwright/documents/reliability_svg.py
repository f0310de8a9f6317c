"""Reliability SVG: the probabilities that quotes gave, and the shares found, as a picture.

It has no colour: contingencies are full circles, faults are open squares, and the line of a point
is its interval. Its title and description give the same in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from markupsafe import Markup

from kitwright.language.scribe import Scribe
from kitwright.stages.learning import Band, ForeseenKind
from kitwright.units import decimal_text

LEFT: Final = 64
TOP: Final = 16
PLOT: Final = 320
WIDTH: Final = 580
HEIGHT: Final = TOP + PLOT + 112
"""All sizes are in units of the picture's view box."""
_STYLE: Final = Markup(
    "<style>text{font:13px sans-serif;fill:#111}.axis{stroke:#111;fill:none}"
    ".grid{stroke:#ccc}.even{stroke:#777;stroke-dasharray:5 4}"
    ".reach{stroke:#111;stroke-width:1.5}.contingency{fill:#111}"
    ".diagnosis{fill:#fff;stroke:#111;stroke-width:1.5}</style>"
)


def reliability_svg(bands: Sequence[Band], scribe: Scribe) -> str:
    """Return an SVG document with a point for each band of probabilities: to the right by what was
    said, upwards by the share that was found.
    """
    title = scribe.say("Probabilities given, and shares found")
    told = " ".join(_told(band, scribe) for band in bands)
    parts = [
        Markup(
            '<svg role="img" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" '
            'width="{0}" height="{1}" aria-labelledby="reliability-title reliability-text">'
        ).format(WIDTH, HEIGHT),
        Markup('<title id="reliability-title">{}</title>').format(title),
        Markup('<desc id="reliability-text">{}</desc>').format(
            told or scribe.say("There are no finished quotes with probabilities yet.")
        ),
        _STYLE,
        Markup('<rect width="{}" height="{}" fill="#fff"/>').format(WIDTH, HEIGHT),
        *_axes(scribe),
        *(part for band in bands for part in _point(band)),
        *_key(scribe),
        Markup("</svg>"),
    ]
    return str(Markup("\n").join([*parts, ""]))


def _told(band: Band, scribe: Scribe) -> str:
    facts = {
        "said": _percent(band.said, scribe),
        "found": scribe.number(str(band.found)),
        "cases": scribe.number(str(band.cases)),
    }
    if band.kind is ForeseenKind.contingency:
        return scribe.say("Contingencies of about {said}: {found} of {cases} found.", **facts)
    return scribe.say("Faults of about {said}: {found} of {cases} found.", **facts)


def _percent(share: Fraction | Decimal, scribe: Scribe) -> str:
    return scribe.percent(decimal_text(share * 100, 0))


def _axes(scribe: Scribe) -> Iterator[Markup]:
    for step in range(0, 11, 2):
        share = Fraction(step, 10)
        told = _percent(share, scribe)
        yield Markup('<path class="grid" d="M{0} {1}V{2}M{3} {4}H{5}"/>').format(
            _x(share), TOP, TOP + PLOT, LEFT, _y(share), LEFT + PLOT
        )
        yield Markup('<text x="{}" y="{}" text-anchor="middle">{}</text>').format(
            _x(share), TOP + PLOT + 18, told
        )
        yield Markup('<text x="{}" y="{}" text-anchor="end">{}</text>').format(
            LEFT - 6, _y(share) + 4, told
        )
    yield Markup('<path class="axis" d="M{0} {1}V{2}H{3}"/>').format(
        LEFT, TOP, TOP + PLOT, LEFT + PLOT
    )
    yield Markup('<path class="even" d="M{} {}L{} {}"/>').format(LEFT, TOP + PLOT, LEFT + PLOT, TOP)


def _point(band: Band) -> Iterator[Markup]:
    x, y = _x(band.said), _y(band.share)
    yield Markup('<path class="reach" d="M{} {}V{}"/>').format(
        x, _y(band.interval.low), _y(band.interval.high)
    )
    yield _mark(band.kind, x, y)


def _mark(kind: ForeseenKind, x: Decimal, y: Decimal) -> Markup:
    if kind is ForeseenKind.contingency:
        return Markup('<circle class="contingency" cx="{}" cy="{}" r="5"/>').format(x, y)
    return Markup('<rect class="diagnosis" x="{}" y="{}" width="10" height="10"/>').format(
        x - 5, y - 5
    )


def _key(scribe: Scribe) -> Iterator[Markup]:
    row = Decimal(TOP + PLOT + 44)
    contingencies = scribe.say("contingencies: probability to the right, share found upwards")
    faults = scribe.say("faults: the same, by the last agreed revision")
    for kind, told in (
        (ForeseenKind.contingency, contingencies),
        (ForeseenKind.diagnosis, faults),
    ):
        yield _mark(kind, Decimal(LEFT + 5), row - 4)
        yield Markup('<text x="{}" y="{}">{}</text>').format(LEFT + 18, row, told)
        row += 20
    yield Markup('<text x="{}" y="{}">{}</text>').format(
        LEFT, row + 4, scribe.say("line through a point: interval of 95 %; dashes: as given")
    )


def _x(share: Fraction | Decimal) -> Decimal:
    return LEFT + _length(share)


def _y(share: Fraction | Decimal) -> Decimal:
    return TOP + PLOT - _length(share)


def _length(share: Fraction | Decimal) -> Decimal:
    """Return a share of the plot's length, to a tenth."""
    whole = Fraction(share) * PLOT
    return (Decimal(whole.numerator) / whole.denominator).quantize(Decimal("0.1"))
