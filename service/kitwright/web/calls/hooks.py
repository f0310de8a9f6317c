"""Hooks: where events are posted to; the owner's business."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Final

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, structs

from kitwright.errors import KitwrightError
from kitwright.keeping import owner
from kitwright.keeping.key import Scope
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import Hook
from kitwright.keeping.store import Records
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.handlers import Call, Reply, Work, acting, reading
from kitwright.web.calls.ids import HOOK, HookId, missing, written
from kitwright.web.calls.operations import BODY_PROBLEMS, Operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.quote_wire import EventOut, event_out
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.refusals import GUARD_PROBLEMS, ONCE_PROBLEMS, STORE_PROBLEMS
from kitwright.web.edge.shapes import Wire

_ID: Final = {"id": "Which webhook, by its id."}
_NO_BODY: Final = ("body-invalid", "not-acceptable", "body-too-large")

Url = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=2048,
        description="http or https, in ASCII, without user info and fragment.",
        examples=["https://hooks.example/kitwright"],
    ),
]
Kinds = Annotated[tuple[EventKind, ...], Meta(max_length=50, description="None: all.")]


class HookIn(Wire, frozen=True, kw_only=True):
    """A webhook to make: where events go, and which kinds of them."""

    url: Url
    kinds: Kinds = ()


class HookChangeIn(Wire, frozen=True, kw_only=True):
    """A webhook as it is to be, as a whole."""

    url: Url
    kinds: Kinds
    is_active: bool


class HookOut(Out, frozen=True, kw_only=True):
    """A webhook, without its secret.

    `kinds` are those that are posted, none: all. `failure` tells how the last attempt failed, null
    where it did not. The service sets `is_active` false itself where the target answers 410.
    """

    id: HookId
    url: str
    kinds: tuple[str, ...]
    is_active: bool
    failure: str | None
    made_at: datetime


class NewHookOut(HookOut, frozen=True, kw_only=True):
    """A new webhook. `secret` signs what is posted to it, shown this once: null where the call is
    sent again.
    """

    secret: str | None


CREATE: Final = Operation(
    method="post",
    path="/v1/webhooks",
    id="createWebhook",
    tag="owner",
    summary="Have events posted",
    description=(
        "Every event from now on, of the kinds that are named, is posted there as JSON, signed as "
        "Standard Webhooks says. Events come in the order of their places; one that fails is "
        "tried again for some days, and later ones do not wait for it: `webhook-id` is the same "
        "at every attempt, `data.seq` tells the order. Answers with the signing secret, once: "
        "sent again under its Idempotency-Key, the call makes no second webhook, and its answer "
        "has `secret` null."
    ),
    takes=HookIn,
    answers=NewHookOut,
    status=201,
    problems=(*BODY_PROBLEMS, *ONCE_PROBLEMS, "request-refused"),
    scope=Scope.OWNER,
    is_once=True,
    is_tagged=True,
)
LIST: Final = Operation(
    method="get",
    path="/v1/webhooks",
    id="listWebhooks",
    tag="owner",
    summary="All webhooks",
    description="Every webhook, oldest first, and how its last attempt failed.",
    answers=ListOut[HookOut],
    problems=("not-acceptable", "storage-unavailable"),
    scope=Scope.OWNER,
)
GET: Final = Operation(
    method="get",
    path="/v1/webhooks/{id}",
    id="getWebhook",
    tag="owner",
    summary="One webhook",
    description="A webhook, and how its last attempt failed.",
    answers=HookOut,
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_ID,
    scope=Scope.OWNER,
    is_tagged=True,
)
CHANGE: Final = Operation(
    method="put",
    path="/v1/webhooks/{id}",
    id="changeWebhook",
    tag="owner",
    summary="Change a webhook",
    description=(
        "Takes the webhook as a whole; its secret stays. Switched off, it misses what happens; "
        "what waits for it already is posted once it is on again."
    ),
    takes=HookChangeIn,
    answers=HookOut,
    problems=(
        *BODY_PROBLEMS,
        *GUARD_PROBLEMS,
        *STORE_PROBLEMS,
        "unknown-record",
        "request-refused",
    ),
    variables=_ID,
    scope=Scope.OWNER,
    is_guarded=True,
    is_tagged=True,
)
DROP: Final = Operation(
    method="delete",
    path="/v1/webhooks/{id}",
    id="deleteWebhook",
    tag="owner",
    summary="Delete a webhook",
    description="Answers with the webhook as it was. What waits for it is posted no more.",
    answers=HookOut,
    problems=(*_NO_BODY, *GUARD_PROBLEMS, *STORE_PROBLEMS, "unknown-record"),
    variables=_ID,
    scope=Scope.OWNER,
    is_guarded=True,
)
TRY: Final = Operation(
    method="post",
    path="/v1/webhooks/{id}/test",
    id="testWebhook",
    tag="owner",
    summary="Post an event to try a webhook",
    description=(
        "Adds an event `webhook.test` that waits for this webhook alone, whichever kinds it "
        "takes. Read the webhook afterwards to see how that went."
    ),
    answers=EventOut,
    status=202,
    problems=(*_NO_BODY, *ONCE_PROBLEMS, "unknown-record", "act-refused"),
    variables=_ID,
    scope=Scope.OWNER,
    is_once=True,
)
OPERATIONS: Final = (CREATE, LIST, GET, CHANGE, DROP, TRY)


class TargetMalformed(RequestFault):
    """A webhook's URL that is none that can be posted to."""

    code = "webhook-target-malformed"


class TargetNotAllowed(RequestFault):
    """A webhook's URL that leads where no event may go, into the shop's own network as a rule."""

    code = "webhook-target-not-allowed"


_TARGET_FAULTS: Final = {one.code: one for one in (TargetMalformed, TargetNotAllowed)}


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, CREATE, _create)
    yield acting(desk, CHANGE, _change)
    yield acting(desk, DROP, _drop)
    yield acting(desk, TRY, _try)
    yield reading(LIST, desk, _list)
    yield reading(GET, desk, _get)


async def _create(call: Call) -> Work:
    desk, stamp, asked = call.desk, call.stamp, call.body(HookIn)
    url, secret = _target(desk, asked.url), desk.make_hook_secret()

    def work(records: Records) -> Reply:
        new = Hook(
            number=0,
            version=1,
            url=url,
            secret=secret,
            kinds=_once_each(asked.kinds),
            is_active=True,
            failure=None,
            made_at=stamp.at,
        )
        hook = owner.add_hook(records, stamp, new)
        out = NewHookOut(**structs.asdict(hook_out(hook)), secret=secret)
        return Reply(
            body=msgspec.json.encode(out),
            kept=msgspec.json.encode(structs.replace(out, secret=None)),
            tag=_tag(hook),
            status=201,
            headers={"Location": f"/v1/webhooks/{out.id}"},
        )

    return work


async def _change(call: Call) -> Work:
    stamp, asked = call.stamp, call.body(HookChangeIn)
    url = _target(call.desk, asked.url)

    def work(records: Records) -> Reply:
        hook = owner.change_hook(
            records,
            stamp,
            _checked(records, call),
            url=url,
            kinds=_once_each(asked.kinds),
            is_active=asked.is_active,
        )
        return _reply(hook)

    return work


async def _drop(call: Call) -> Work:
    stamp = call.stamp

    def work(records: Records) -> Reply:
        hook = _checked(records, call)
        owner.drop_hook(records, stamp, hook)
        return Reply(body=msgspec.json.encode(hook_out(hook)))

    return work


async def _try(call: Call) -> Work:
    stamp = call.stamp

    def work(records: Records) -> Reply:
        event = owner.try_hook(records, stamp, _hook(records, call))
        return Reply(body=msgspec.json.encode(event_out(event)), status=202)

    return work


def _list(records: Records, _: Call) -> Reply:
    found = tuple(map(hook_out, records.events.hooks()))
    return Reply(body=msgspec.json.encode(ListOut(items=found)))


def _get(records: Records, call: Call) -> Reply:
    return _reply(_hook(records, call))


def _hook(records: Records, call: Call) -> Hook:
    """Return the hook of a call's path. Raises: Refusal: unknown-record."""
    number = call.number("id", HOOK)
    hook = records.events.hook(number)
    if hook is None:
        raise missing(HOOK, written(HOOK, number))
    return hook


def _checked(records: Records, call: Call) -> Hook:
    """Return the hook of a call's path, in the version that the caller has seen.

    Raises: Refusal: unknown-record, record-changed.
    """
    hook = _hook(records, call)
    call.check(_tag(hook))
    return hook


def _target(desk: Desk, url: str) -> str:
    """Return a URL as it is kept. Raises: RequestRefused, where no event may go there."""
    try:
        return desk.check_target(url)
    except KitwrightError as error:
        # whoever checks is another room's: its errors are known here by their codes
        if error.code not in _TARGET_FAULTS:
            raise
        fault = _TARGET_FAULTS[error.code](str(error))
        fault.at("url")
        raise RequestRefused([fault]) from None


def _once_each(kinds: tuple[EventKind, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(kinds))


def _tag(hook: Hook) -> str:
    return tag("webhook", hook.number, hook.version)


def _reply(hook: Hook) -> Reply:
    return Reply(body=msgspec.json.encode(hook_out(hook)), tag=_tag(hook))


def hook_out(hook: Hook) -> HookOut:
    """Return a hook without its secret."""
    return HookOut(
        id=written(HOOK, hook.number),
        url=hook.url,
        kinds=hook.kinds,
        is_active=hook.is_active,
        failure=hook.failure,
        made_at=hook.made_at,
    )
