"""A quote and its parts orders as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from kitwright.catalogue.model import LOOSE
from kitwright.documents.balance_view import balance_of, left_row
from kitwright.documents.layout import WIDTH, page, paragraph, spread, title
from kitwright.documents.line_words import kind_of, makes_of
from kitwright.documents.order_text import amount_line, order_lines
from kitwright.language.scribe import Scribe
from kitwright.quote import Contingency, LeftOver, Line, Option, Question, Quote, Tax
from kitwright.units import decimal_text

_NUMBERED: Final = frozenset({"part", "set", "customer_part", "consumable", "core"})
"""Kinds of line whose code is a number that is looked up, and not an id of Kitwright's own."""
_ORDER: Final = (
    "set",
    "part",
    "customer_part",
    "consumable",
    "labour",
    "sublet",
    "fee",
    "freight",
    "core",
    "discount",
)
"""Kinds of lines as they stand; within one, lines keep their order."""


def quote_text(quote: Quote) -> str:
    """Return the quote as text of at most `WIDTH` columns, ending in a newline."""
    scribe = Scribe(quote.language)
    sections = (
        _head(quote, scribe),
        _reported(quote, scribe),
        _basis(quote, scribe),
        _questions(quote, scribe),
        _jobs(quote, scribe),
        _access(quote, scribe),
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
        say("serial not known")
        if engine.serial is None
        else say("serial {serial}", serial=engine.serial)
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
        say("Stands until {day}", day=until)
        if quote.parts_by is None
        else say(
            "Stands until {day}; parts by {parts_day}",
            day=until,
            parts_day=scribe.day(quote.parts_by),
        )
    )


def _machine(chassis: str, name: str | None, scribe: Scribe) -> str:
    return scribe.say("none: a loose engine") if name is None else f"{name} ({chassis})"


def _reported(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if quote.complaint is None:
        return
    yield from title(scribe.say("Reported by the customer"))
    for line in quote.complaint.splitlines():
        yield from paragraph(line, "  ", "  ")


def _basis(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what findings support, where the quote is made of them."""
    if quote.assessment is None:
        return
    say = scribe.say
    if quote.basis == "repair":
        yield say("Made of findings: what they support is quoted.")
        for one in quote.assessment.diagnoses:
            if one.is_quotable and one.grade is not None:
                named = scribe.on_cylinder(one.name, one.cylinder)
                told = f"  {scribe.thing(one.grade)}: {named}"
                yield from spread(told, scribe.number(one.probability))
                for asked in one.to_check:
                    check = f"{say('Still to be checked:')} {asked.plain}"
                    yield from paragraph(check, " " * 6, " " * 6)
        if quote.in_play:
            yield say("Possible as well, and not repaired by this quote:")
    else:
        yield from title(
            say("Made of findings: no repair is sure enough, so what finds out is quoted")
        )
    for one in quote.assessment.diagnoses:
        if one.grade is not None and not one.has_job:
            named = scribe.on_cylinder(one.name, one.cylinder)
            told = say("It may be {fault}: there is no job for it here.", fault=named)
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
        yield scribe.say("PROVISIONAL: read the plate before ordering")
    for question in quote.part_questions:
        role = scribe.thing(question.role, question.cylinder)
        told = scribe.say(
            "{role}: which of these fits? The dearest is priced, none is ordered.", role=role
        )
        yield f"  {told}"
        for option in question.options:
            yield f"    {option.id:<14} {option.name}"


def _which_machine(asked: Question, scribe: Scribe) -> str:
    priced = next(one for one in asked.options if one.id == asked.priced)
    return scribe.say(
        "Which is the engine in? It is priced as in the dearest, {machine}; parts that not all "
        "of them call for are not ordered.",
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


def _access(quote: Quote, scribe: Scribe) -> Iterator[str]:
    access = quote.access
    if not access.remove:
        return
    off, on = scribe.say_as("minutes", "off"), scribe.say_as("minutes", "on")
    yield from title(scribe.say("Comes off, in this order; goes back in reverse"), f"{off}{on:>7}")
    refits = zip(access.remove, reversed(access.refit), strict=True)
    for number, (removal, refit) in enumerate(refits, start=1):
        minutes = f"{_short(removal.exact_minutes, scribe):>7} "
        minutes += f"{_short(refit.exact_minutes, scribe):>6}"
        yield from spread(f"  {number:>2}. {removal.name}", minutes)
    yield from spread(
        "      " + scribe.say("together, exact minutes"), _short(access.exact_minutes, scribe)
    )


def _short(number: str, scribe: Scribe) -> str:
    """Return a number with up to three decimals."""
    return scribe.number(decimal_text(Decimal(number), 3))


def _lines(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(scribe.say("Lines"), quote.shop.currency)
    for line in sorted(quote.lines, key=lambda one: _ORDER.index(kind_of(one))):
        yield from spread(f"  {line.description}", scribe.number(line.amount.amount))
        told = f"{_quantity(line, scribe)}. {line.reason}".rstrip()
        yield from paragraph(told, " " * 6, " " * 6, WIDTH - 14)


def _quantity(line: Line, scribe: Scribe) -> str:
    price = scribe.money(line.unit_price, line.amount.currency)
    amount = _short(line.quantity, scribe)
    if line.kind == "labour":
        return scribe.say("{minutes} min at {price} an hour", minutes=amount, price=price)
    if line.kind == "discount":
        return price
    makes = makes_of(line, scribe)
    code = f"{line.code}, {makes}" if makes else line.code
    base = scribe.unit(line.measure, line.base_quantity)
    told = (
        scribe.say("{amount} at {price}", amount=amount, price=price)
        if line.measure == "piece"
        else scribe.say(
            "{amount} {unit} at {price} per {pack}",
            amount=amount,
            unit=scribe.unit(line.measure, line.quantity),
            price=price,
            pack=base
            if line.base_quantity == "1"
            else f"{scribe.number(line.base_quantity)} {base}",
        )
    )
    return f"{code}: {told}" if line.kind in _NUMBERED else told


def _totals(quote: Quote, scribe: Scribe) -> Iterator[str]:
    totals, say = quote.totals, scribe.say
    discount = totals.discount.money
    yield from title(say("Total"))
    if discount.minor or quote.taken_off:
        yield from amount_line(say("Lines"), totals.lines.money, scribe)
    if discount.minor:
        yield from amount_line(say("Discount"), discount, scribe)
    for tax in quote.taken_off:
        named = say("{tax}, {percent} % of {base}: not charged", **_tax(tax, scribe))
        yield from amount_line(named, -tax.amount.money, scribe)
    if totals.net is not None:
        yield from amount_line(say("Net"), totals.net.money, scribe)
    for tax in quote.taxes:
        named = say("{tax}, {percent} % of {base}", **_tax(tax, scribe))
        yield from amount_line(named, tax.amount.money, scribe)
    shown = quote.exemption
    if shown is not None:
        told = say(
            "Exempt by certificate {number}, until {day}",
            number=shown.certificate_number,
            day=scribe.day(shown.valid_until),
        )
        yield f"  {told}"
    yield from _left(quote, scribe)
    for note in quote.notes:
        yield from paragraph(note.text, "  ", "  ")


def _tax(tax: Tax, scribe: Scribe) -> dict[str, str]:
    return {
        "tax": tax.name,
        "percent": scribe.number(tax.rate),
        "base": scribe.money(tax.base.amount, tax.base.currency),
    }


def _left(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what is paid, and what is left to pay."""
    totals, say = quote.totals, scribe.say
    in_advance = say("Of it in advance, for parts ordered")
    found = balance_of(totals)
    if found is None:
        if totals.net is None:
            together = totals.lines.money + totals.discount.money
            yield from amount_line(say("Lines together"), together, scribe)
        yield "  " + say("Tax is not known yet: this quote can't be issued.")
        if totals.deposit.money.minor:
            yield from amount_line(in_advance, totals.deposit.money, scribe)
        return
    rounding = totals.cash_rounding.money
    if found.paid.minor or rounding.minor:
        yield from amount_line(say("Gross"), found.comes_to, scribe)
    if found.paid.minor:
        yield from amount_line(say("Paid already"), -found.paid, scribe)
    if rounding.minor:
        yield from amount_line(say("Rounding to coins"), rounding, scribe)
    label, left = left_row(found, scribe)
    yield from spread(f"  {label}", left)
    if found.advance.minor:
        yield from amount_line(in_advance, found.advance, scribe)


def _contingencies(quote: Quote, scribe: Scribe) -> Iterator[str]:
    """Yield what may turn up, where that was asked for."""
    found, say = quote.contingencies, scribe.say
    if found is None or not found.each:
        return
    yield from title(say("What may turn up: what each would really add"))
    unit = scribe.say_as("minutes", "min")
    for depth, one in _nested(found.each, None):
        named = scribe.on_cylinder(one.name, one.cylinder)
        percent = _short(str(Decimal(one.probability) * 100), scribe)
        space = " " * (2 + 4 * depth)
        told = space + say("{name}, {percent} %", name=named, percent=percent)
        price = scribe.money(one.price.amount, one.price.currency)
        yield from spread(told, f"{price}  {one.minutes:>4} {unit}")
        space += " " * 4
        yield from paragraph(one.plain, space, space, WIDTH - 14)
    yield from amount_line(say("As quoted"), found.as_quoted.money, scribe)
    if any(one.likely for one in found.each):
        label = say("With all of it that may well be")
        yield from amount_line(label, found.likely.money, scribe)
    label = say("Most expensive combination of these")
    yield from amount_line(label, found.worst.money, scribe)
    yield "  " + say("That is not a limit: the only limit is the amount that you agree to.")


def _nested(
    each: Sequence[Contingency], under: tuple[str, int | None] | None, depth: int = 0
) -> Iterator[tuple[int, Contingency]]:
    """Yield what may turn up, each followed by what has to turn up after it, with its depth."""
    for one in each:
        if one.under == under:
            yield depth, one
            yield from _nested(each, one.place, depth + 1)


def _extras(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if not quote.extras:
        return
    yield from title(scribe.say("Worth doing while it is apart: what it would really add"))
    unit = scribe.say_as("minutes", "min")
    for extra in quote.extras:
        where = ", ".join(map(str, extra.cylinders))
        named = scribe.on_cylinder(extra.name, where or None)
        mark = (
            scribe.say_as("extra", "recommended")
            if extra.default == "recommend"
            else scribe.say_as("extra", "on offer")
        )
        price = scribe.money(extra.price.amount, extra.price.currency)
        yield from spread(f"  {named} ({mark})", f"{price}  {extra.minutes:>4} {unit}")
        for why in extra.why:
            yield from paragraph(why.text, " " * 6, " " * 6, WIDTH - 14)


def _stock(quote: Quote, scribe: Scribe) -> Iterator[str]:
    kit = quote.kit
    if kit.from_stock:
        yield from title(scribe.say("From the shelf"))
    for taken in kit.from_stock:
        unit = scribe.unit(taken.measure, taken.quantity)
        what = f"{_short(taken.quantity, scribe)} {unit}  {taken.item}"
        yield from spread(f"  {what}  {taken.name}", taken.bin)
    if kit.left_over:
        yield from title(scribe.say("Left over, the shop's"))
    for left in kit.left_over:
        yield f"  {_left_over(left, scribe)}"


def _left_over(left: LeftOver, scribe: Scribe) -> str:
    unit = scribe.unit(left.measure, left.quantity)
    what = f"{_short(left.quantity, scribe)} {unit}  {left.item}  {left.name}"
    is_pieces = left.measure == "piece" and left.quality != "maker"
    return scribe.say("{part}, not the maker's", part=what) if is_pieces else what


def _unfilled(quote: Quote, scribe: Scribe) -> Iterator[str]:
    if not quote.unfilled:
        return
    yield from title(scribe.say("NOT TO BE HAD from any supplier of this shop"))
    for each in quote.unfilled:
        unit = scribe.unit(each.measure, each.need.quantity)
        what = f"{_short(each.need.quantity, scribe)} {unit}  {each.need.part}"
        yield f"  {what}  {each.name}"


def _cautions(quote: Quote, scribe: Scribe) -> Iterator[str]:
    yield from title(scribe.say("Cautions; the maker's manual and local rules come first"))
    for caution in quote.cautions:
        told = scribe.say(
            "{title}: {text} (At: {steps}.)",
            title=caution.title,
            text=caution.text,
            steps="; ".join(caution.at),
        )
        yield from paragraph(told, "  ", "    ")
