"""Previews: calls that quote a repair or assess findings without storing anything."""

from __future__ import annotations

from typing import Any

from msgspec import UNSET, structs

from kitwright.documents.fleet_words import unit_told, units_told
from kitwright.documents.quote_text import quote_text
from kitwright.language.scribe import Scribe
from kitwright.quote import Assessment, Quote, read_quote
from kitwright.web.calls.call import Call
from kitwright.web.calls.carrying import uncarried
from kitwright.web.calls.fleets import FleetSumOut, fleet_sum
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.judging import judged
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import Out, raw
from kitwright.web.calls.units import NewPreviewIn, figures_of_units, read_units
from kitwright.web.calls.wire import AssessmentIn
from kitwright.web.edge.negotiate import JSON, SVG, TEXT
from kitwright.web.edge.reply import Reply


class FleetPreviewOut(Out, frozen=True, kw_only=True):
    """The quotes of several machines, in the order of the request, and their sum."""

    quotes: tuple[Quote, ...]
    together: FleetSumOut


@operation(
    "POST /v1/assessments",
    "assessFindings",
    "assessments",
    "request-refused",
    forms=(JSON, TEXT, SVG),
)
def assess(call: Call, body: AssessmentIn, form: str) -> Reply[Assessment]:
    """Assess findings.

    From the findings of one engine: void readings with reasons; ranked faults with the evidence for
    and against each, and the confidence; claims that must not be made; and the next tests, the most
    useful first. Nothing is stored. Accept `text/plain` for a text, `image/svg+xml` for the
    leak-down readings as bars over the bands. Duplicate members are refused.
    """
    service = call.desk.service
    if form == JSON:
        return Reply(body=service.assess(body))
    return Reply(body=service.assessed(body, form).encode(), form=form)


@operation(
    "POST /v1/quotes/preview",
    "previewQuote",
    "quotes",
    "request-refused",
    "catalogue-gap",
    "too-busy",
    forms=(JSON, TEXT),
    answers_else=FleetPreviewOut,
)
async def preview(call: Call, body: NewPreviewIn, form: str) -> Reply[Quote]:
    """Quote a repair without storing it.

    From diagnoses, jobs or findings, an engine family and its machine: the access plan with
    minutes, the parts kit, priced lines with tax, the parts orders, and optional work that is worth
    doing while the engine is apart. Nothing is stored. Accept `text/plain` for a text. If findings
    do not support a repair yet, the answer quotes the next test and lists the repairs still
    possible, each with its total. With `units`, the answer has a quote of each machine as keeping
    them would price it, and their sum. Duplicate members are refused.
    """
    if body.units:
        return await _of_units(call, body, form)
    desk, stock = call.desk, call.desk.stock()
    estimates = desk.estimates_on()
    if body.comes_back is None:
        body = structs.replace(body, judged=UNSET)
    else:
        body = desk.store.read(lambda records: judged(desk, records, body))
    if body.looks_ahead:
        quote = await desk.beside(Service.quote, body, stock, estimates)
    else:
        quote = desk.service.quote(body, stock, estimates)
    if form == TEXT:
        return Reply(body=quote_text(quote).encode(), form=TEXT)
    return Reply(body=quote)


async def _of_units(call: Call, body: NewPreviewIn, form: str) -> Reply[Any]:
    """Return the quotes of several machines."""
    desk = call.desk
    units = read_units(desk, uncarried(body.kept()), body.units)
    figures = await figures_of_units(desk, units)
    together = fleet_sum(desk, figures)
    if form == TEXT:
        quotes = [read_quote(one.answer) for one in figures]
        scribe = Scribe(quotes[0].language)
        told = [
            f"{unit_told(place, len(quotes), scribe)}\n\n{quote_text(quote)}"
            for place, quote in enumerate(quotes, start=1)
        ]
        sums = units_told(len(quotes), together.gross, scribe)
        return Reply(body="\n\n".join((*told, sums)).encode(), form=TEXT)
    quotes_out = tuple(raw(one.answer) for one in figures)
    return Reply(body=FleetPreviewOut(quotes=quotes_out, together=together))
