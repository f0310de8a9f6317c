"""A quote and its parts orders as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from kitwright.catalogue.model import LOOSE
from kitwright.documents.balance_view import exemption_told
from kitwright.documents.layout import WIDTH, page, paragraph, spread, title
from kitwright.documents.line_words import makes_of, place_of, price_of, quantity_of
from kitwright.documents.order_text import amount_line, order_lines
from kitwright.documents.plan_view import minute_rows, place_name, stop_told
from kitwright.documents.totals_view import totals_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Contingency, LeftOver, Line, Option, Question, Quote
from kitwright.units import decimal_text

_NUMBERED: Final = frozenset({"part", "set", "customer_part", "consumable", "core"})
"""Kinds of line whose code is a number that is looked up, and not an id of Kitwright's own."""


def quote_text(quote: Quote) -> str:
    """Return the quote as text of at most `WIDTH` columns, ending in a newline."""
    scribe = Scribe(quote.language)
    sections = (
        _head(quote, scribe),
        _reported(quote, scribe),
        _basis(quote, scribe),
        _questions(quote, scribe),
        _jobs(quote, scribe),
        _steps(quote, scribe),
        _lines(quote, scribe),
        _totals(quote, scribe),
        _contingencies(quote, scribe),
        _extras(quote, scribe),
        _stock(quote, scribe),
        *(order_lines(quote.shop.name, order, scribe) for order in quote.orders),
        _unfilled(quote, scribe),
        _cautions(quote, scribe),
    )
    return page(sections)


def _head(quote: Quote, scribe: Scribe) -> Iterator[str]:
    say, engine = scribe.say, quote.engine
    yield "=" * WIDTH
    yield from spread(say("QUOTE  {shop}", shop=quote.shop.name), scribe.day(quote.on))
    yield "=" * WIDTH
    serial = (
        say("serial number not known")
        if engine.serial is None
        else say("serial number {serial}", serial=engine.serial)
    )
    yield f"{say('Engine'):<8} {engine.name} ({engine.family}), {serial}"
    machine = (
        scribe.say_as("machine", "not known")
        if engine.chassis is None
        else _machine(engine.chassis, engine.chassis_name, scribe)
    )
    yield f"{say('Machine'):<8} {machine}"
    for one in quote.diagnoses:
        named = scribe.on_cylinder(one.name, one.cylinder)
        yield from paragraph(f"{say('Found'):<8} {named}: {one.plain}", "", " " * 9)
    until = scribe.day(quote.valid_until)
    yield (
        say("Valid until {day}", day=until)
        if quote.parts_by is None
        else say(
            "Valid until {day}; parts expected by {parts_day}",
            day=until,
            parts_day=scribe.day(quote.parts_by),
        )
    )


def _machine(chassis: str, name: str | None, scribe: Scribe) -> str:
    return scribe.say("none (loose engine)") if name is None else f"{name} ({chassis})"


def _reported(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if quote.complaint is None:
        return
    yield from title(scribe.say("Reported by the customer"))
    for line in quote.complaint.splitlines():
        yield from paragraph(line, "  ", "  ")


def _basis(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what findings support, if the quote is based on them."""
    if quote.assessment is None:
        return
    say = scribe.say
    if quote.basis == "repair":
        yield say("Based on findings: the repair they support is quoted.")
        for one in quote.assessment.diagnoses:
            if one.is_quotable and one.grade is not None:
                named = scribe.on_cylinder(one.name, one.cylinder)
                told = f"  {scribe.thing(one.grade)}: {named}"
                yield from spread(told, scribe.number(one.probability))
                for asked in one.to_check:
                    check = f"{say('Still to be checked:')} {asked.plain}"
                    yield from paragraph(check, " " * 6, " " * 6)
        if quote.in_play:
            yield say("Also possible, and not repaired by this quote:")
    else:
        yield from title(
            say("Based on findings: no repair is certain enough, so the next test is quoted")
        )
    for one in quote.assessment.diagnoses:
        if one.grade is not None and not one.has_job:
            named = scribe.on_cylinder(one.name, one.cylinder)
            told = say("It may be {fault}: the catalogue has no job for it.", fault=named)
            yield from paragraph(told, "  ", "    ")
    for repair in quote.in_play:
        for fault in repair.faults:
            named = scribe.on_cylinder(fault.name, fault.cylinder)
            may_be = "  " + say("It may be {fault}", fault=named)
            yield from spread(may_be, scribe.number(fault.probability))
        jobs = "; ".join(scribe.on_cylinder(job.name, job.cylinder) for job in repair.jobs)
        price = scribe.money(repair.price.amount, repair.price.currency)
        yield from spread("      " + say("then: {jobs}", jobs=jobs), price)


def _questions(quote: Quote, scribe: Scribe) -> Iterator[str]:
    asked = quote.chassis_question
    if asked is not None:
        yield scribe.say("PROVISIONAL: name the machine before ordering")
        yield from paragraph(_which_machine(asked, scribe), "  ", "  ")
        for option in asked.options:
            yield f"    {_chassis(option)}"
    if quote.part_questions:
        yield scribe.say("PROVISIONAL: read the engine's plate before ordering")
    for question in quote.part_questions:
        role = scribe.thing(question.role, question.cylinder)
        told = scribe.say(
            "{role}: which of these fits? The most expensive is priced; none is ordered.", role=role
        )
        yield f"  {told}"
        for option in question.options:
            yield f"    {option.id:<14} {option.name}"


def _which_machine(asked: Question, scribe: Scribe) -> str:
    priced = next(one for one in asked.options if one.id == asked.priced)
    return scribe.say(
        "Which of these is the engine in? The most expensive, {machine}, is priced; parts that "
        "only some of them need are not ordered.",
        machine=_chassis(priced),
    )


def _chassis(option: Option) -> str:
    return option.name if option.id == LOOSE else f"{option.name} ({option.id})"


def _jobs(quote: Quote, scribe: Scribe) -> Iterator[str]:
    alone, here = scribe.say_as("minutes", "alone"), scribe.say_as("minutes", "here")
    unit = scribe.say_as("minutes", "min")
    yield from title(scribe.say("Work"), f"{alone}{here:>9}")
    for each in quote.jobs:
        named = scribe.on_cylinder(each.name, each.cylinder)
        minutes = f"{each.minutes_alone:>4} {unit} {each.minutes_here:>4} {unit}"
        yield from spread(f"  {named}", minutes)
    for gone in quote.swallowed:
        named = scribe.on_cylinder(gone.name, gone.cylinder)
        by = scribe.on_cylinder(gone.by_name, gone.by_cylinder)
        yield "  " + scribe.say("({job} is part of: {other})", job=named, other=by)


def _steps(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield the steps in order, with what stopping costs where one decides."""
    plan = quote.work_plan
    yield from title(scribe.say("Steps, in this order"), scribe.say_as("minutes", "min"))
    stops = {stop.before_step: stop for stop in plan.stops}
    place = next((step.place for step in plan.steps if step.place is not None), None)
    if place is not None:
        yield f"  {place_name(place, scribe)}"
    for step in plan.steps:
        if step.place not in (None, place):
            place = step.place
            yield f"  {place_name(place, scribe)}"
        if step.number in stops:
            yield from paragraph(stop_told(stops[step.number], scribe), " " * 8, " " * 8)
        minutes = _short(step.exact_minutes, scribe) if step.labour_class else ""
        yield from spread(f"  {step.number:>4}. {step.name}", minutes)
    for name, minutes in minute_rows(plan, scribe):
        yield from spread(" " * 8 + name, minutes)


def _short(number: str, scribe: Scribe) -> str:
    """Return a number with up to three decimals."""
    return scribe.number(decimal_text(Decimal(number), 3))


def _lines(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(scribe.say("Lines"), quote.shop.currency)
    for line in sorted(quote.lines, key=place_of):
        yield from spread(f"  {line.description}", scribe.number(line.amount.amount))
        told = f"{_quantity(line, scribe)}. {line.reason}".rstrip()
        yield from paragraph(told, " " * 6, " " * 6, WIDTH - 14)


def _quantity(line: Line, scribe: Scribe) -> str:
    price = price_of(line, scribe)
    if line.kind == "discount":
        return price
    told = scribe.say("{quantity} at {price}", quantity=quantity_of(line, scribe), price=price)
    if line.kind not in _NUMBERED:
        return told
    makes = makes_of(line, scribe)
    return f"{line.code}, {makes}: {told}" if makes else f"{line.code}: {told}"


def _totals(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(scribe.say("Total"))
    for row in totals_of(quote, scribe):
        yield from spread(f"  {row.label}", row.amount)
    if quote.tax_state == "unknown":
        yield "  " + scribe.say("The tax is not known yet, so this quote cannot be issued.")
    if quote.exemption is not None:
        yield from paragraph(exemption_told(quote.exemption, scribe), "  ", "  ")
    for note in quote.notes:
        yield from paragraph(note.text, "  ", "  ")


def _contingencies(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what may be found, if that was asked for."""
    found, say = quote.contingencies, scribe.say
    if found is None or not found.each:
        return
    yield from title(say("What may be found: added cost of each"))
    unit = scribe.say_as("minutes", "min")
    for depth, one in _nested(found.each, None):
        named = scribe.on_cylinder(one.name, one.cylinder)
        percent = decimal_text(Decimal(one.probability) * 100, 3)
        space = " " * (2 + 4 * depth)
        marked = say("could well be found") if one.likely else ""
        told = "; ".join(filter(None, (f"{space}{named}, {scribe.percent(percent)}", marked)))
        price = scribe.money(one.price.amount, one.price.currency)
        yield from spread(told, f"{price}  {one.minutes:>4} {unit}")
        space += " " * 4
        yield from paragraph(one.plain, space, space, WIDTH - 14)
    yield from amount_line(say("As quoted"), found.as_quoted.money, scribe)
    if any(one.likely for one in found.each):
        label = say('With all items marked "could well be found"')
        yield from amount_line(label, found.likely.money, scribe)
    label = say("Highest total from the items listed")
    yield from amount_line(label, found.worst.money, scribe)
    yield "  " + say("That is not a limit: the only limit is the amount that you agree to.")


def _nested(
    each: Sequence[Contingency], under: tuple[str, int | None] | None, depth: int = 0
) -> Iterator[tuple[int, Contingency]]:
    """Yield what may be found, each followed by what may be found after it, with its depth."""
    for one in each:
        if one.under == under:
            yield depth, one
            yield from _nested(each, one.place, depth + 1)


def _extras(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if not quote.extras:
        return
    yield from title(scribe.say("Optional work while the engine is apart: added cost of each"))
    unit = scribe.say_as("minutes", "min")
    for extra in quote.extras:
        named = scribe.on_cylinders(extra.name, extra.cylinders)
        mark = scribe.say("recommended") if extra.default == "recommend" else scribe.say("optional")
        price = scribe.money(extra.price.amount, extra.price.currency)
        yield from spread(f"  {named} ({mark})", f"{price}  {extra.minutes:>4} {unit}")
        for why in extra.why:
            yield from paragraph(why.text, " " * 6, " " * 6, WIDTH - 14)


def _stock(quote: Quote, scribe: Scribe) -> Iterator[str]:
    kit = quote.kit
    if kit.from_stock:
        yield from title(scribe.say("From the shelves"))
    for taken in kit.from_stock:
        unit = scribe.unit(taken.measure, taken.quantity)
        what = f"{_short(taken.quantity, scribe)} {unit}  {taken.item}"
        yield from spread(f"  {what}  {taken.name}", taken.bin)
    if kit.left_over:
        yield from title(scribe.say("Left over (kept by the shop)"))
    for left in kit.left_over:
        yield f"  {_left_over(left, scribe)}"


def _left_over(left: LeftOver, scribe: Scribe) -> str:
    unit = scribe.unit(left.measure, left.quantity)
    what = f"{_short(left.quantity, scribe)} {unit}  {left.item}  {left.name}"
    is_pieces = left.measure == "piece" and left.quality != "maker"
    return scribe.say("{part} (not an original part)", part=what) if is_pieces else what


def _unfilled(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if not quote.unfilled:
        return
    yield from title(scribe.say("NOT AVAILABLE from any of this shop's suppliers"))
    for each in quote.unfilled:
        unit = scribe.unit(each.measure, each.need.quantity)
        what = f"{_short(each.need.quantity, scribe)} {unit}  {each.need.part}"
        yield f"  {what}  {each.name}"


def _cautions(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(
        scribe.say("Cautions (the manufacturer's manual and local regulations take precedence)")
    )
    for caution in quote.cautions:
        told = scribe.say(
            "{title}: {text} (Steps: {steps}.)",
            title=caution.title,
            text=caution.text,
            steps="; ".join(caution.at),
        )
        yield from paragraph(told, "  ", "    ")
