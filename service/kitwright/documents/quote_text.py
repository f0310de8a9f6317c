"""Quote text: a quote and its parts orders as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from kitwright.catalogue.model import LOOSE
from kitwright.documents.balance_view import exemption_told
from kitwright.documents.change_view import change_rows, found_of
from kitwright.documents.contingency_view import nested, sums_of
from kitwright.documents.courses_view import advice_of, courses_of
from kitwright.documents.difference_words import difference_told
from kitwright.documents.layout import WIDTH, page, paragraph, spread, title
from kitwright.documents.line_words import group_of, makes_of, price_of, quantity_at_price
from kitwright.documents.order_text import order_lines
from kitwright.documents.plan_view import minute_rows, place_name, stop_told
from kitwright.documents.ready_words import ready_on, ready_told
from kitwright.documents.totals_view import totals_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, LeftOver, Line, Option, Quote, RankedFault
from kitwright.units import decimal_text

_NUMBERED: Final = frozenset({"part", "set", "customer_part", "consumable", "core"})
"""Kinds of line whose code is a number to look up, not an id of Kitwright."""

_REASON_WIDTH: Final = WIDTH - 14
"""Columns of a reason below a row with an amount."""


def quote_text(quote: Quote) -> str:
    """Return the quote as text of at most `WIDTH` columns, ending in a newline."""
    scribe = Scribe(quote.language)
    sections = (
        _head(quote, scribe),
        _change(quote, scribe),
        _reported(quote, scribe),
        _basis(quote, scribe),
        _questions(quote, scribe),
        _jobs(quote, scribe),
        _steps(quote, scribe),
        _lines(quote, scribe),
        _totals(quote, scribe),
        _contingencies(quote, scribe),
        _courses(quote, scribe),
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
    if engine.chassis is None:
        machine = scribe.say_as("machine", "not known")
    elif engine.chassis_name is None:
        machine = say("none (loose engine)")
    else:
        machine = f"{engine.chassis_name} ({engine.chassis})"
    yield f"{say('Machine'):<8} {machine}"
    for fault in quote.diagnoses:
        text = f"{say('Found'):<8} {scribe.named(fault)}: {fault.plain}"
        yield from paragraph(text, "", " " * 9)
    until = scribe.day(quote.valid_until)
    if quote.unfilled:
        yield say("Valid until {day}; not all parts are available", day=until)
    elif quote.parts_by is None:
        yield say("Valid until {day}", day=until)
    else:
        parts_day = scribe.day(quote.parts_by)
        yield say(
            "Valid until {day}; parts expected by {parts_day}", day=until, parts_day=parts_day
        )
    yield from _ready(quote, scribe)


def _ready(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield when the work is finished, and on what condition, if that is known."""
    if ready_on(quote) is not None:
        ready = ready_told(quote, scribe, change=quote.change)
        yield from paragraph(f"{ready.label} {ready.day}, {ready.condition}", "", " " * 6)


def _change(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what was found since the work was agreed, and what it changes."""
    if quote.change is None:
        return
    yield from title(scribe.say("Found since you agreed"))
    for one in found_of(quote, scribe):
        yield from paragraph(one.what, "  ", "    ")
        yield from paragraph(one.why, "    ", "    ")
        if one.measured:
            yield from paragraph(one.measured, "    ", "    ")
    for label, amount, _ in change_rows(quote, scribe):
        yield from spread(f"  {label}", amount)


def _reported(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if quote.complaint is None:
        return
    yield from title(scribe.say("Reported by the customer"))
    for line in quote.complaint.splitlines():
        yield from paragraph(line, "  ", "  ")


def _basis(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield the repair or the test that findings support, if the quote is based on them."""
    if quote.assessment is None:
        return
    say = scribe.say
    graded = [fault for fault in quote.assessment.diagnoses if fault.grade is not None]
    if quote.basis == "repair":
        yield say("Based on findings: the repair they support is quoted.")
        for fault in graded:
            if fault.is_quotable:
                yield from _fault(fault, scribe)
        if quote.in_play:
            yield say("Also possible, and not repaired by this quote:")
    else:
        yield from title(
            say("Based on findings: no repair is certain enough, so the next test is quoted")
        )
    for fault in graded:
        if not fault.has_job:
            name = scribe.named(fault)
            text = say("It may be {fault}: the catalogue has no job for it.", fault=name)
            yield from paragraph(text, "  ", "    ")
    for repair in quote.in_play:
        for possible in repair.faults:
            text = "  " + say("It may be {fault}", fault=scribe.named(possible))
            yield from spread(text, scribe.number(possible.probability))
        jobs = say("then: {jobs}", jobs=scribe.listed(repair.jobs))
        yield from spread(f"      {jobs}", scribe.amount(repair.price))


def _fault(fault: RankedFault, scribe: Scribe) -> Iterator[str]:
    """Yield a fault that is quoted, and what has to be checked before it can be confirmed."""
    name = f"  {scribe.thing(str(fault.grade))}: {scribe.named(fault)}"
    yield from spread(name, scribe.number(fault.probability))
    for check in fault.to_check:
        text = f"{scribe.say('Still to be checked:')} {check.plain}"
        yield from paragraph(text, " " * 6, " " * 6)


def _questions(quote: Quote, scribe: Scribe) -> Iterator[str]:
    asked = quote.chassis_question
    if asked is not None:
        yield scribe.say("PROVISIONAL: name the machine before ordering")
        priced = next(option for option in asked.options if option.id == asked.priced)
        text = scribe.say(
            "Which of these is the engine in? The most expensive, {machine}, is priced; parts that "
            "only some of them need are not ordered.",
            machine=_machine(priced),
        )
        yield from paragraph(text, "  ", "  ")
        for option in asked.options:
            yield f"    {_machine(option)}"
    if quote.part_questions:
        yield scribe.say("PROVISIONAL: read the engine's plate before ordering")
    for question in quote.part_questions:
        role = scribe.thing(question.role, question.cylinder)
        text = scribe.say(
            "{role}: which of these fits? The most expensive is priced; none is ordered.", role=role
        )
        yield f"  {text}"
        for option in question.options:
            yield f"    {option.id:<14} {option.name}"


def _machine(option: Option) -> str:
    return option.name if option.id == LOOSE else f"{option.name} ({option.id})"


def _jobs(quote: Quote, scribe: Scribe) -> Iterator[str]:
    alone, here = scribe.say_as("minutes", "alone"), scribe.say_as("minutes", "here")
    unit = scribe.say_as("minutes", "min")
    yield from title(scribe.say("Work"), f"{alone}{here:>9}")
    for job in quote.jobs:
        minutes = f"{job.minutes_alone:>4} {unit} {job.minutes_here:>4} {unit}"
        yield from spread(f"  {scribe.named(job)}", minutes)
    for swallowed in quote.swallowed:
        other = scribe.on_cylinder(swallowed.by_name, swallowed.by_cylinder)
        name = scribe.named(swallowed)
        yield "  " + scribe.say("({job} is part of: {other})", job=name, other=other)


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
            yield from paragraph(stop_told(stops[step.number], scribe), "  ", "  ")
        minutes = _short(step.exact_minutes, scribe) if step.labour_class else ""
        yield from spread(f"  {step.number:>4}. {step.name}", minutes)
    for name, minutes in minute_rows(plan, scribe):
        yield from spread(" " * 8 + name, minutes)


def _short(number: str, scribe: Scribe) -> str:
    """Return a number with up to three decimals."""
    return scribe.number(decimal_text(Decimal(number), 3))


def _lines(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(scribe.say("Lines"), quote.shop.currency)
    for line in sorted(quote.lines, key=group_of):
        yield from spread(f"  {line.description}", scribe.number(line.amount.amount))
        text = f"{_purchase(line, scribe)}. {line.reason}".rstrip()
        yield from paragraph(text, " " * 6, " " * 6, _REASON_WIDTH)


def _purchase(line: Line, scribe: Scribe) -> str:
    """Return the number and the makes of a part, and the quantity and unit price of a line."""
    if line.kind == "discount":
        return price_of(line, scribe)
    text = quantity_at_price(line, scribe)
    if line.kind not in _NUMBERED:
        return text
    makes = makes_of(line, scribe)
    return f"{line.code}, {makes}: {text}" if makes else f"{line.code}: {text}"


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
    """Yield the contingencies, if they were requested."""
    found, say = quote.contingencies, scribe.say
    if found is None or not found.each:
        return
    yield from title(say("What may be found: added cost of each"))
    for contingency, parents in nested(found.each):
        percent = scribe.percent(decimal_text(Decimal(contingency.probability) * 100, 3))
        indent = " " * (2 + 4 * len(parents))
        marks = [f"{indent}{scribe.named(contingency)}, {percent}"]
        if contingency.likely:
            marks.append(say("could well be found"))
        cost = _cost(contingency.price, contingency.minutes, scribe)
        yield from spread("; ".join(marks), cost)
        indent += " " * 4
        yield from paragraph(contingency.plain, indent, indent, _REASON_WIDTH)
    for row in sums_of(quote, scribe):
        yield from spread(f"  {row.label}", row.amount)
    yield "  " + say("That is not a limit: the only limit is the amount that you agree to.")


def _cost(price: Amount, minutes: int, scribe: Scribe) -> str:
    return f"{difference_told(price, scribe)}  {minutes:>4} {scribe.say_as('minutes', 'min')}"


def _courses(quote: Quote, scribe: Scribe) -> Iterator[str]:
    rows = courses_of(quote, scribe)
    if not rows:
        return
    yield from title(scribe.say("Ways to repair it: one of them is chosen"))
    for row in rows:
        yield from spread(f"  {row.name}", row.total)
        for fact in row.facts:
            yield from paragraph(fact, " " * 6, " " * 6, _REASON_WIDTH)
    for reason in advice_of(quote, scribe):
        yield from paragraph(reason, "  ", "  ")


def _extras(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if not quote.extras:
        return
    yield from title(scribe.say("Optional work while the engine is apart: added cost of each"))
    for extra in quote.extras:
        name = scribe.on_cylinders(extra.name, extra.cylinders)
        mark = scribe.say("recommended") if extra.default == "recommend" else scribe.say("optional")
        yield from spread(f"  {name} ({mark})", _cost(extra.price, extra.minutes, scribe))
        for why in extra.why:
            yield from paragraph(why.text, " " * 6, " " * 6, _REASON_WIDTH)


def _stock(quote: Quote, scribe: Scribe) -> Iterator[str]:
    kit = quote.kit
    if kit.from_stock:
        yield from title(scribe.say("From the shelves"))
    for taken in kit.from_stock:
        quantity = _quantity(taken.quantity, taken.measure, scribe)
        yield from spread(f"  {quantity}  {taken.item}  {taken.name}", taken.bin)
    if kit.left_over:
        yield from title(scribe.say("Left over (kept by the shop)"))
    for left in kit.left_over:
        yield f"  {_left_over(left, scribe)}"


def _left_over(left: LeftOver, scribe: Scribe) -> str:
    part = f"{_quantity(left.quantity, left.measure, scribe)}  {left.item}  {left.name}"
    is_pieces = left.measure == "piece" and left.quality != "maker"
    return scribe.say("{part} (not an original part)", part=part) if is_pieces else part


def _unfilled(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if not quote.unfilled:
        return
    yield from title(scribe.say("NOT AVAILABLE from any of this shop's suppliers"))
    for unfilled in quote.unfilled:
        quantity = _quantity(unfilled.need.quantity, unfilled.measure, scribe)
        yield f"  {quantity}  {unfilled.need.part}  {unfilled.name}"


def _quantity(quantity: str, measure: str, scribe: Scribe) -> str:
    """Return a quantity with up to three decimals, and its unit."""
    return f"{_short(quantity, scribe)} {scribe.unit(measure, quantity)}"


def _cautions(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(
        scribe.say("Cautions (the manufacturer's manual and local regulations take precedence)")
    )
    for caution in quote.cautions:
        text = scribe.say(
            "{title}: {text} (Steps: {steps}.)",
            title=caution.title,
            text=caution.text,
            steps="; ".join(caution.at),
        )
        yield from paragraph(text, "  ", "    ")
