"""Previews: calls that quote a repair or assess findings without storing anything."""

from __future__ import annotations

from msgspec import UNSET, structs

from kitwright.documents.quote_text import quote_text
from kitwright.quote import Assessment, Quote
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.judging import judged
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import AssessmentIn, PreviewIn
from kitwright.web.edge.negotiate import JSON, SVG, TEXT
from kitwright.web.edge.reply import Reply


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
)
async def preview(call: Call, body: PreviewIn, form: str) -> Reply[Quote]:
    """Quote a repair without storing it.

    From diagnoses, jobs or findings, an engine family and its machine: the access plan with
    minutes, the parts kit, priced lines with tax, the parts orders, and optional work that is worth
    doing while the engine is apart. Nothing is stored. Accept `text/plain` for a text. If findings
    do not support a repair yet, the answer quotes the next test and lists the repairs still
    possible, each with its total. Duplicate members are refused.
    """
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
