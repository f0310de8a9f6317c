"""Range picture: the final total along a line of money, as quoted, likely, and the dearest listed.

It repeats words and amounts that stand beside it, and `key_told` says which part is which. It has
no colour of its own: the parts are solid,
striped and dotted, so that they can be told apart in print and in grey.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from markupsafe import Markup

from kitwright.documents.access_svg import Drawing
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Quote

WIDTH: Final = 600
TOP: Final = 8
BAR: Final = 24
PLOT: Final = 540
"""The length of the line up to the dearest combination; behind it, its end stays open. All sizes
are in units of the picture's view box."""


def range_svg(quote: Quote, scribe: Scribe) -> Drawing | None:
    """Return an SVG element with the total as quoted, up to which it is solid and where the limit
    stands like a gate, then up to what nine of ten such repairs come to, then up to the dearest
    combination of what is listed. None if nothing that is listed costs more.
    """
    spread, found = quote.range, quote.contingencies
    if spread is None or found is None:
        return None
    dearest = spread.dearest_listed
    if dearest.money <= found.as_quoted.money:
        return None
    quoted, likely = (_x(amount, dearest) for amount in (found.as_quoted, spread.p90))
    told = scribe.say(
        "A line of money from zero. It is solid up to {quoted}, the total as quoted, striped up to "
        "about {likely}, which nine of ten such repairs do not exceed, and dotted up to about "
        "{dearest}, the dearest combination of the items listed. Its end is open.",
        quoted=scribe.amount(found.as_quoted),
        likely=scribe.about(spread.p90),
        dearest=scribe.about(dearest),
    )
    parts = [
        Markup(
            '<svg class="range" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" '
            'aria-hidden="true" focusable="false">'
        ).format(WIDTH, TOP + BAR + TOP),
        Markup(
            '<defs><pattern id="range-stripes" width="8" height="8" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><path d="M0 0V8" stroke="currentColor" '
            'stroke-width="4"/></pattern><pattern id="range-dots" width="7" height="7" '
            'patternUnits="userSpaceOnUse"><circle cx="3.5" cy="3.5" r="1.4" '
            'fill="currentColor"/></pattern></defs>'
        ),
        _part(0, quoted, "currentColor"),
        _part(quoted, likely, "url(#range-stripes)"),
        _part(likely, PLOT, "url(#range-dots)"),
        Markup(
            '<path d="M{0} {1}H{2}L{3} {4}L{2} {5}H{0}" fill="none" stroke="currentColor" '
            'stroke-width="1.5" stroke-dasharray="3 3"/>'
        ).format(PLOT, TOP, WIDTH - 20, WIDTH - 2, TOP + BAR / 2, TOP + BAR),
        Markup('<rect x="{}" y="0" width="5" height="{}" fill="currentColor"/>').format(
            quoted, TOP + BAR + TOP
        ),
        Markup("</svg>"),
    ]
    return Drawing(svg=str(Markup("\n").join(parts)), told=told)


def _x(amount: Amount, dearest: Amount) -> Decimal:
    """Return where an amount lies on the line, to a tenth; what is below zero lies at its start."""
    share = max(Decimal(amount.amount), Decimal(0)) / Decimal(dearest.amount)
    return (min(share, Decimal(1)) * PLOT).quantize(Decimal("0.1"))


def _part(left: Decimal | int, right: Decimal | int, fill: str) -> Markup:
    return Markup(
        '<rect x="{}" y="{}" width="{}" height="{}" fill="{}" stroke="currentColor" '
        'stroke-width="1.5"/>'
    ).format(left, TOP, max(right - left, 0), BAR, fill)


def key_told(scribe: Scribe) -> str:
    """Return what the parts of the picture mean."""
    return scribe.say(
        "In the picture, solid is the total as quoted, striped what 9 of 10 such repairs stay "
        "below, dotted the dearest combination. The thick mark stands at the total as quoted."
    )
