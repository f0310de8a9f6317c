"""A quote and its parts orders as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from kitwright.catalogue.model import Chassis, Quality
from kitwright.documents.layout import WIDTH, page, paragraph, spread, title
from kitwright.documents.line_words import makes_told
from kitwright.documents.order_text import amount_line, order_lines
from kitwright.language.render import Speaker
from kitwright.stages.contingency import MayTurnUp, Weighed
from kitwright.stages.price import LineKind, PricedLine, balance
from kitwright.stages.quote import Quote

_NUMBERED: Final = frozenset(
    {LineKind.part, LineKind.part_set, LineKind.brought, LineKind.consumable, LineKind.core}
)
"""Kinds of line whose code is a number that is looked up, and not an id of Kitwright's own."""
_ORDER: Final = (
    LineKind.part_set,
    LineKind.part,
    LineKind.brought,
    LineKind.consumable,
    LineKind.labour,
    LineKind.sublet,
    LineKind.fee,
    LineKind.freight,
    LineKind.core,
    LineKind.discount,
)
"""Kinds of lines as they stand; within one, lines keep their order."""


def quote_text(quote: Quote, speaker: Speaker, complaint: str | None = None) -> str:
    """Return the quote as text of at most `WIDTH` columns, ending in a newline.

    `complaint` is what the customer reported.
    """
    sections = (
        _head(quote, speaker),
        _reported(complaint, speaker),
        _basis(quote, speaker),
        _questions(quote, speaker),
        _jobs(quote, speaker),
        _access(quote, speaker),
        _lines(quote, speaker),
        _totals(quote, speaker),
        _contingencies(quote, speaker),
        _extras(quote, speaker),
        _stock(quote, speaker),
        *(order_lines(quote.shop, order, speaker) for order in quote.repair.orders),
        _unfilled(quote, speaker),
        _cautions(quote, speaker),
    )
    return page(sections)


def _head(quote: Quote, speaker: Speaker) -> Iterator[str]:
    request = quote.request
    family = request.family
    yield "=" * WIDTH
    heading = speaker.say("QUOTE  {shop}", shop=quote.shop.name)
    yield from spread(heading, speaker.day(request.asked.on))
    yield "=" * WIDTH
    serial = (
        speaker.say("serial not known")
        if request.asked.serial is None
        else speaker.say("serial {serial}", serial=request.asked.serial)
    )
    engine = f"{family.maker} {family.name} ({family.id}), {serial}"
    yield f"{speaker.say('Engine'):<8} {engine}"
    machine = (
        speaker.say_as("machine", "not known")
        if request.may_be
        else _machine(request.chassis, speaker)
    )
    yield f"{speaker.say('Machine'):<8} {machine}"
    for diagnosis, cylinder in request.diagnoses:
        plain = speaker.text("diagnosis", diagnosis.plain)
        named = speaker.fault(diagnosis.code, cylinder)
        found = f"{speaker.say('Found'):<8} {named}: {plain}"
        yield from paragraph(found, "", " " * 9)
    until = speaker.day(quote.valid_until)
    yield (
        speaker.say("Stands until {day}", day=until)
        if quote.parts_by is None
        else speaker.say(
            "Stands until {day}; parts by {parts_day}",
            day=until,
            parts_day=speaker.day(quote.parts_by),
        )
    )


def _machine(chassis: Chassis | None, speaker: Speaker) -> str:
    if chassis is None:
        return speaker.say("none: a loose engine")
    return f"{chassis.name} ({chassis.id}), {speaker.text('chassis', chassis.kind)}"


def _reported(complaint: str | None, speaker: Speaker) -> Iterator[str]:
    if complaint is None:
        return
    yield from title(speaker.say("Reported by the customer"))
    for line in complaint.splitlines():
        yield from paragraph(line, "  ", "  ")


def _basis(quote: Quote, speaker: Speaker) -> Iterator[str]:
    """Yield what findings support, where the quote is made of them."""
    basis = quote.basis
    if basis is None:
        return
    if basis.is_repair:
        yield speaker.say("Made of findings: what they support is quoted.")
        for one in basis.assessment.diagnosed.ranked:
            if one.is_quotable and one.grade is not None:
                named = speaker.fault(one.code, one.cylinder)
                grade = speaker.word(one.grade.value)
                yield from spread(f"  {grade}: {named}", speaker.figure(str(one.probability)))
                for asked in one.asking:
                    check = speaker.text("gate", asked.gate.plain)
                    yield from paragraph(
                        f"{speaker.say('Still to be checked:')} {check}", "      ", "      "
                    )
        if basis.in_play:
            yield speaker.say("Possible as well, and not repaired by this quote:")
    else:
        yield from title(
            speaker.say("Made of findings: no repair is sure enough, so what finds out is quoted")
        )
    for one in basis.assessment.diagnosed.ranked:
        if one.grade is not None and not one.candidate.has_repair:
            named = speaker.fault(one.code, one.cylinder)
            told = speaker.say("It may be {fault}: there is no job for it here.", fault=named)
            yield from paragraph(told, "  ", "    ")
    for each in basis.in_play:
        for fault in each.faults:
            named = speaker.fault(fault.code, fault.cylinder)
            yield from spread(
                "  " + speaker.say("It may be {fault}", fault=named),
                speaker.figure(str(fault.probability)),
            )
        jobs = "; ".join(speaker.job(one.job.id, one.cylinder) for one in each.operations)
        yield from spread(
            "      " + speaker.say("then: {jobs}", jobs=jobs), speaker.money(each.price)
        )


def _questions(quote: Quote, speaker: Speaker) -> Iterator[str]:
    if quote.request.may_be:
        yield speaker.say("PROVISIONAL: name the machine before ordering")
        told = speaker.say(
            "Which is the engine in? It is priced as in the dearest, {machine}; parts that not all "
            "of them call for are not ordered.",
            machine=_machine(quote.repair.chassis, speaker),
        )
        yield from paragraph(told, "  ", "  ")
        for chassis in (*(each for each in quote.request.may_be if each is not None), None):
            yield f"    {_machine(chassis, speaker)}"
    if not quote.repair.kit.questions:
        return
    yield speaker.say("PROVISIONAL: read the plate before ordering")
    for need in quote.repair.kit.questions:
        role = speaker.on_cylinder(speaker.word(need.role), need.cylinder)
        asked = speaker.say(
            "{role}: which of these fits? The dearest is priced, none is ordered.", role=role
        )
        yield f"  {asked}"
        for item in need.options:
            yield f"    {item:<14} {speaker.item(item)}"


def _jobs(quote: Quote, speaker: Speaker) -> Iterator[str]:
    alone, here = speaker.say_as("minutes", "alone"), speaker.say_as("minutes", "here")
    unit = speaker.say_as("minutes", "min")
    yield from title(speaker.say("Work"), f"{alone}{here:>9}")
    for each in quote.operated:
        operation = each.operation
        named = speaker.job(operation.job.id, operation.cylinder)
        minutes = f"{each.minutes_alone:>4} {unit} {each.minutes_here:>4} {unit}"
        yield from spread(f"  {named}", minutes)
    for gone in quote.repair.jobs.swallowed:
        named = speaker.job(gone.operation.job.id, gone.operation.cylinder)
        by = speaker.job(gone.by.job.id, gone.by.cylinder)
        yield "  " + speaker.say("({job} is part of: {other})", job=named, other=by)


def _access(quote: Quote, speaker: Speaker) -> Iterator[str]:
    plan = quote.repair.plan
    if not plan.removals:
        return
    off, on = speaker.say_as("minutes", "off"), speaker.say_as("minutes", "on")
    yield from title(speaker.say("Comes off, in this order; goes back in reverse"), f"{off}{on:>7}")
    for number, removal in enumerate(plan.removals, start=1):
        off = speaker.number(removal.remove)
        back = speaker.number(removal.refit + removal.work)
        name = speaker.instance(removal.instance.id)
        yield from spread(f"  {number:>2}. {name}", f"{off:>7} {back:>6}")
    yield from spread(
        "      " + speaker.say("together, exact minutes"), speaker.number(plan.minutes)
    )


def _lines(quote: Quote, speaker: Speaker) -> Iterator[str]:
    yield from title(speaker.say("Lines"), quote.shop.currency)
    for line in sorted(quote.repair.lines, key=_place):
        yield from spread(f"  {speaker.line(line)}", speaker.figure(line.amount.amount_text))
        told = f"{_quantity(line, speaker)}. {speaker.summary(line.why)}".rstrip()
        yield from paragraph(told, " " * 6, " " * 6, WIDTH - 14)


def _place(line: PricedLine) -> int:
    """Return where a line stands: one written by hand beside those that are taxed like it."""
    kind = LineKind(line.tax_kind.value) if line.kind is LineKind.free else line.kind
    return _ORDER.index(kind)


def _quantity(line: PricedLine, speaker: Speaker) -> str:
    price = speaker.price(line.unit_price, line.amount.currency)
    amount = speaker.number(line.quantity)
    made = [(one.name, speaker.number(one.quantity)) for one in line.makes]
    makes = makes_told(made, speaker.say("of unknown make"))
    code = f"{line.code}, {makes}" if makes else line.code
    if line.kind is LineKind.labour:
        return speaker.say("{minutes} min at {price} an hour", minutes=amount, price=price)
    if line.kind is LineKind.discount:
        return f"{price}"
    unit = speaker.text("unit", line.unit)
    told = (
        speaker.say("{amount} at {price}", amount=amount, price=price)
        if line.unit == "piece"
        else speaker.say(
            "{amount} {unit} at {price} per {pack}",
            amount=amount,
            unit=unit,
            price=price,
            pack=unit
            if line.base_quantity == 1
            else f"{speaker.number(line.base_quantity)} {unit}",
        )
    )
    return f"{code}: {told}" if line.kind in _NUMBERED else told


def _totals(quote: Quote, speaker: Speaker) -> Iterator[str]:
    totals = quote.repair.totals
    yield from title(speaker.say("Total"))
    spared = quote.repair.freed if quote.shop.selling_prices_include_tax else ()
    if totals.discount.minor or spared:
        yield from amount_line(speaker.say("Lines"), totals.lines, speaker)
    if totals.discount.minor:
        yield from amount_line(speaker.say("Discount"), totals.discount, speaker)
    for tax in spared:
        named = speaker.say(
            "{tax}, {percent} % of {base}: not charged",
            tax=tax.name,
            percent=speaker.number(tax.percent),
            base=speaker.money(tax.base),
        )
        yield from amount_line(named, -tax.amount, speaker)
    if totals.net is not None:
        yield from amount_line(speaker.say("Net"), totals.net, speaker)
    for tax in quote.repair.taxes:
        named = speaker.say(
            "{tax}, {percent} % of {base}",
            tax=tax.name,
            percent=speaker.number(tax.percent),
            base=speaker.money(tax.base),
        )
        yield from amount_line(named, tax.amount, speaker)
    shown = quote.request.asked.terms.exemption
    if shown is not None:
        told = speaker.say(
            "Exempt by certificate {number}, until {day}",
            number=shown.certificate_number,
            day=speaker.day(shown.valid_until),
        )
        yield f"  {told}"
    if totals.payable is None or totals.gross is None:
        if totals.net is None:
            yield from amount_line(
                speaker.say("Lines together"), totals.lines + totals.discount, speaker
            )
        yield "  " + speaker.say("Tax is not known yet: this quote can't be issued.")
        if totals.deposit.minor:
            yield from amount_line(
                speaker.say("Of it in advance, for parts ordered"), totals.deposit, speaker
            )
        return
    found = balance(
        totals.gross,
        prepaid=totals.prepaid,
        payable=totals.payable,
        deposit=totals.deposit,
    )
    if totals.prepaid.minor or totals.cash_rounding.minor:
        yield from amount_line(speaker.say("Gross"), found.comes_to, speaker)
    if totals.prepaid.minor:
        yield from amount_line(speaker.say("Paid already"), -found.paid, speaker)
    if totals.cash_rounding.minor:
        yield from amount_line(speaker.say("Rounding to coins"), totals.cash_rounding, speaker)
    if found.back.minor:
        yield from amount_line(speaker.say("To pay back"), found.back, speaker)
    else:
        left = speaker.say("Left to pay") if found.paid.minor else speaker.say("To pay")
        yield from amount_line(left, found.left, speaker)
    if found.advance.minor:
        yield from amount_line(
            speaker.say("Of it in advance, for parts ordered"), found.advance, speaker
        )
    for note in quote.notes:
        yield from paragraph(speaker.sentence(note), "  ", "  ")


def _contingencies(quote: Quote, speaker: Speaker) -> Iterator[str]:
    """Yield what may turn up, where that was asked for."""
    found = quote.contingencies
    if found is None or not found.each:
        return
    yield from title(speaker.say("What may turn up: what each would really add"))
    unit = speaker.say_as("minutes", "min")
    for depth, one in _nested(found.each, None):
        kind = one.found.kind
        named = speaker.on_cylinder(speaker.text("contingency", kind.name), one.found.cylinder)
        told = speaker.say("{name}, {percent} %", name=named, percent=_percent(one, speaker))
        space = " " * (2 + 4 * depth)
        yield from spread(f"{space}{told}", f"{speaker.money(one.price)}  {one.minutes:>4} {unit}")
        space += " " * 4
        yield from paragraph(speaker.text("contingency", kind.plain), space, space, WIDTH - 14)
    yield from amount_line(speaker.say("As quoted"), found.as_quoted, speaker)
    if any(one.is_likely for one in found.each):
        yield from amount_line(
            speaker.say("With all of it that may well be"), found.likely, speaker
        )
    label = speaker.say("Most expensive combination of these")
    yield from amount_line(label, found.worst, speaker)
    yield "  " + speaker.say("That is not a limit: the only limit is the amount that you agree to.")


def _nested(
    each: Sequence[Weighed], after: MayTurnUp | None, depth: int = 0
) -> Iterator[tuple[int, Weighed]]:
    """Yield what may turn up, each followed by what has to turn up after it, with its depth."""
    for one in each:
        if one.after is after:
            yield depth, one
            yield from _nested(each, one.found, depth + 1)


def _percent(one: Weighed, speaker: Speaker) -> str:
    return speaker.number(one.probability * 100)


def _extras(quote: Quote, speaker: Speaker) -> Iterator[str]:
    if not quote.extras:
        return
    yield from title(speaker.say("Worth doing while it is apart: what it would really add"))
    unit = speaker.say_as("minutes", "min")
    for extra in quote.extras:
        where = ", ".join(map(str, extra.cylinders))
        named = speaker.on_cylinder(speaker.text("job", extra.name), where or None)
        mark = (
            speaker.say_as("extra", "recommended")
            if extra.default == "recommend"
            else speaker.say_as("extra", "on offer")
        )
        yield from spread(
            f"  {named} ({mark})", f"{speaker.money(extra.price)}  {extra.minutes:>4} {unit}"
        )
        yield from paragraph(speaker.text("job", extra.reason), " " * 6, " " * 6, WIDTH - 14)


def _stock(quote: Quote, speaker: Speaker) -> Iterator[str]:
    kit = quote.repair.kit
    if kit.from_stock:
        yield from title(speaker.say("From the shelf"))
        for taken in kit.from_stock:
            unit = speaker.text("unit", taken.unit)
            what = f"{speaker.number(taken.quantity)} {unit}  {taken.item}"
            yield from spread(f"  {what}  {speaker.item(taken.item)}", taken.bin)
    if kit.left_over:
        yield from title(speaker.say("Left over, the shop's"))
        for left in kit.left_over:
            unit = speaker.text("unit", left.unit)
            what = f"{speaker.number(left.quantity)} {unit}  {left.item}  {speaker.item(left.item)}"
            is_pieces = left.unit == "piece" and left.quality is not Quality.maker
            told = speaker.say("{part}, not the maker's", part=what) if is_pieces else what
            yield f"  {told}"


def _unfilled(quote: Quote, speaker: Speaker) -> Iterator[str]:
    if not quote.repair.kit.unfilled:
        return
    yield from title(speaker.say("NOT TO BE HAD from any supplier of this shop"))
    for each in quote.repair.kit.unfilled:
        unit = speaker.text("unit", each.need.unit)
        what = f"{speaker.number(each.quantity)} {unit}  {each.item}"
        yield f"  {what}  {speaker.item(each.item)}"


def _cautions(quote: Quote, speaker: Speaker) -> Iterator[str]:
    yield from title(speaker.say("Cautions; the maker's manual and local rules come first"))
    for caution in quote.cautions:
        steps = "; ".join(dict.fromkeys(_step(step, speaker) for step in caution.steps))
        told = speaker.say(
            "{title}: {text} (At: {steps}.)",
            title=speaker.text("hazard", caution.hazard.title),
            text=speaker.text("hazard", caution.hazard.text),
            steps=steps,
        )
        yield from paragraph(told, "  ", "    ")


def _step(step: str, speaker: Speaker) -> str:
    named = speaker.item(step)
    return named if named != step else speaker.instance(step)
