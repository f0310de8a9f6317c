"""Overruns: checks that the figures of overrun presets are present and not contradictory."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitwright.catalogue.checks.records import OVERRUNS, problem
from kitwright.catalogue.model import Allows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue, OverrunPreset
    from kitwright.catalogue.problems import Problem


def check_overruns(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield errors of overrun presets."""
    for preset in catalogue.overruns.values():
        label = f"overrun_preset {preset.id}"
        if not preset.source.strip():
            yield problem(
                OVERRUNS, label, "source-missing", "source is empty: name the source of the rule"
            )
        for message in _unclear(preset):
            yield problem(OVERRUNS, label, "overrun-unclear", message)


def _unclear(preset: OverrunPreset) -> Iterator[str]:
    """Yield the figures of a preset that are missing, unused or contradictory."""
    allows = preset.allows
    for word in (Allows.fixed, Allows.percent):
        if (allows in {word, Allows.greater}) is not (getattr(preset, word) is not None):
            yield f"{word} belongs to allows {word} and greater, and only there"
    if preset.at_most is not None:
        if allows not in {Allows.percent, Allows.greater}:
            yield "at_most belongs to allows percent and greater, and only there"
        elif preset.fixed is not None and preset.at_most < preset.fixed:
            yield "at_most is less than fixed, which is never reached"
    if preset.over_total is not None and allows is Allows.nothing:
        yield "over_total has no effect if nothing is allowed"
    amounts = (preset.fixed, preset.at_most, preset.over_total)
    if (preset.currency is None) is not all(amount is None for amount in amounts):
        yield "currency belongs to a preset with amounts, and only there"
