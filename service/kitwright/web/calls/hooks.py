"""Hooks: the owner's calls on webhooks."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final

from msgspec import Meta, structs

from kitwright.errors import KitwrightError
from kitwright.keeping import owner
from kitwright.keeping.key import Scope
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import Hook
from kitwright.keeping.store import Records
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.call import Call, version_tag
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.event_wire import EventOut, event_out
from kitwright.web.calls.ids import HOOK, HookId, written
from kitwright.web.calls.out import Out
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

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
    """A new webhook: where events are posted, and which kinds."""

    url: Url
    kinds: Kinds = ()


class HookChangeIn(Wire, frozen=True, kw_only=True):
    """The complete new settings of a webhook."""

    url: Url
    kinds: Kinds
    is_active: bool


class HookOut(Out, frozen=True, kw_only=True):
    """A webhook, without its secret.

    `kinds` are the kinds of events posted; an empty list means all. `failure` says why the last
    attempt failed, null if it did not. The service sets `is_active` to false if the target answers
    410.
    """

    id: HookId
    url: str
    kinds: tuple[str, ...]
    is_active: bool
    failure: str | None
    made_at: datetime


class NewHookOut(HookOut, frozen=True, kw_only=True):
    """A new webhook. `secret` signs its events, and is shown only once: null if the call is
    retried.
    """

    secret: str | None


class TargetMalformed(RequestFault):
    """A webhook's URL is malformed."""

    code = "webhook-target-malformed"


class TargetNotAllowed(RequestFault):
    """A webhook's URL is not allowed, usually because it leads into the shop's own network."""

    code = "webhook-target-not-allowed"


_TARGET_FAULTS: Final = {one.code: one for one in (TargetMalformed, TargetNotAllowed)}


@operation(
    "POST /v1/webhooks",
    "createWebhook",
    "owner",
    scope=Scope.OWNER,
    is_once=True,
    is_tagged=True,
    status=201,
    problems=("request-refused",),
)
def create(records: Records, call: Call, body: HookIn) -> Reply[NewHookOut]:
    """Create a webhook.

    From now on, every event of the named kinds is posted there as JSON, signed as Standard Webhooks
    defines. Events come in order. A failed event is retried for some days, and later events do not
    wait for it: `webhook-id` is the same for every attempt, and `data.seq` gives the order. The
    signing secret is answered once. A retry with the same `Idempotency-Key` does not create a
    second webhook, and its answer has `secret` null.
    """
    new = Hook(
        number=0,
        version=1,
        url=_target(call.desk, body.url),
        secret=call.desk.make_hook_secret(),
        kinds=_once_each(body.kinds),
        is_active=True,
        failure=None,
        made_at=call.stamp.at,
    )
    hook = owner.add_hook(records, call.stamp, new)
    out = shaped(NewHookOut, hook, id=written(HOOK, hook.number))
    return call.made(out, kept=structs.replace(out, secret=None), tag=version_tag(HOOK, hook))


@operation("GET /v1/webhooks", "listWebhooks", "owner", scope=Scope.OWNER)
def listed(records: Records, _: Call) -> Reply[ListOut[HookOut]]:
    """List webhooks.

    Every webhook, oldest first, with the failure of its last attempt.
    """
    return Reply(body=ListOut(items=tuple(map(hook_out, records.hooks.every()))))


@operation("GET /v1/webhooks/{id}", "getWebhook", "owner", scope=Scope.OWNER, is_tagged=True)
def get(records: Records, call: Call) -> Reply[HookOut]:
    """Get a webhook.

    A webhook, with the failure of its last attempt.
    """
    return _reply(call.record(HOOK, records.hooks.get))


@operation(
    "PUT /v1/webhooks/{id}",
    "changeWebhook",
    "owner",
    scope=Scope.OWNER,
    is_guarded=True,
    is_tagged=True,
    problems=("request-refused",),
)
def change(records: Records, call: Call, body: HookChangeIn) -> Reply[HookOut]:
    """Change a webhook.

    Replaces all settings of the webhook; its secret stays. While it is inactive, it misses new
    events; events already waiting are posted when it is active again.
    """
    url = _target(call.desk, body.url)
    hook = call.checked(HOOK, records.hooks.get)
    kinds = _once_each(body.kinds)
    changed = owner.change_hook(
        records, call.stamp, hook, url=url, kinds=kinds, is_active=body.is_active
    )
    return _reply(changed)


@operation("DELETE /v1/webhooks/{id}", "deleteWebhook", "owner", scope=Scope.OWNER, is_guarded=True)
def drop(records: Records, call: Call) -> Reply[HookOut]:
    """Delete a webhook.

    Answers with the deleted webhook. Events waiting for it are no longer posted.
    """
    hook = call.checked(HOOK, records.hooks.get)
    owner.drop_hook(records, call.stamp, hook)
    return Reply(body=hook_out(hook))


@operation(
    "POST /v1/webhooks/{id}/test",
    "testWebhook",
    "owner",
    scope=Scope.OWNER,
    is_once=True,
    status=202,
    problems=("act-refused",),
)
def post_test(records: Records, call: Call) -> Reply[EventOut]:
    """Post a test event to a webhook.

    Adds an event `webhook.test` for this webhook only, whichever kinds it takes. Read the webhook
    afterwards to see the result.
    """
    hook = call.record(HOOK, records.hooks.get)
    return Reply(body=event_out(owner.try_hook(records, call.stamp, hook)))


def _target(desk: Desk, url: str) -> str:
    """Return a normalised URL. Raises: RequestRefused if events may not be posted there."""
    try:
        return desk.check_target(url)
    except KitwrightError as error:
        # the check belongs to another package: its errors are known here by their codes
        if error.code not in _TARGET_FAULTS:
            raise
        fault = _TARGET_FAULTS[error.code](str(error))
        fault.at("url")
        raise RequestRefused([fault]) from None


def _once_each(kinds: tuple[EventKind, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(kinds))


def _reply(hook: Hook) -> Reply[HookOut]:
    return Reply(body=hook_out(hook), tag=version_tag(HOOK, hook))


def hook_out(hook: Hook) -> HookOut:
    """Return a webhook without its secret."""
    return shaped(HookOut, hook, id=written(HOOK, hook.number))
