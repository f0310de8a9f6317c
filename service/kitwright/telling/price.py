"""Price: the lines, taxes, totals and optional jobs of a quote."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from msgspec import structs

from kitwright import quote as wire
from kitwright.money import Money
from kitwright.quote import amount_of
from kitwright.stages.outcome import Extra, Outcome
from kitwright.stages.price import GOODS, PricedLine, Totals
from kitwright.tax.charges import ComponentTax, LineTax, line_taxes
from kitwright.telling.teller import Teller
from kitwright.units import REC20, decimal_text


def tell_lines(outcome: Outcome, teller: Teller) -> Iterator[wire.Line]:
    """Yield the lines, each with its taxes."""
    request, repair = outcome.request, outcome.repair
    area = request.tax_area
    if area is None or repair.line_taxes is None:
        for line in repair.lines:
            yield _untaxed(line, teller)
        return
    shown = {tax.component for tax in (*repair.taxes, *repair.freed)}
    for line, taxed in zip(repair.lines, repair.line_taxes, strict=True):
        taxes = line_taxes(
            area,
            line.tax_kind,
            taxed,
            on=request.asked.on,
            is_exempt=line.tax_kind in request.exempt_kinds,
            shown=shown,
        )
        yield structs.replace(
            _untaxed(line, teller),
            net=amount_of(taxed.net),
            tax=amount_of(taxed.tax),
            gross=amount_of(taxed.gross),
            taxes=tell_line_taxes(taxes, teller.speaker.text),
        )


def tell_line_taxes(
    taxes: Iterable[LineTax], text: Callable[[str, str], str]
) -> tuple[wire.LineTax, ...]:
    """Return a line's treatment by each tax; `text` translates a text of the catalogue, by kind."""
    return tuple(
        wire.LineTax(
            component=tax.component,
            name=text("tax", tax.name),
            category=tax.category,
            rate=decimal_text(tax.percent),
            base=amount_of(tax.base),
            amount=amount_of(tax.amount),
        )
        for tax in taxes
    )


def _untaxed(line: PricedLine, teller: Teller) -> wire.Line:
    """Return a line without its tax; the lines of goods are those of other quotes too."""
    if line.kind in GOODS:
        return teller.once(line, lambda line: _line(line, teller))
    return _line(line, teller)


def _line(line: PricedLine, teller: Teller) -> wire.Line:
    computed = line.computed
    job, cylinder = line.operation or (None, None)
    return wire.Line(
        kind=line.kind,
        code=line.code,
        cylinder=cylinder or None,
        description=teller.speaker.line(line),
        makes=tuple(
            wire.Make(make=each.name, quantity=decimal_text(each.quantity)) for each in line.makes
        ),
        quantity=decimal_text(line.quantity),
        unit=REC20[line.unit],
        measure=line.unit,
        unit_price=f"{line.unit_price:f}",
        base_quantity=decimal_text(line.base_quantity),
        amount=amount_of(line.amount),
        net=None,
        tax=None,
        gross=None,
        taxes=(),
        computed=None
        if computed is None
        else wire.ComputedPrice(
            unit_price=f"{computed.unit_price:f}",
            base_quantity=decimal_text(computed.base_quantity),
            amount=amount_of(computed.amount),
        ),
        tax_kind=line.tax_kind,
        labour_class=line.labour_class,
        job=job,
        places=tuple(wire.Place(role, cylinder) for role, cylinder in line.places),
        sources=line.sources,
        reason=teller.speaker.summary(line.why),
        why=teller.whys(line.why),
    )


def _maybe(value: Money | None) -> wire.Amount | None:
    return None if value is None else amount_of(value)


def tell_taxes(
    taxes: Iterable[ComponentTax], text: Callable[[str, str], str]
) -> tuple[wire.Tax, ...]:
    """Return the taxes of a document; `text` translates a text of the catalogue, by kind."""
    return tuple(
        wire.Tax(
            component=tax.component,
            name=text("tax", tax.name),
            rate=decimal_text(tax.percent),
            base=amount_of(tax.base),
            amount=amount_of(tax.amount),
        )
        for tax in taxes
    )


def tell_totals(totals: Totals) -> wire.Totals:
    """Return the totals of a quote."""
    return wire.Totals(
        lines=amount_of(totals.lines),
        discount=amount_of(totals.discount),
        net=_maybe(totals.net),
        tax=_maybe(totals.tax),
        gross=_maybe(totals.gross),
        deposit=amount_of(totals.deposit),
        prepaid=amount_of(totals.prepaid),
        cash_rounding=amount_of(totals.cash_rounding),
        payable=_maybe(totals.payable),
    )


def tell_exemption(outcome: Outcome, teller: Teller) -> wire.Exemption | None:
    """Return the exemption that was shown, None if there was none."""
    shown = outcome.request.asked.terms.exemption
    if shown is None:
        return None
    return wire.Exemption(
        certificate_number=shown.certificate_number,
        valid_until=shown.valid_until,
        kinds=tuple(sorted(outcome.request.exempt_kinds)),
        spares=tell_taxes(outcome.repair.freed, teller.speaker.text),
    )


def tell_extra(extra: Extra, teller: Teller) -> wire.Extra:
    """Return an optional job with its added price and minutes."""
    reason = teller.speaker.text("job", extra.reason)
    why = wire.Reason(code="while-apart", facts={"job": extra.job}, text=reason)
    return wire.Extra(
        job=extra.job,
        name=teller.speaker.job(extra.job),
        cylinders=extra.cylinders,
        price=amount_of(extra.price),
        minutes=extra.minutes,
        default=extra.default,
        why=(why,),
        needs=tuple(
            structs.replace(teller.once(need, teller.need), kind="recommended")
            for need in extra.needs
        ),
    )
