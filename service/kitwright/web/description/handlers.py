"""Handlers: answers the API description (as a document and a page), and the meaning of codes."""

from __future__ import annotations

from typing import Any, Final

from litestar.datastructures import State

from kitwright.web.calls.listing import Listing, fixed
from kitwright.web.calls.shown import ListOut
from kitwright.web.description.codes import CodeOut, documented_codes
from kitwright.web.description.docs import POLICY, docs_page
from kitwright.web.edge.negotiate import HTML
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.reply import Reply

_COMMON: Final[dict[str, Any]] = {"method": "get", "tag": "running", "is_tagged": True}
# they explain the refusal of a missing key too, and hold nothing of the shop
_PUBLIC: Final[dict[str, Any]] = {**_COMMON, "scope": None, "is_limited": True}

CODES: Final = Listing(
    noun="code",
    records=lambda _: {each.code: each for each in documented_codes()},
    out=lambda _, code: code,
    every=Operation(
        **_PUBLIC,
        path="/problems",
        id="listCodes",
        summary="All codes of problems and errors",
        description=(
            "Every code that a problem document may use, for itself or for an entry in `errors`. "
            "Needs no key."
        ),
        answers=ListOut[CodeOut],
    ),
    one=Operation(
        **_PUBLIC,
        path="/problems/{code}",
        id="getCode",
        summary="Meaning of a code",
        description="The target of a problem document's `type`. Needs no key.",
        answers=CodeOut,
        variables={"code": "The code of a problem, or of an entry in its `errors`."},
    ),
)
DESCRIPTION: Final = Operation(
    **_COMMON,
    path="/openapi.json",
    id="getDescription",
    summary="This description",
    description="The OpenAPI document of the service, with examples from its catalogue.",
    answers=dict[str, Any],
)
DOCS: Final = Operation(
    **_COMMON,
    path="/docs",
    id="getDocs",
    summary="This description as a page",
    description="One HTML page, without scripts and without external resources.",
    answers=None,
    forms=(HTML,),
)


def _docs(state: State) -> Reply[Any]:
    codes = {each.code: f"{each.title.rstrip('.')}. {each.advice}" for each in documented_codes()}
    page = docs_page(state.describe(), codes)
    return Reply(body=page.encode(), form=HTML, headers={"Content-Security-Policy": POLICY})


HANDLERS: Final = (
    *CODES.handlers(),
    fixed(DESCRIPTION, lambda state: Reply(body=state.describe())),
    fixed(DOCS, _docs),
)
"""The handlers of the calls that describe the API."""
