"""The work plan in words: its places, what its minutes are made of, and what stopping costs."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from kitwright.language.scribe import Scribe
from kitwright.quote import StopPrice, WorkPlan
from kitwright.units import decimal_text


def place_name(place: str | None, scribe: Scribe) -> str:
    """Return where steps are done."""
    return scribe.say("On the bench") if place == "bench" else scribe.say("In the machine")


def stop_told(stop: StopPrice, scribe: Scribe) -> str:
    """Return what is due if the work stops before a step."""
    return scribe.say(
        "Go on or stop? Stopping before this step costs {refitted} refitted, {boxes} in boxes.",
        refitted=scribe.money(stop.refitted.amount, stop.refitted.currency),
        boxes=scribe.money(stop.in_boxes.amount, stop.in_boxes.currency),
    )


def minute_rows(plan: WorkPlan, scribe: Scribe) -> Iterator[tuple[str, str]]:
    """Yield what the billed minutes are made of: those of the steps, and what comes to them."""
    machines = plan.machines
    total = Decimal(plan.exact_minutes) * machines
    label = scribe.say("All steps")
    if machines > 1:
        label = scribe.say("All steps on {machines} machines", machines=machines)
    yield label, _short(total, scribe)
    for row in plan.rows:
        minutes = Decimal(row.exact_minutes)
        total += minutes
        of_class = scribe.thing(row.labour_class)
        told = scribe.say(
            "{reason} Labour: {labour_class}", reason=row.why.text, labour_class=of_class
        )
        yield told, _short(minutes, scribe) if minutes < 0 else f"+ {_short(minutes, scribe)}"
    yield scribe.say("Billed"), _short(total, scribe)


def _short(minutes: Decimal, scribe: Scribe) -> str:
    return scribe.number(decimal_text(minutes, 2))
