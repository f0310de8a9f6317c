"""Stopped: tells the lines that the bill of stopped work has besides the agreed ones."""

from __future__ import annotations

from collections.abc import Iterable

from kitwright import quote as wire
from kitwright.language.render import Speaker
from kitwright.quote import amount_of
from kitwright.stages.billing import LIMITED, AgreedLine
from kitwright.units import decimal_text


def tell_stopped_lines(
    lines: Iterable[AgreedLine], speaker: Speaker, *, in_boxes: bool
) -> tuple[wire.Line, ...]:
    """Return lines of minutes that are due, and of reductions, not taxed yet."""
    return tuple(_line(line, _description(line, speaker, in_boxes=in_boxes)) for line in lines)


def _description(line: AgreedLine, speaker: Speaker, *, in_boxes: bool) -> str:
    if line.code == LIMITED:
        return speaker.say("Reduced to what you agreed to")
    labour = speaker.word(line.labour_class or "")
    if in_boxes:
        return speaker.say(
            "Work until it was stopped; returned in pieces ({labour})", labour=labour
        )
    return speaker.say("Work until it was stopped, and refitting ({labour})", labour=labour)


def _line(line: AgreedLine, description: str) -> wire.Line:
    return wire.Line(
        kind=line.kind,
        code=line.code,
        cylinder=None,
        description=description,
        makes=(),
        quantity=decimal_text(line.quantity),
        unit=line.unit,
        measure="minute" if line.labour_class else "piece",
        unit_price=f"{line.unit_price:f}",
        base_quantity=decimal_text(line.base_quantity),
        amount=amount_of(line.amount),
        net=None,
        tax=None,
        gross=None,
        taxes=(),
        computed=None,
        tax_kind=line.tax_kind,
        labour_class=line.labour_class,
        job=None,
        places=(),
        sources=(),
        reason="",
        why=(),
    )
