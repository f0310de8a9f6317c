"""Link pages: shows a customer's offer as a page with forms that need no script."""

from __future__ import annotations

import inspect
import re
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any, Final, TypeVar
from urllib.parse import parse_qsl

import msgspec
from litestar import Request
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse
from msgspec import Struct, structs

from kitwright.documents.closing_view import Closing
from kitwright.documents.page_actions import REPEATED, PageActions, PageField
from kitwright.documents.page_words import wrong_told
from kitwright.documents.papers import Page
from kitwright.errors import KitwrightError
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.money import digits
from kitwright.quote import Paper
from kitwright.stages.request import RequestRefused
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import answering, operation_of, route
from kitwright.web.calls.ticking import TicksIn
from kitwright.web.edge.body import receive
from kitwright.web.edge.negotiate import HTML, JSON, PDF, media_type
from kitwright.web.edge.problems import FaultOut, Refusal, fault_of
from kitwright.web.edge.reply import Reply, response

T = TypeVar("T", bound=Struct)

_FORM: Final = "application/x-www-form-urlencoded"
_FIELDS: Final = frozenset(PageField)
_GROUP: Final = 3
_PLAIN: Final = re.compile(r"(?P<whole>[0-9]+)(?:[.,](?P<part>[0-9]+))?")
_IN_GROUPS: Final = re.compile(
    r"(?P<whole>[0-9]{1,3}(?P<mark>[.,'\u2019])[0-9]{3}(?:(?P=mark)[0-9]{3})*)"
    r"(?:(?!(?P=mark))[.,](?P<part>[0-9]+))?"
)
_MOST_FIELDS: Final = 250
_MOST_FORM: Final = 16_384

_SEE_OTHER: Final = 303
_REFUSED: Final = 400


class Offered(Struct, frozen=True):
    """A revision on a page, with the actions possible there, and the account of a visit that is
    over.
    """

    paper: Paper
    actions: PageActions
    closing: Closing | None = None


Finding = Callable[[Records, Call], Offered]
"""Returns the offer for a link's page."""
Choosing = Callable[[Call, Offered, TicksIn], Awaitable[Offered]]
"""Returns the page of an offer as its customer's choices make it."""
Decide = Callable[..., Any]
"""Carries out a customer's decision, or returns its work on the records."""


async def drawn_offer(call: Call, form: str, offered: Finding, choosing: Choosing) -> Reply[Any]:
    """Return the `offered` revision as a page, with what can be chosen there, or as PDF."""
    desk = call.desk
    found = desk.store.read(lambda records: offered(records, call))
    if form == HTML:
        found = await choosing(call, found, TicksIn())
        return _offer_page(desk, found)
    if found.actions.has_ended and found.closing is None:
        raise Refusal("link-expired", "this offer no longer stands")
    body = await desk.documents.run(desk.papers.customer_pdf, found.paper, found.closing)
    headers = {"Content-Disposition": f'inline; filename="{found.paper.envelope.name}.pdf"'}
    return Reply(body=body, form=PDF, headers=headers)


def _offer_page(desk: Desk, found: Offered, status: int = 200) -> Reply[Any]:
    """Return the page of an offer: of a visit that is over, its account; of an offer that has
    ended, nothing but that it has.
    """
    if found.closing is not None:
        page = desk.papers.closing_page(found.paper, found.closing, found.actions.notice)
    elif found.actions.has_ended:
        page = desk.papers.ended_page(found.paper, found.actions)
    else:
        page = desk.papers.offer_page(found.paper, found.actions)
    return _page(page, status)


def beside(call: Call, token: str, act: str = "") -> str:
    """Return the path of a link or of an act on it, relative to that of the call: so it is right
    behind a proxy that adds something in front of it.
    """
    up = "" if call.operation.path.endswith("{token}") else "../"
    return f"{up}{token}/{act}" if act else f"{up}{token}"


def decision(
    name: str,
    operation_id: str,
    offered: Finding,
    choosing: Choosing,
    *problems: str,
    **facts: Any,
) -> Callable[[Decide], HTTPRouteHandler]:
    """Return a decorator that makes a function the route handler of a customer's acceptance or
    refusal, sent as JSON or by the page's form.

    After an accepted form, the customer is redirected to the page; an invalid form is shown again
    with its errors next to the fields.
    """

    def declare(decide: Decide) -> HTTPRouteHandler:
        line, known = f"POST /v1/links/{{token}}/{name}", (*problems, "link-expired")
        facts.update(problems=known, forms=(JSON, HTML))
        one = operation_of(decide, line, operation_id, "links", **facts)
        as_json = answering(one, decide)

        async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
            kind, _ = media_type(request.headers.get("content-type", ""))
            if kind != _FORM:
                return await as_json(request)
            call = Call(one, request)
            entered = _entered(await receive(request, _MOST_FORM))
            reply = await _decided(call, decide, entered, offered, choosing)
            return response(request, reply, one.status, varies=reply.status != _SEE_OTHER)

        return route(one, handler)

    return declare


async def _decided(
    call: Call,
    decide: Decide,
    entered: Mapping[str, str],
    offered: Finding,
    choosing: Choosing,
) -> Reply[Any]:
    """Return the answer to a form, after carrying out its decision."""
    desk, shape = call.desk, call.operation.takes
    assert shape is not None
    await desk.sweep()

    async def again(wrong: Mapping[str, str], status: int) -> Reply[Any]:
        return await _again(call, offered, choosing, entered, wrong, status)

    try:
        body = _asked(entered, shape, desk.currency)
        await desk.store.write(await _work(decide, call, body))
    except msgspec.ValidationError as error:
        return await again(_wrong(error, shape), 422)
    except RequestRefused as error:
        return await again({_field(fault): fault.code for fault in error.faults if fault.path}, 422)
    except ActRefused as error:
        return await again({_field(error): error.code} if error.path else {}, 409)
    desk.wake()
    page = beside(call, call.variable("token"))
    return Reply(body=b"", status=_SEE_OTHER, headers={"Location": page}, form=HTML)


def choice_form(
    line: str, operation_id: str, offered: Finding, choosing: Choosing, **facts: Any
) -> Callable[[Decide], HTTPRouteHandler]:
    """Return a decorator that makes a function the route handler that prices a customer's choice,
    sent as JSON or by the page's form. The form is answered with the page of that choice.
    """

    def declare(price: Decide) -> HTTPRouteHandler:
        one = operation_of(price, line, operation_id, "links", forms=(JSON, HTML), **facts)
        as_json = answering(one, price)

        async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
            kind, _ = media_type(request.headers.get("content-type", ""))
            if kind != _FORM:
                return await as_json(request)
            call = Call(one, request)
            entered = _entered(await receive(request, _MOST_FORM))
            await call.desk.sweep()
            reply = await _again(call, offered, choosing, entered, {}, 200)
            return response(request, reply, 200)

        return route(one, handler)

    return declare


def _field(fault: KitwrightError) -> str:
    """Return the form's field that an error is about."""
    first = str(fault.path[0])
    return {"leave_out": PageField.keep, "extras": PageField.extra}.get(first, first)


def _ticks(entered: Mapping[str, str]) -> TicksIn:
    """Return what was chosen in a form: nothing of a course that was not the one shown."""
    course, shown = entered.get(PageField.course) or None, entered.get(PageField.shown) or None
    if course is not None and course != shown:
        return msgspec.convert({"course": course}, TicksIn)
    kept = entered.get(PageField.keep, "").split()
    left = [name for name in entered.get(PageField.free, "").split() if name not in kept]
    added = entered.get(PageField.extra, "").split()
    given = {"course": course, "leave_out": _jobs(left), "extras": _jobs(added)}
    return msgspec.convert(given, TicksIn)


def _jobs(names: Sequence[str]) -> list[dict[str, str | int | None]]:
    """Return jobs by their names in the form, such as `J-LASH@1`; a wrong one is no job's."""
    found: list[dict[str, str | int | None]] = []
    for name in names:
        job, _, cylinder = name.partition("@")
        is_number = cylinder.isascii() and cylinder.isdigit() and len(cylinder) < 4
        found.append({"job": job, "cylinder": int(cylinder) if is_number else None})
    return found


async def _work(decide: Decide, call: Call, body: Struct) -> Callable[[Records], Any]:
    """Return the work of a decision on the records."""
    if "records" in inspect.signature(decide).parameters:
        return lambda records: decide(records=records, call=call, body=body)
    found = decide(call=call, body=body)
    work: Callable[[Records], Any] = await found if inspect.isawaitable(found) else found
    return work


def _entered(body: bytes) -> dict[str, str]:
    """Return the known fields of a form, without surrounding spaces.

    Raises: Refusal: body-invalid, also for a field that is given more than once.
    """
    try:
        pairs = parse_qsl(
            body.decode("ascii"),
            keep_blank_values=True,
            strict_parsing=bool(body),
            errors="strict",
            max_num_fields=_MOST_FIELDS,
        )
    except ValueError:
        raise Refusal(
            "body-invalid", "the form is not a list of name=value pairs in UTF-8"
        ) from None
    counted = Counter(name for name, _ in pairs)
    faults = [
        FaultOut(
            pointer=f"/{field}", detail=f"{field}: should be given once", code="duplicate-member"
        )
        for field in PageField
        if counted[field] > 1 and field not in REPEATED
    ]
    if faults:
        raise Refusal("body-invalid", "; ".join(fault.detail for fault in faults), faults)
    given: dict[str, str] = {}
    for name, text in pairs:
        if name in _FIELDS:
            before = f"{given[name]} " if name in given else ""
            given[name] = before + text.strip()
    return given


def _plain(amount: str, currency: str) -> str:
    """Return an amount as a plain decimal number, if it is written in a common form; else
    unchanged.

    Allowed are spaces, the currency's sign or code on either side, and grouped thousands:
    `$1,200.50`, `1.200,50 €`, `1'200`. Three digits after a single separator are a group, unless
    the currency has three decimals.
    """
    told = "".join(amount.split()).removeprefix(currency).removesuffix(currency).strip("$€£")
    in_groups, plain = _IN_GROUPS.fullmatch(told), _PLAIN.fullmatch(told)
    is_plain = plain and (in_groups is None or digits(currency) == _GROUP)
    found = plain if is_plain else in_groups
    if found is None:
        return amount
    whole = re.sub(r"\D", "", found["whole"])
    return f"{whole}.{found['part']}" if found["part"] else whole


def _asked(entered: Mapping[str, str], shape: type[T], currency: str) -> T:
    """Return a form as the struct that JSON would give. Raises: ValidationError."""
    known = {field.name for field in structs.fields(shape)}
    given: dict[str, Any] = {name: text for name, text in entered.items() if name in known and text}
    if "limit" in given:
        given["limit"] = _plain(given["limit"], currency)
    if PageField.early in given:
        given[PageField.early.value] = True
    if issubclass(shape, TicksIn):
        given |= structs.asdict(_ticks(entered))
    return msgspec.convert(given, shape, strict=True, from_attributes=True)


def _wrong(error: msgspec.ValidationError, shape: type[Struct]) -> dict[str, str]:
    """Return the code of the error in a form by its field; a missing one is the required one."""
    fault = fault_of(error)
    required = next((field.name for field in structs.fields(shape) if field.required), "")
    return {fault.pointer.lstrip("/") or required: fault.code}


async def _again(
    call: Call,
    offered: Finding,
    choosing: Choosing,
    entered: Mapping[str, str],
    wrong: Mapping[str, str],
    status: int,
) -> Reply[Any]:
    """Return the page again as the customer's choices make it, with an error message next to each
    invalid field. If a choice can't be priced, it is the page of the offer as it stands.
    """
    found = call.desk.store.read(lambda records: offered(records, call))
    try:
        found = await choosing(call, found, _ticks(entered))
    except msgspec.ValidationError as error:
        wrong, status = {**wrong, PageField.keep: fault_of(error).code}, max(status, 422)
    except RequestRefused as error:
        wrong = {**{_field(fault): fault.code for fault in error.faults}, **wrong}
        status = max(status, 422)
    except ActRefused as error:
        wrong, status = {**wrong, PageField.keep: error.code}, max(status, 409)
    scribe = Scribe(found.paper.quote.language)
    if not (found.actions.is_open or call.operation.path.endswith("withdraw")):
        return _offer_page(call.desk, _as_answered(found, status, scribe), status)
    fields = {PageField(name): code for name, code in wrong.items() if name in _FIELDS}
    actions = structs.replace(
        found.actions,
        entered={PageField(name): text for name, text in entered.items()},
        wrong={field: wrong_told(field, code, scribe) for field, code in fields.items()},
    )
    return _offer_page(call.desk, structs.replace(found, actions=actions), status)


def _as_answered(found: Offered, status: int, scribe: Scribe) -> Offered:
    """Return the page of an offer that was answered before, with the notice that another answer
    changed nothing if that one was refused. There are no fields for errors to be next to.
    """
    if status < _REFUSED:
        return found
    told = scribe.say(
        "This answer changed nothing: what stands is shown here. If you want something else, "
        "please ask us."
    )
    notice = " ".join(filter(None, (told, found.actions.notice)))
    return structs.replace(found, actions=structs.replace(found.actions, notice=notice))


def _page(page: Page, status: int = 200) -> Reply[Any]:
    headers = {"Content-Security-Policy": page.policy}
    return Reply(body=page.body, status=status, form=HTML, headers=headers)
