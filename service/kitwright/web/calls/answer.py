"""The quote on the wire: how a quote of the core becomes the answer's structs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from kitwright.catalogue.model import LOOSE, Catalogue
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.stages.contingency import Prospect, Weighed
from kitwright.stages.kit import NeedKind
from kitwright.stages.price import Totals
from kitwright.stages.quote import InPlay, Quote
from kitwright.stages.request import Request
from kitwright.stages.work import Operation
from kitwright.tax.charges import ComponentTax
from kitwright.units import decimal_text
from kitwright.web.calls.assessments import AssessmentOut, ScopeJobOut, assessment_out
from kitwright.web.calls.draft import Teller, line_out, share_out
from kitwright.web.calls.out import (
    CoversOut,
    EngineOut,
    ExemptionOut,
    MoneyOut,
    ShopOut,
    TaxOut,
    TotalsOut,
    money,
)
from kitwright.web.calls.quote_out import (
    ContingenciesOut,
    ContingencyOut,
    FaultInPlayOut,
    InPlayOut,
    QuoteOut,
)


def answer(
    quote: Quote,
    speaker: Speaker,
    *,
    catalogue: Catalogue,
    language: str,
    complaint: str | None = None,
) -> QuoteOut:
    """Return a quote as it goes over the wire, its sentences in the speaker's language.

    `complaint` is what the customer reported, as it is.
    """
    told = Teller(speaker)
    parts = share_out(quote, told)
    repair = quote.repair
    taxed = repair.line_taxes or (None,) * len(repair.lines)
    basis, assessment, in_play = basis_out(quote, speaker, catalogue=catalogue, language=language)
    return QuoteOut(
        basis=basis,
        assessment=assessment,
        in_play=in_play,
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
        engine=engine_out(quote.request),
        complaint=complaint,
        jobs=parts.jobs,
        swallowed=parts.swallowed,
        access=parts.access,
        labour=parts.labour,
        kit=parts.kit,
        lines=tuple(
            line_out(line, tax, told) for line, tax in zip(repair.lines, taxed, strict=True)
        ),
        taxes=taxes_out(repair.taxes),
        tax_state="unknown" if repair.line_taxes is None else "known",
        exemption=exemption_out(quote),
        totals=totals_out(repair.totals),
        orders=parts.orders,
        unfilled=parts.unfilled,
        extras=parts.extras,
        questions=parts.questions,
        cautions=parts.cautions,
        notes=told.whys(quote.notes),
        contingencies=contingencies_out(quote, told),
    )


def basis_out(
    quote: Quote, speaker: Speaker, *, catalogue: Catalogue, language: str
) -> tuple[Literal["asked", "repair", "test"], AssessmentOut | None, tuple[InPlayOut, ...]]:
    """Return what a quote was made of, with the assessment and the repairs in play."""
    basis = quote.basis
    if basis is None:
        return "asked", None, ()
    return (
        "repair" if basis.is_repair else "test",
        assessment_out(basis.assessment, catalogue, speaker, language=language),
        tuple(_in_play(one, speaker) for one in basis.in_play),
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
        jobs=tuple(_scope_job(each, speaker) for each in one.operations),
        price=money(one.price),
        minutes=one.minutes,
    )


def contingencies_out(
    quote: Quote, told: Teller, each: tuple[ContingencyOut, ...] | None = None
) -> ContingenciesOut | None:
    """Return what may turn up, None where nobody asked for it; `each` is what may, where that is
    told already.
    """
    found = quote.contingencies
    if found is None:
        return None
    return ContingenciesOut(
        each=may_turn_up_out(found.prospect, told) if each is None else each,
        as_quoted=money(found.as_quoted),
        likely=money(found.likely),
        worst=money(found.worst),
    )


def may_turn_up_out(prospect: Prospect, told: Teller) -> tuple[ContingencyOut, ...]:
    """Return each thing that may turn up on the wire."""
    return tuple(_contingency(one, told) for one in prospect.each)


def _contingency(one: Weighed, told: Teller) -> ContingencyOut:
    kind = one.found.kind
    return ContingencyOut(
        contingency=kind.id,
        name=told.speaker.text("contingency", kind.name),
        cylinder=one.found.cylinder,
        after=None if one.after is None else one.after.kind.id,
        after_cylinder=None if one.after is None else one.after.cylinder,
        plain=told.speaker.text("contingency", kind.plain),
        probability=str(one.probability),
        likely=one.is_likely,
        jobs=tuple(_scope_job(each, told.speaker) for each in one.found.operations),
        parts=tuple(
            CoversOut(
                role=need.role,
                cylinder=need.cylinder,
                part=need.item,
                quantity=decimal_text(need.quantity),
                fitted=None,
            )
            for need in one.needs
            if need.kind is not NeedKind.used
        ),
        price=money(one.price),
        minutes=one.minutes,
    )


def _scope_job(operation: Operation, speaker: Speaker) -> ScopeJobOut:
    job = operation.job.id
    return ScopeJobOut(job=job, name=speaker.job(job), cylinder=operation.cylinder)


def _maybe(value: Money | None) -> MoneyOut | None:
    return None if value is None else money(value)


def taxes_out(taxes: Iterable[ComponentTax]) -> tuple[TaxOut, ...]:
    """Return the taxes of a document on the wire."""
    return tuple(
        TaxOut(
            component=tax.component,
            name=tax.name,
            rate=decimal_text(tax.percent),
            base=money(tax.base),
            amount=money(tax.amount),
        )
        for tax in taxes
    )


def totals_out(totals: Totals) -> TotalsOut:
    """Return the totals on the wire."""
    return TotalsOut(
        lines=money(totals.lines),
        discount=money(totals.discount),
        net=_maybe(totals.net),
        tax=_maybe(totals.tax),
        gross=_maybe(totals.gross),
        deposit=money(totals.deposit),
        prepaid=money(totals.prepaid),
        cash_rounding=money(totals.cash_rounding),
        payable=_maybe(totals.payable),
    )


def engine_out(request: Request) -> EngineOut:
    """Return the engine and its machine on the wire."""
    chassis = request.chassis
    named = LOOSE if chassis is None else chassis.id
    return EngineOut(
        family=request.family.id,
        name=f"{request.family.maker} {request.family.name}",
        serial=request.asked.serial,
        build_code=request.asked.build_code,
        chassis=None if request.may_be else named,
        chassis_name=None if chassis is None else chassis.name,
    )


def exemption_out(quote: Quote) -> ExemptionOut | None:
    """Return the exemption that was shown, None where none was."""
    shown = quote.request.asked.terms.exemption
    if shown is None:
        return None
    return ExemptionOut(
        certificate_number=shown.certificate_number,
        valid_until=shown.valid_until,
        kinds=tuple(sorted(quote.request.exempt_kinds)),
        spares=taxes_out(quote.repair.freed),
    )
