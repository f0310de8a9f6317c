"""Statement: tells what finished work is billed, line by line against what was agreed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from kitwright import quote as wire
from kitwright.catalogue.model import LabourBasis
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Line, Quote, StatementLine, amount_of
from kitwright.stages.billing import AgreedLine, Billed, BilledLine, Used, Why
from kitwright.telling.price import tell_line_taxes, tell_taxes
from kitwright.units import decimal_text

_OF_PERCENT = {"percent-of-line", "percent-of-quote"}
_NOT_AGREED = {Why.core_back, Why.stopped, Why.limited}
_OF_LINE = {"percent-of-line", "discount-of-line"}
_AS_A_WHOLE = {Why.follows, Why.charged}


def agreed_lines(quote: Quote) -> tuple[AgreedLine, ...]:
    """Return the lines of a quote, with its additions, as the bill takes them."""
    found = quote.comes_back
    borne = {} if found is None else {one.line: one.amount.money for one in found.lines}
    return tuple(_agreed(line, borne.get(place)) for place, line in enumerate(quote.lines, 1))


def _agreed(line: Line, borne: Money | None) -> AgreedLine:
    whys = {one.code: one.facts for one in line.why}
    percent = next((whys[code]["percent"] for code in _OF_PERCENT & whys.keys()), None)
    reduces = next((whys[code]["code"] for code in _OF_LINE & whys.keys()), None)
    return AgreedLine(
        kind=line.kind,
        code=line.code,
        tax_kind=line.tax_kind,
        quantity=Decimal(line.quantity),
        unit=line.unit,
        unit_price=Decimal(line.unit_price),
        base_quantity=Decimal(line.base_quantity),
        amount=line.amount.money,
        percent=None if percent is None else Decimal(str(percent)),
        reduces=None if reduces is None else str(reduces),
        labour_class=line.labour_class,
        borne=borne,
    )


def tell_statement(
    quote: Quote,
    billed: Billed,
    used: Used,
    *,
    quote_id: str,
    revision: int,
    supplied_on: date,
    basis: LabourBasis,
    limit: Money,
    limit_includes_tax: bool,
    stopped: wire.StoppedAt | None = None,
) -> wire.Statement:
    """Return the statement of finished work.

    Args:
        quote: as agreed, with its additions; its tax is known. Of work that was stopped, with the
            lines that the bill has besides.
        billed: what is billed for it.
        used: what it follows from.
    """
    scribe = Scribe(quote.language)
    taxed = billed.taxed
    exemption = quote.exemption
    return wire.Statement(
        quote=quote_id,
        engine=quote.engine,
        revision=revision,
        language=quote.language,
        prices_include_tax=quote.shop.prices_include_tax,
        supplied_on=supplied_on,
        basis=basis.value,
        lines=tuple(_told(quote.lines, one, scribe) for one in billed.lines),
        disposed=tuple(
            wire.DisposedOf(
                what=one.what,
                quantity=decimal_text(one.quantity),
                unit=one.unit,
                where=one.where,
            )
            for one in used.disposed
        ),
        taxes=tell_taxes(taxed.taxes, scribe.text),
        exemption=None
        if exemption is None
        else wire.Exemption(
            certificate_number=exemption.certificate_number,
            valid_until=exemption.valid_until,
            kinds=exemption.kinds,
            spares=tell_taxes(taxed.freed, scribe.text),
        ),
        agreed_net=amount_of(wire.known(quote.totals.net)),
        agreed_gross=amount_of(wire.known(quote.totals.gross)),
        net=amount_of(taxed.net),
        tax=amount_of(taxed.tax),
        gross=amount_of(taxed.gross),
        limit=amount_of(limit),
        limit_includes_tax=limit_includes_tax,
        prepaid=quote.totals.prepaid,
        stopped=stopped,
    )


def _told(lines: Sequence[Line], billed: BilledLine, scribe: Scribe) -> StatementLine:
    line = lines[billed.place - 1]
    is_refund = billed.why is Why.core_back
    is_new = billed.why in _NOT_AGREED
    assert billed.tax is not None
    zero = amount_of(Money(0, billed.amount.currency))
    return StatementLine(
        line=billed.place,
        kind=line.kind,
        code=line.code,
        description=scribe.say("Deposit refunded: {line}", line=line.description)
        if is_refund
        else line.description,
        tax_kind=line.tax_kind,
        unit=line.unit,
        measure=line.measure,
        unit_price=_negative(line.unit_price) if is_refund else _price(line, billed),
        base_quantity=line.base_quantity,
        agreed_quantity="0" if is_new else line.quantity,
        quantity=decimal_text(billed.quantity),
        agreed=zero if is_new else line.amount,
        amount=amount_of(billed.amount),
        why=billed.why.value,
        clocked=None if billed.clocked is None else decimal_text(billed.clocked),
        to_shelf=decimal_text(billed.to_shelf),
        to_supplier=decimal_text(billed.to_supplier),
        not_arrived=decimal_text(billed.not_arrived),
        by_customer=line.kind == "customer_part",
        net=amount_of(billed.tax.net),
        tax=amount_of(billed.tax.tax),
        gross=amount_of(billed.tax.gross),
        taxes=tell_line_taxes(billed.taxes, scribe.text),
    )


def _negative(price: str) -> str:
    return decimal_text(-Decimal(price))


def _price(line: Line, billed: BilledLine) -> str:
    """Return the unit price: of a line that became another amount, that."""
    return billed.amount.amount_text if billed.why in _AS_A_WHOLE else line.unit_price
