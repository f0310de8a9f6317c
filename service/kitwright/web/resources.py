"""Resources: every path of the service, and what the API description says of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from litestar import Request, Response
from litestar.handlers import HTTPRouteHandler, get, post
from msgspec import Struct

from kitwright.web import records
from kitwright.web.body import read_body
from kitwright.web.negotiate import JSON, TEXT, best_form, json_response, unchanging
from kitwright.web.out import Out, QuoteOut
from kitwright.web.problems import KINDS, Refusal
from kitwright.web.service import Service
from kitwright.web.wire import PreviewIn

Call = Request[Any, Any, Any]


class Described(Struct, frozen=True, kw_only=True):
    """What the API description says of one operation.

    `answers` is the struct of the 200 answer; `problems` are codes of `KINDS`; `variables`
    describes the path's.
    """

    method: str
    path: str
    id: str
    tag: str
    summary: str
    description: str
    answers: Any
    problems: tuple[str, ...]
    takes: Any = None
    forms: tuple[str, ...] = (JSON,)
    variables: Mapping[str, str] = {}
    is_conditional: bool = False


class HealthOut(Out, frozen=True, kw_only=True):
    """The state of the service."""

    status: str


class ReadyOut(Out, frozen=True, kw_only=True):
    """That the service can quote, for which shop and by which revision of the catalogue."""

    status: str
    shop: str
    catalogue_revision: str


class ProblemKindOut(Out, frozen=True, kw_only=True):
    """A kind of problem and what to do about it."""

    code: str
    status: int
    title: str
    advice: str


_READS = ("not-acceptable",)
_BODY = ("not-json", "body-invalid", "not-acceptable", "body-too-large", "wrong-media-type")

PREVIEW: Final = Described(
    method="post",
    path="/v1/quotes/preview",
    id="previewQuote",
    tag="quotes",
    summary="Quote a repair without keeping it",
    description=(
        "From diagnoses or jobs, an engine family and its machine: the access plan with its "
        "minutes, the kit, the priced lines with tax, the parts orders, and what is worth doing "
        "while the engine is apart. Nothing is kept. Ask for text/plain to get the quote as text."
    ),
    takes=PreviewIn,
    answers=QuoteOut,
    forms=(JSON, TEXT),
    problems=(*_BODY, "request-refused", "catalogue-gap"),
)


def _listed(path: str, noun: str, record: Any, key: str = "id") -> tuple[Described, Described]:
    """Return the descriptions of a list of records and of one of them."""
    name = "".join(word.capitalize() for word in path.split("-"))
    many = Described(
        method="get",
        path=f"/v1/{path}",
        id=f"list{name}",
        tag="catalogue",
        summary=f"All {path.replace('-', ' ')}",
        description=f"Every {noun} of the catalogue. Changes with its revision only.",
        answers=records.ListOut[record],
        problems=_READS,
        is_conditional=True,
    )
    one = Described(
        method="get",
        path=f"/v1/{path}/{{{key}}}",
        id=f"get{name}ById",
        tag="catalogue",
        summary=f"One {noun}",
        description=f"One {noun} of the catalogue. Changes with the catalogue's revision only.",
        answers=record,
        problems=("unknown-record", *_READS),
        variables={key: f"The {key} of a {noun}."},
        is_conditional=True,
    )
    return many, one


FAMILIES, FAMILY = _listed("families", "engine family", records.FamilyOut)
ALL_CHASSIS, ONE_CHASSIS = _listed("chassis", "chassis", records.ChassisOut)
DIAGNOSES, DIAGNOSIS = _listed("diagnoses", "diagnosis", records.DiagnosisOut, "code")
JOBS, JOB = _listed("jobs", "job", records.JobRecordOut)
TAX_AREAS, _ = _listed("tax-areas", "tax area", records.TaxAreaOut)
_, PART = _listed("parts", "part, set or consumable", records.PartOut, "number")
SHOP: Final = Described(
    method="get",
    path="/v1/shop",
    id="getShop",
    tag="catalogue",
    summary="The shop",
    description="The shop that this service quotes for. Changes with the catalogue only.",
    answers=records.ShopRecordOut,
    problems=_READS,
    is_conditional=True,
)
LIVE: Final = Described(
    method="get",
    path="/health/live",
    id="getLiveness",
    tag="running",
    summary="Whether the process answers",
    description="Answers as long as the process does.",
    answers=HealthOut,
    problems=_READS,
)
READY: Final = Described(
    method="get",
    path="/health/ready",
    id="getReadiness",
    tag="running",
    summary="Whether the service can quote",
    description="Answers once the catalogue is loaded, with its revision and the shop.",
    answers=ReadyOut,
    problems=_READS,
)
PROBLEM: Final = Described(
    method="get",
    path="/problems/{code}",
    id="getProblemKind",
    tag="running",
    summary="What a problem code means",
    description="The page that a problem document's `type` leads to.",
    answers=ProblemKindOut,
    problems=("unknown-record", *_READS),
    variables={"code": "A problem code."},
)
OPERATIONS: Final = (
    PREVIEW,
    FAMILIES,
    FAMILY,
    ALL_CHASSIS,
    ONE_CHASSIS,
    DIAGNOSES,
    DIAGNOSIS,
    JOBS,
    JOB,
    PART,
    TAX_AREAS,
    SHOP,
    LIVE,
    READY,
    PROBLEM,
)


def make_handlers(service: Service, document: bytes) -> list[HTTPRouteHandler]:
    """Return the handlers of every operation, and of the API description itself."""

    @post(PREVIEW.path, status_code=200)
    async def preview(request: Call) -> Response[bytes]:
        form = best_form(request, PREVIEW.forms)
        asked = await read_body(request, PreviewIn)
        if form == TEXT:
            text = service.preview_text(asked).encode()
            return Response(text, media_type=f"{TEXT}; charset=utf-8")
        return json_response(service.preview(asked))

    @get("/openapi.json")
    async def openapi(request: Call) -> Response[bytes]:
        best_form(request, [JSON])
        return Response(document, media_type=JSON)

    @get(LIVE.path)
    async def live(request: Call) -> Response[bytes]:
        best_form(request, LIVE.forms)
        return json_response(HealthOut(status="alive"))

    @get(READY.path)
    async def ready(request: Call) -> Response[bytes]:
        best_form(request, READY.forms)
        shop = service.workshop.shop.id
        return json_response(
            ReadyOut(status="ready", shop=shop, catalogue_revision=service.revision)
        )

    @get("/problems/{code:str}")
    async def problem_kind(request: Call, code: str) -> Response[bytes]:
        best_form(request, PROBLEM.forms)
        kind = KINDS.get(code)
        if kind is None:
            raise Refusal("unknown-record", f"no problem has the code {code!r}")
        return json_response(
            ProblemKindOut(code=code, status=kind.status, title=kind.title, advice=kind.advice)
        )

    return [preview, openapi, live, ready, problem_kind, *_catalogue_handlers(service)]


def _catalogue_handlers(service: Service) -> list[HTTPRouteHandler]:
    catalogue, shop = service.workshop.catalogue, service.workshop.shop

    def family(record: Any) -> Out:
        return records.family_out(catalogue, record)

    def chassis(record: Any) -> Out:
        return records.chassis_out(catalogue, record)

    def tax_areas() -> object:
        return records.listing(catalogue.tax_areas.values(), records.tax_area_out)

    return [
        *_pair(service, "families", "engine family", catalogue.families, family),
        *_pair(service, "chassis", "chassis", catalogue.chassis, chassis),
        *_pair(service, "diagnoses", "diagnosis", catalogue.diagnoses, records.diagnosis_out),
        *_pair(service, "jobs", "job", catalogue.jobs, records.job_out),
        _one(service, "parts", lambda number: records.part_out(catalogue, shop, number)),
        _whole(service, TAX_AREAS.path, tax_areas),
        _whole(service, SHOP.path, lambda: records.shop_out(catalogue, shop)),
    ]


def _pair(
    service: Service,
    path: str,
    noun: str,
    kept: Mapping[Any, Any],
    out: Callable[[Any], Out],
) -> tuple[HTTPRouteHandler, HTTPRouteHandler]:
    """Return the handlers of a list of records and of one of them."""
    return (
        _whole(service, f"/v1/{path}", lambda: records.listing(kept.values(), out)),
        _one(service, path, lambda key: out(records.find(noun, kept, key))),
    )


def _whole(service: Service, path: str, body: Callable[[], object]) -> HTTPRouteHandler:
    @get(path)
    async def whole(request: Call) -> Response[bytes]:
        return unchanging(request, body(), service.revision)

    return whole


def _one(service: Service, path: str, body: Callable[[str], Out]) -> HTTPRouteHandler:
    @get(f"/v1/{path}/{{key:str}}")
    async def one(request: Call, key: str) -> Response[bytes]:
        return unchanging(request, body(key), service.revision)

    return one
