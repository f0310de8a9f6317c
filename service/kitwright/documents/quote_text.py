"""A quote and its parts orders as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from kitwright.catalogue.model import Quality
from kitwright.documents.layout import WIDTH, page, paragraph, spread, title
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.stages.line import LineKind, PricedLine
from kitwright.stages.order import PartsOrder
from kitwright.stages.quote import Quote
from kitwright.stages.why import place


def quote_text(quote: Quote, speaker: Speaker) -> str:
    """Return the quote as text of at most `WIDTH` columns, ending in a newline."""
    sections = (
        _head(quote, speaker),
        _basis(quote, speaker),
        _questions(quote, speaker),
        _jobs(quote, speaker),
        _access(quote, speaker),
        _lines(quote, speaker),
        _totals(quote, speaker),
        _extras(quote, speaker),
        _stock(quote, speaker),
        *(_order(quote, order, speaker) for order in quote.repair.orders),
        _unfilled(quote, speaker),
        _cautions(quote, speaker),
    )
    return page(sections)


def _head(quote: Quote, speaker: Speaker) -> Iterator[str]:
    request = quote.request
    family = request.family
    yield "=" * WIDTH
    yield from spread(f"QUOTE  {quote.shop.name}", speaker.day(request.asked.on))
    yield "=" * WIDTH
    serial = (
        "serial not known" if request.asked.serial is None else f"serial {request.asked.serial}"
    )
    yield f"Engine   {family.maker} {family.name} ({family.id}), {serial}"
    chassis = request.chassis
    yield "Machine  " + (
        "none: a loose engine"
        if chassis is None
        else f"{chassis.name} ({chassis.id}), {chassis.kind}"
    )
    for diagnosis, cylinder in request.diagnoses:
        found = f"Found    {place(diagnosis.code, cylinder)}: {diagnosis.plain}"
        yield from paragraph(found, "", " " * 9)
    yield f"Stands until {speaker.day(quote.valid_until)}" + (
        "" if quote.parts_by is None else f"; parts by {speaker.day(quote.parts_by)}"
    )


def _basis(quote: Quote, speaker: Speaker) -> Iterator[str]:
    """Yield what findings support, where the quote is made of them."""
    basis = quote.basis
    if basis is None:
        return
    if basis.is_repair:
        yield "Made of findings: what they support is quoted."
        for one in basis.assessment.diagnosed.ranked:
            if one.is_quotable and one.grade is not None:
                named = speaker.fault(one.code, one.cylinder)
                yield from spread(f"  {one.grade.value}: {named}", str(one.probability))
        return
    yield from title("Made of findings: no repair is sure enough, so what finds out is quoted")
    for each in basis.in_play:
        for fault in each.faults:
            named = speaker.fault(fault.code, fault.cylinder)
            yield from spread(f"  It may be {named}", str(fault.probability))
        jobs = "; ".join(speaker.job(one.job.id, one.cylinder) for one in each.operations)
        yield from spread(f"      then: {jobs}", speaker.money(each.price))


def _questions(quote: Quote, speaker: Speaker) -> Iterator[str]:
    if not quote.repair.kit.questions:
        return
    yield "PROVISIONAL: read the plate before ordering"
    for need in quote.repair.kit.questions:
        role = speaker.on_cylinder(speaker.word(need.role), need.cylinder)
        yield f"  {role}: which of these fits? The dearest is priced, none is ordered."
        for item in need.options:
            yield f"    {item:<14} {speaker.item(item)}"


def _jobs(quote: Quote, speaker: Speaker) -> Iterator[str]:
    yield from title("Work", "alone     here")
    for each in quote.operated:
        operation = each.operation
        named = speaker.job(operation.job.id, operation.cylinder)
        minutes = f"{each.minutes_alone:>4} min {each.minutes_here:>4} min"
        yield from spread(f"  {named}", minutes)
    for gone in quote.repair.jobs.swallowed:
        named = speaker.job(gone.operation.job.id, gone.operation.cylinder)
        by = speaker.job(gone.by.job.id, gone.by.cylinder)
        yield f"  ({named} is part of: {by})"


def _access(quote: Quote, speaker: Speaker) -> Iterator[str]:
    plan = quote.repair.plan
    if not plan.removals:
        return
    yield from title("Comes off, in this order; goes back in reverse", "off     on")
    for number, removal in enumerate(plan.removals, start=1):
        off = speaker.number(removal.remove)
        back = speaker.number(removal.refit + removal.work)
        name = speaker.instance(removal.instance.id)
        yield from spread(f"  {number:>2}. {name}", f"{off:>7} {back:>6}")
    yield from spread("      together, exact minutes", speaker.number(plan.minutes))


def _lines(quote: Quote, speaker: Speaker) -> Iterator[str]:
    yield from title("Lines", quote.shop.currency)
    for line in quote.repair.lines:
        yield from spread(f"  {speaker.line(line)}", line.amount.amount_text)
        told = f"{_quantity(line, speaker)}. {speaker.summary(line.why)}".rstrip()
        yield from paragraph(told, " " * 6, " " * 6, WIDTH - 14)


def _quantity(line: PricedLine, speaker: Speaker) -> str:
    price = speaker.price(line.unit_price, line.amount.currency)
    amount = speaker.number(line.quantity)
    if line.kind is LineKind.labour:
        return f"{amount} min at {price} an hour"
    if line.kind is LineKind.discount:
        return f"{price}"
    if line.unit == "piece":
        return f"{line.code}: {amount} at {price}"
    many = "" if line.base_quantity == 1 else f"{speaker.number(line.base_quantity)} "
    return f"{line.code}: {amount} {line.unit} at {price} per {many}{line.unit}"


def _totals(quote: Quote, speaker: Speaker) -> Iterator[str]:
    totals = quote.repair.totals
    yield from title("Total")
    if totals.discount.minor:
        yield from _amount("  Lines", totals.lines, speaker)
        yield from _amount("  Discount", totals.discount, speaker)
    if totals.net is not None:
        yield from _amount("  Net", totals.net, speaker)
    for tax in quote.repair.taxes:
        of = f"{speaker.number(tax.percent)} % of {speaker.money(tax.base)}"
        yield from _amount(f"  {tax.name}, {of}", tax.amount, speaker)
    shown = quote.request.asked.terms.exemption
    if shown is not None:
        until = speaker.day(shown.valid_until)
        yield f"  Exempt by certificate {shown.certificate_number}, until {until}"
    if totals.payable is None or totals.gross is None:
        if totals.net is None:
            yield from _amount("  Lines together", totals.lines + totals.discount, speaker)
        yield "  Tax is not known yet: this quote can't be issued."
    elif totals.payable == totals.gross:
        yield from _amount("  To pay", totals.payable, speaker)
    else:
        yield from _amount("  Gross", totals.gross, speaker)
        if totals.prepaid.minor:
            yield from _amount("  Paid already", -totals.prepaid, speaker)
        if totals.cash_rounding.minor:
            yield from _amount("  Rounding to coins", totals.cash_rounding, speaker)
        yield from _amount("  To pay", totals.payable, speaker)
    if totals.deposit.minor:
        yield from _amount("  Of it in advance, for parts ordered", totals.deposit, speaker)


def _extras(quote: Quote, speaker: Speaker) -> Iterator[str]:
    if not quote.extras:
        return
    yield from title("Worth doing while it is apart: what it would really add")
    for extra in quote.extras:
        where = ", ".join(map(str, extra.cylinders))
        named = speaker.on_cylinder(extra.name, where or None)
        mark = "recommended" if extra.default == "recommend" else "on offer"
        yield from spread(
            f"  {named} ({mark})", f"{speaker.money(extra.price)}  {extra.minutes:>4} min"
        )
        yield from paragraph(extra.reason, " " * 6, " " * 6, WIDTH - 14)


def _stock(quote: Quote, speaker: Speaker) -> Iterator[str]:
    kit = quote.repair.kit
    if kit.from_stock:
        yield from title("From the shelf")
        for taken in kit.from_stock:
            what = f"{speaker.number(taken.quantity)} {taken.unit}  {taken.item}"
            yield from spread(f"  {what}  {speaker.item(taken.item)}", taken.bin)
    if kit.left_over:
        yield from title("Left over, the shop's")
        for left in kit.left_over:
            what = f"{speaker.number(left.quantity)} {left.unit}  {left.item}"
            is_pieces = left.unit == "piece" and left.quality is not Quality.maker
            make = ", not the maker's" if is_pieces else ""
            yield f"  {what}  {speaker.item(left.item)}{make}"


def _order(quote: Quote, order: PartsOrder, speaker: Speaker) -> Iterator[str]:
    supplier = order.supplier
    yield "-" * WIDTH
    yield from spread(f"PARTS ORDER  {supplier.name} ({supplier.id})", quote.shop.name)
    yield f"Ordered by {supplier.cutoff}; promised {speaker.day(order.promised)}"
    yield "-" * WIDTH
    for line in order.lines:
        source = line.source
        packs = f"{line.packs} x {source.pack}" if source.pack > 1 else f"{line.packs}"
        cost = speaker.price(line.unit_cost, supplier.currency)
        stock = {None: "stock not known", 0: "back order"}.get(source.stock, "in stock")
        yield from spread(
            f"  {packs:>5}  {source.sku:<14} {speaker.item(source.item)}", line.net.amount_text
        )
        yield f"         {source.item}, {source.brand}, at {cost}; {stock}"
    yield from _amount("  Goods", order.goods, speaker)
    for fee in order.fees:
        yield from _amount(f"  Fee: {speaker.phrase(fee.code)}", fee.amount, speaker)
    yield from _amount("  Freight", order.freight, speaker)
    yield from _amount("  Together, without tax", order.net, speaker)


def _unfilled(quote: Quote, speaker: Speaker) -> Iterator[str]:
    if not quote.repair.kit.unfilled:
        return
    yield from title("NOT TO BE HAD from any supplier of this shop")
    for each in quote.repair.kit.unfilled:
        what = f"{speaker.number(each.quantity)} {each.need.unit}  {each.item}"
        yield f"  {what}  {speaker.item(each.item)}"


def _cautions(quote: Quote, speaker: Speaker) -> Iterator[str]:
    yield from title("Cautions; the maker's manual and local rules come first")
    for caution in quote.cautions:
        steps = ", ".join(dict.fromkeys(_step(step, speaker) for step in caution.steps))
        told = f"{caution.hazard.title}: {caution.hazard.text} (At: {steps}.)"
        yield from paragraph(told, "  ", "    ")


def _step(step: str, speaker: Speaker) -> str:
    named = speaker.item(step)
    return named if named != step else speaker.instance(step)


def _amount(label: str, money: Money, speaker: Speaker) -> Iterable[str]:
    yield from spread(label, speaker.money(money))
