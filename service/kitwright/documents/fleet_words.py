"""Fleet words: which machine of a fleet a quote is for, and what all of them come to."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope


def place_told(envelope: Envelope, scribe: Scribe) -> str:
    """Return which machine of its fleet a quote is for; empty if it belongs to none."""
    fleet = envelope.fleet
    if fleet is None:
        return ""
    return scribe.say(
        "This quote is for machine {place} of {count}, quoted together as {fleet}.",
        place=fleet.place,
        count=fleet.machines,
        fleet=fleet.id,
    )


def fleet_told(envelope: Envelope, scribe: Scribe) -> str:
    """Return which machine of its fleet a quote is for, and the sum of the fleet's quotes that
    stand; empty if it belongs to none.
    """
    fleet, say = envelope.fleet, scribe.say
    if fleet is None:
        return ""
    if fleet.total is None:
        return place_told(envelope, scribe)
    together = scribe.say_many(
        "{count} quote that stands comes to {total} now.",
        "{count} quotes that stand come to {total} together now.",
        fleet.standing,
        total=scribe.amount(fleet.total),
    )
    own = say("Each machine is accepted by itself.")
    return f"{place_told(envelope, scribe)} {together} {own}"
