"""Previews: a repair is quoted, and findings are assessed, without keeping anything."""

from __future__ import annotations

from kitwright.documents.quote_text import quote_text
from kitwright.keeping.key import Scope
from kitwright.quote import Assessment, Quote
from kitwright.web.calls.call import Call
from kitwright.web.calls.declared import operation
from kitwright.web.calls.findings import AssessmentIn
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.negotiate import JSON, SVG, TEXT
from kitwright.web.edge.reply import Reply


@operation(
    "POST /v1/assessments",
    "assessFindings",
    "assessments",
    scope=Scope.QUOTE,
    forms=(JSON, TEXT, SVG),
    problems=("request-refused",),
)
def assess(call: Call, body: AssessmentIn, form: str) -> Reply[Assessment]:
    """What findings come to.

    From what the bench saw of one engine: which readings are void and why, ranked faults with what
    speaks for and against each, how sure, what must not be claimed, and the next tests in the order
    they pay. Nothing is kept. Ask for text/plain to get it as text, for image/svg+xml to get the
    leak-down readings as bars over the bands. No member may be given twice.
    """
    service = call.desk.service
    if form == JSON:
        return Reply(body=service.assess(body))
    return Reply(body=service.assessed(body, form).encode(), form=form)


@operation(
    "POST /v1/quotes/preview",
    "previewQuote",
    "quotes",
    scope=Scope.QUOTE,
    forms=(JSON, TEXT),
    problems=("request-refused", "catalogue-gap"),
)
def preview(call: Call, body: PreviewIn, form: str) -> Reply[Quote]:
    """Quote a repair without keeping it.

    From diagnoses, jobs or findings, an engine family and its machine: the access plan with its
    minutes, the kit, the priced lines with tax, the parts orders, and what is worth doing while the
    engine is apart. Nothing is kept. Ask for text/plain to get it as text. Findings that support no
    repair yet are answered with a quote for the next test, and the repairs in play with what each
    would come to. No member may be given twice.
    """
    service = call.desk.service
    if form == TEXT:
        return Reply(body=quote_text(service.quote(body)).encode(), form=TEXT)
    return Reply(body=service.quote(body))
