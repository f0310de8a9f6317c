"""What documents say of a line beside its name: its group, whose parts it has, why it is less."""

from __future__ import annotations

from collections.abc import Sequence

from kitwright.language.scribe import Scribe
from kitwright.quote import Line

_GIVEN = frozenset({"discount-of-line", "discount-of-quote", "percent-of-line", "percent-of-quote"})
"""Reasons of discounts; their sentences also name who of the shop gave it."""


def kind_of(line: Line) -> str:
    """Return the kind that a line stands as: one written by hand, what it is taxed as."""
    return line.tax_kind if line.kind == "free" else line.kind


def makes_told(makes: Sequence[tuple[str | None, str]], unknown: str) -> str:
    """Return whose some pieces are: one name, or several with how many; `unknown` for those that
    nobody knows, nothing where that is all of them.
    """
    if len(makes) == 1:
        return makes[0][0] or ""
    return ", ".join(f"{count} {name or unknown}" for name, count in makes)


def makes_of(line: Line, scribe: Scribe) -> str:
    """Return whose parts a line is for, as far as that is known."""
    made = [(one.make, scribe.number(one.quantity)) for one in line.makes]
    return makes_told(made, scribe.say("of unknown make"))


def reason_of(line: Line, scribe: Scribe) -> str:
    """Return why something is taken off, in the shop's own words; empty of other lines."""
    for why in line.why:
        if why.code in _GIVEN:
            percent, reason = why.facts.get("percent"), str(why.facts.get("reason"))
            if percent is None:
                return reason
            rate = scribe.percent(str(percent))
            return scribe.say("{percent} off: {reason}", percent=rate, reason=reason)
    return ""
