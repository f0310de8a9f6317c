"""Fleet words: which machine of a fleet a quote is for, and what all of them come to."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Envelope


def place_told(envelope: Envelope, scribe: Scribe) -> str:
    """Return which machine of its fleet a quote is for; empty if it belongs to none."""
    fleet = envelope.fleet
    if fleet is None:
        return ""
    return scribe.say(
        "This is the quote for machine {place} of {count} in the group {fleet}.",
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
        "{count} quote of the group stands today: {total}.",
        "{count} quotes of the group stand today, together {total}.",
        fleet.standing,
        total=scribe.amount(fleet.total),
    )
    own = say("You say yes or no to each machine by itself.")
    return f"{place_told(envelope, scribe)} {together} {own}"


def unit_told(place: int, count: int, scribe: Scribe) -> str:
    """Return which of several machines a quote that is not kept is for."""
    return scribe.say("Machine {place} of {count}", place=place, count=count)


def units_told(count: int, total: Amount | None, scribe: Scribe) -> str:
    """Return what the quotes of several machines come to, None if that is not known."""
    if total is None:
        return scribe.say("All machines together: not known while a tax is not.")
    return scribe.say(
        "All {count} machines together: {total}.", count=count, total=scribe.amount(total)
    )
