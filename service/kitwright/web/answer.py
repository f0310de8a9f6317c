"""The quote on the wire: how a quote of the core becomes the answer's structs."""

from __future__ import annotations

from collections.abc import Mapping

from kitwright.catalogue.model import Catalogue
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.stages.quote import InPlay, Quote
from kitwright.stages.request import Request
from kitwright.tax.charges import TaxedLine
from kitwright.units import decimal_text
from kitwright.web.assessments import ScopeJobOut, assessment_out
from kitwright.web.draft import Shared, Teller, line_out, share_out
from kitwright.web.out import (
    EngineOut,
    ExemptionOut,
    LineOut,
    MoneyOut,
    ShopOut,
    TaxOut,
    TotalsOut,
    money,
)
from kitwright.web.quotes import FaultInPlayOut, InPlayOut, QuoteOut


def answer(
    quote: Quote,
    speaker: Speaker,
    *,
    catalogue: Catalogue,
    language: str,
    shared: Shared | None = None,
) -> QuoteOut:
    """Return a quote as it goes over the wire, its sentences in the speaker's language.

    `shared` is what quotes of the same draft have in common, where it is known already.
    """
    told = Teller(speaker)
    parts = shared or share_out(quote, told)
    repair = quote.repair
    basis = quote.basis
    return QuoteOut(
        basis="asked" if basis is None else "repair" if basis.is_repair else "test",
        assessment=None
        if basis is None
        else assessment_out(basis.assessment, catalogue, speaker, language=language),
        in_play=tuple(_in_play(one, speaker) for one in basis.in_play) if basis is not None else (),
        provisional=quote.is_provisional,
        on=quote.request.asked.on,
        valid_until=quote.valid_until,
        parts_by=quote.parts_by,
        language=language,
        catalogue_revision=catalogue.revision,
        shop=ShopOut(
            id=quote.shop.id,
            name=quote.shop.name,
            currency=quote.shop.currency,
            prices_include_tax=quote.shop.selling_prices_include_tax,
        ),
        engine=_engine(quote),
        jobs=parts.jobs,
        swallowed=parts.swallowed,
        access=parts.access,
        labour=parts.labour,
        kit=parts.kit,
        lines=_lines(quote, told, parts.told),
        taxes=tuple(
            TaxOut(
                component=tax.component,
                name=tax.name,
                rate=decimal_text(tax.percent),
                base=money(tax.base),
                amount=money(tax.amount),
            )
            for tax in repair.taxes
        ),
        tax_state="unknown" if repair.line_taxes is None else "known",
        exemption=_exemption(quote.request),
        totals=TotalsOut(
            lines=money(repair.totals.lines),
            discount=money(repair.totals.discount),
            net=_maybe(repair.totals.net),
            tax=_maybe(repair.totals.tax),
            gross=_maybe(repair.totals.gross),
            deposit=money(repair.totals.deposit),
            prepaid=money(repair.totals.prepaid),
            cash_rounding=money(repair.totals.cash_rounding),
            payable=_maybe(repair.totals.payable),
        ),
        orders=parts.orders,
        unfilled=parts.unfilled,
        extras=parts.extras,
        questions=parts.questions,
        cautions=parts.cautions,
    )


def _in_play(one: InPlay, speaker: Speaker) -> InPlayOut:
    return InPlayOut(
        faults=tuple(
            FaultInPlayOut(
                code=each.code,
                name=speaker.fault(each.code),
                cylinder=each.cylinder,
                probability=str(each.probability),
            )
            for each in one.faults
        ),
        jobs=tuple(
            ScopeJobOut(job=each.job.id, name=speaker.job(each.job.id), cylinder=each.cylinder)
            for each in one.operations
        ),
        price=money(one.price),
        minutes=one.minutes,
    )


def _maybe(value: Money | None) -> MoneyOut | None:
    return None if value is None else money(value)


def _engine(quote: Quote) -> EngineOut:
    request = quote.request
    chassis = request.chassis
    return EngineOut(
        family=request.family.id,
        name=f"{request.family.maker} {request.family.name}",
        serial=request.asked.serial,
        build_code=request.asked.build_code,
        chassis=None if chassis is None else chassis.id,
        chassis_name=None if chassis is None else chassis.name,
    )


def _exemption(request: Request) -> ExemptionOut | None:
    shown = request.asked.terms.exemption
    if shown is None:
        return None
    return ExemptionOut(
        certificate_number=shown.certificate_number,
        valid_until=shown.valid_until,
        kinds=tuple(sorted(request.exempt_kinds)),
    )


def _lines(
    quote: Quote, told: Teller, known: Mapping[int, tuple[TaxedLine | None, LineOut]]
) -> tuple[LineOut, ...]:
    """Return the lines; those that neither the counter nor the tax has changed are known."""
    repair = quote.repair
    taxed = repair.line_taxes or (None,) * len(repair.lines)
    lines = []
    for line, tax in zip(repair.lines, taxed, strict=True):
        known_tax, known_line = known.get(id(line), (None, None))
        if known_line is None or known_tax != tax:
            known_line = line_out(line, tax, told)
        lines.append(known_line)
    return tuple(lines)
