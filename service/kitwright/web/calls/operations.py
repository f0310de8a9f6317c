"""Operations: what the API description says of every call."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from msgspec import Struct

from kitwright.keeping.key import Scope
from kitwright.quote import Assessment, Quote
from kitwright.web.calls import records
from kitwright.web.calls.findings import AssessmentIn
from kitwright.web.calls.out import Out
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.negotiate import HTML, JSON, SVG, TEXT
from kitwright.web.edge.problems import CodeText, Status


class Operation(Struct, frozen=True, kw_only=True):
    """One call.

    `answers` is the struct of the good answer, None where that is no JSON, and `status` its
    status; `problems` are problem codes; `variables` describes the path's; `query` is the struct
    of what may stand behind it; `media` are the types of a body that is no JSON. A JSON body may be
    left out where it `may_be_empty`.

    `scope` is what a key must let its holder do, None where no key is needed: then `is_limited`
    where an address may not call too often. `is_once` where an Idempotency-Key is needed,
    `is_guarded` where `If-Match` is; `is_conditional` where reading honours `If-None-Match`,
    `is_tagged` where answers carry an ETag at all.
    """

    method: str
    path: str
    id: str
    tag: str
    summary: str
    description: str
    answers: Any
    problems: tuple[str, ...] = ("not-acceptable",)
    takes: type[Struct] | None = None
    may_be_empty: bool = False
    forms: tuple[str, ...] = (JSON,)
    variables: Mapping[str, str] = {}
    is_conditional: bool = False
    scope: Scope | None = Scope.READ
    is_limited: bool = False
    is_once: bool = False
    is_guarded: bool = False
    is_tagged: bool = False
    is_paged: bool = False
    status: int = 200
    query: type[Struct] | None = None
    media: tuple[str, ...] = ()


class HealthOut(Out, frozen=True, kw_only=True):
    """The state of the service."""

    status: str


class ReadyOut(Out, frozen=True, kw_only=True):
    """That the service can quote, for which shop and by which revision of the catalogue."""

    status: str
    shop: str
    catalogue_revision: str


class CodeOut(Out, frozen=True, kw_only=True):
    """A code that answers carry: a problem's own (`is_fault` false), or of an entry in `errors`
    of the problem `problem`.
    """

    code: CodeText
    is_fault: bool
    problem: CodeText
    status: Status
    title: str
    advice: str


BODY_PROBLEMS: Final = (
    "not-json",
    "body-invalid",
    "body-too-deep",
    "not-acceptable",
    "body-too-large",
    "wrong-media-type",
)
"""Problems of every call that takes a body."""

PREVIEW: Final = Operation(
    scope=Scope.QUOTE,
    method="post",
    path="/v1/quotes/preview",
    id="previewQuote",
    tag="quotes",
    summary="Quote a repair without keeping it",
    description=(
        "From diagnoses, jobs or findings, an engine family and its machine: the access plan with "
        "its minutes, the kit, the priced lines with tax, the parts orders, and what is worth "
        "doing while the engine is apart. Nothing is kept. Ask for text/plain to get it as text. "
        "Findings that support no repair yet are answered with a quote for the next test, and the "
        "repairs in play with what each would come to. No member may be given twice."
    ),
    takes=PreviewIn,
    answers=Quote,
    forms=(JSON, TEXT),
    problems=(*BODY_PROBLEMS, "request-refused", "catalogue-gap"),
)

ASSESS: Final = Operation(
    scope=Scope.QUOTE,
    method="post",
    path="/v1/assessments",
    id="assessFindings",
    tag="assessments",
    summary="What findings come to",
    description=(
        "From what the bench saw of one engine: which readings are void and why, ranked faults "
        "with what speaks for and against each, how sure, what must not be claimed, and the next "
        "tests in the order they pay. Nothing is kept. Ask for text/plain to get it as text, for "
        "image/svg+xml to get the leak-down readings as bars over the bands. No member may be "
        "given twice."
    ),
    takes=AssessmentIn,
    answers=Assessment,
    forms=(JSON, TEXT, SVG),
    problems=(*BODY_PROBLEMS, "request-refused"),
)


def _listed(
    many: str, one: str, *, path: str, noun: str, record: Any, key: str = "id"
) -> tuple[Operation, Operation]:
    """Return the operations that list records and give one of them."""
    listed = Operation(
        method="get",
        path=f"/v1/{path}",
        id=f"list{many}",
        tag="catalogue",
        summary=f"All {path.replace('-', ' ')}",
        description=f"Every {noun} of the catalogue. Changes with the catalogue only.",
        answers=records.ListOut[record],
        is_conditional=True,
    )
    given = Operation(
        method="get",
        path=f"/v1/{path}/{{{key}}}",
        id=f"get{one}",
        tag="catalogue",
        summary=f"One {noun}",
        description=f"One {noun} of the catalogue. Changes with the catalogue only.",
        answers=record,
        problems=("unknown-record", "not-acceptable"),
        variables={key: f"Which {noun}, by its {key}."},
        is_conditional=True,
    )
    return listed, given


FAMILIES, FAMILY = _listed(
    "Families", "Family", path="families", noun="engine family", record=records.FamilyOut
)
ALL_CHASSIS, ONE_CHASSIS = _listed(
    "Chassis", "Chassis", path="chassis", noun="chassis", record=records.ChassisOut
)
DIAGNOSES, DIAGNOSIS = _listed(
    "Diagnoses",
    "Diagnosis",
    path="diagnoses",
    noun="diagnosis",
    record=records.DiagnosisOut,
    key="code",
)
JOBS, JOB = _listed("Jobs", "Job", path="jobs", noun="job", record=records.JobRecordOut)
TAX_AREAS, _ = _listed(
    "TaxAreas", "TaxArea", path="tax-areas", noun="tax area", record=records.TaxAreaOut
)
OVERRUN_PRESETS, OVERRUN_PRESET = _listed(
    "OverrunPresets",
    "OverrunPreset",
    path="overrun-presets",
    noun="overrun preset",
    record=records.OverrunPresetOut,
)
_, PART = _listed(
    "Parts",
    "Part",
    path="parts",
    noun="part, set or consumable",
    record=records.PartOut,
    key="number",
)
SHOP: Final = Operation(
    method="get",
    path="/v1/shop",
    id="getShop",
    tag="catalogue",
    summary="The shop",
    description="The shop that this service quotes for. Changes with the catalogue only.",
    answers=records.ShopRecordOut,
    is_conditional=True,
)
LIVE: Final = Operation(
    scope=None,
    method="get",
    path="/health/live",
    id="getLiveness",
    tag="running",
    summary="Whether the process answers",
    description="Answers as long as the process does.",
    answers=HealthOut,
)
READY: Final = Operation(
    scope=None,
    method="get",
    path="/health/ready",
    id="getReadiness",
    tag="running",
    summary="Whether the service can quote",
    description="Answers once the catalogue is loaded, with its revision and the shop.",
    answers=ReadyOut,
)
METRICS: Final = Operation(
    method="get",
    path="/metrics",
    id="getMetrics",
    tag="running",
    summary="What the service has answered, counted and timed",
    description=(
        "Prometheus' text format 0.0.4: requests by operation and status, a histogram of their "
        "seconds by operation, and the process's memory, files and processor time."
    ),
    answers=None,
    forms=(TEXT,),
)
CODES: Final = Operation(
    method="get",
    path="/problems",
    id="listCodes",
    tag="running",
    summary="All codes of problems and faults",
    description="Every code that a problem document may carry, its own or of an entry in `errors`.",
    answers=records.ListOut[CodeOut],
    is_conditional=True,
)
CODE: Final = Operation(
    method="get",
    path="/problems/{code}",
    id="getCode",
    tag="running",
    summary="What a code means",
    description="The page that a problem document's `type` leads to.",
    answers=CodeOut,
    problems=("unknown-record", "not-acceptable"),
    variables={"code": "The code of a problem, or of an entry in its `errors`."},
    is_conditional=True,
)
DESCRIPTION: Final = Operation(
    method="get",
    path="/openapi.json",
    id="getDescription",
    tag="running",
    summary="This description",
    description="The OpenAPI document of the service, its examples from the catalogue at hand.",
    answers=dict[str, Any],
    is_conditional=True,
)
DOCS: Final = Operation(
    method="get",
    path="/docs",
    id="getDocs",
    tag="running",
    summary="This description as a page",
    description="One page for people, without scripts and without anything from elsewhere.",
    answers=None,
    forms=(HTML,),
    is_conditional=True,
)
OPERATIONS: Final = (
    ASSESS,
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
    OVERRUN_PRESETS,
    OVERRUN_PRESET,
    SHOP,
    LIVE,
    READY,
    METRICS,
    CODES,
    CODE,
    DESCRIPTION,
    DOCS,
)
